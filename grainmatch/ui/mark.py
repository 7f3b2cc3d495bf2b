"""The app's own small mark for the browser tab: four boards seen from above."""

from __future__ import annotations

import numpy as np
from PIL import Image

_TONES = ((176, 116, 72), (204, 150, 100), (158, 98, 58), (190, 132, 86))


def draw_mark(size_px: int = 64) -> Image.Image:
    """A square picture of four boards side by side."""
    rows = np.arange(size_px) * len(_TONES) // size_px
    picture = np.asarray(_TONES, dtype=np.uint8)[rows][:, None, :].repeat(size_px, axis=1)
    picture[1:][np.diff(rows) > 0] = (70, 44, 26)
    return Image.fromarray(np.ascontiguousarray(picture))
