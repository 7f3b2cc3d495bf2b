"""Damage that a JPEG decoder passes over in silence.

One wrong bit in a JPEG's scan lets the decoder lose count: from that block on, to the picture's lower end,
everything is off by a constant in tone or colour, and often displaced (every block is coded as its difference
from the one before: ITU-T T.81, F.1.2.1). Nothing in the file tells; the picture does, by a step that
runs along a row of blocks over the whole width, going down one row where the damage began.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainmatch.model import Rgb
from grainmatch.ranks import median

_LUMA = np.array([0.299, 0.587, 0.114], dtype=np.float32)  # JFIF 1.02, after ITU-R BT.601

_BLOCK_PX = 8
_CHUNKS_N = 32
_CHUNK_SAMPLES_N = 16
_LEAST_STEP = 4.0
_LEAST_PART = 0.9  # of the width; edges of real things reached 0.78 in the photos it was tried on


def find_torn_row(rgb: Rgb) -> int | None:
    """The pixel row where a picture (H, W, 3), as its file stores it, was torn; None when it looks whole.

    A step of at least 4 of 255 in lightness or colour, of one sign in nine tenths of the width, exactly at
    a row of 8 or 16 px blocks. A real edge that is level to a pixel and crosses the whole picture can look
    the same, so the answer is fit for a warning only.
    """
    steps = _block_steps(rgb)
    if steps is None:
        return None
    for pitch in (1, 2):  # rows of blocks are 8 px high, or 16 px where colour is halved
        for sign in (1, -1):
            hit = sign * steps >= _LEAST_STEP
            part = _stepped_part(hit[:-pitch], hit[pitch:])
            if part.size and part.max() >= _LEAST_PART:
                row = int(np.unravel_index(part.argmax(), part.shape)[0])
                return (row + 1) * _BLOCK_PX
    return None


def _block_steps(rgb: Rgb) -> NDArray[np.float32] | None:
    """Steps across every row of blocks (rows, chunks, 3): the median of each chunk of the width."""
    height, width = rgb.shape[:2]
    samples_n = _CHUNKS_N * _CHUNK_SAMPLES_N
    rows_n = len(range(_BLOCK_PX, height - 2, _BLOCK_PX))
    if width < samples_n or rows_n < 4:
        return None
    columns = np.arange(samples_n) * width // samples_n
    slim = rgb if width == samples_n else rgb[:, columns]
    near = [slim[_BLOCK_PX + k :: _BLOCK_PX][:rows_n].astype(np.int16) for k in (-3, -2, 1, 2)]
    step = near[2] + near[3] - near[0] - near[1]
    red, green, blue = (step[..., k].astype(np.float32) / 2 for k in range(3))
    luma = _LUMA[0] * red + _LUMA[1] * green + _LUMA[2] * blue
    split = np.stack([luma, blue - luma, red - luma])
    middle = median(split.reshape(3, rows_n, _CHUNKS_N, _CHUNK_SAMPLES_N), axis=3)
    return np.asarray(middle.transpose(1, 2, 0))


def _stepped_part(upper: NDArray[np.bool_], lower: NDArray[np.bool_]) -> NDArray[np.float64]:
    """How much of the width a tear covers, for every row (rows, chunks + 1, 3) and place it may begin:
    right of the place along the row's upper edge, left of it along its lower edge."""
    rows_n, chunks_n, _ = upper.shape
    part = np.zeros((rows_n, chunks_n + 1, 3))
    part[:, :-1] = np.cumsum(upper[:, ::-1], axis=1)[:, ::-1]
    part[:, 1:] += np.cumsum(lower, axis=1)
    return np.asarray(part / chunks_n)
