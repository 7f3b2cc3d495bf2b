"""Sums of an image along every nearly level straight line, all at once.

The fast discrete Radon transform: Brady, SIAM J. Comput. 27(1) 107-119 (1998); lines are built
from half-lines over twice as many columns, so all slopes cost n log n.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Sums = NDArray[np.float32]


def sum_along_lines(
    image: NDArray[np.float32], *, most_drop: int | None = None
) -> tuple[Sums, NDArray[np.float64]]:
    """Sums (n_drops, h) of image (h, 2^k) along lines, and each line's drop in rows over the width.

    Entry [i, r] is the line that starts at row r in the first column and ends drop[i] rows lower
    in the last one; outside the image counts as zero. Drops go up to most_drop either way, or to one
    less than the width.
    """
    n = image.shape[1]
    most = n - 1 if most_drop is None else min(most_drop, n - 1)
    down = _falling(image, most)
    up = _falling(image[::-1], most)[:, ::-1]
    return np.concatenate([up[:0:-1], down]), np.arange(-most, most + 1).astype(np.float64)


def _falling(image: NDArray[np.float32], most: int) -> Sums:
    h, n = image.shape
    if n & (n - 1):
        raise ValueError("the number of columns must be a power of two")
    # parts (n_parts, n_drops, h): sums over `span` neighbouring columns
    parts = np.ascontiguousarray(image.T)[:, None, :]
    span = 1
    while span < n:
        span *= 2
        left, right = parts[0::2], parts[1::2]
        drops = most // (n // span) + 1  # half a line drops half as far
        merged = np.empty((len(left), drops, h), np.float32)
        for drop in range(drops):
            lower = min((drop + 1) // 2, h)
            np.add(
                left[:, drop // 2, : h - lower], right[:, drop // 2, lower:], out=merged[:, drop, : h - lower]
            )
            merged[:, drop, h - lower :] = left[:, drop // 2, h - lower :]
        parts = merged
    return np.asarray(parts[0])
