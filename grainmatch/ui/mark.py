"""The app's own small mark for the browser tab: four boards seen from above."""

from __future__ import annotations

import numpy as np
from PIL import Image

_SIZE_PX = 64
_TONES = ((176, 116, 72), (204, 150, 100), (158, 98, 58), (190, 132, 86))


def draw_mark() -> Image.Image:
    """A square picture of four boards side by side."""
    rows = np.arange(_SIZE_PX) * len(_TONES) // _SIZE_PX
    picture = np.asarray(_TONES, dtype=np.uint8)[rows][:, None, :].repeat(_SIZE_PX, axis=1)
    picture[1:][np.diff(rows) > 0] = (70, 44, 26)
    return Image.fromarray(np.ascontiguousarray(picture))
