"""Sums of an image along every nearly level straight line, all at once.

The fast discrete Radon transform: Brady, SIAM J. Comput. 27(1) 107-119 (1998); lines are built
from half-lines over twice as many columns, so all slopes cost n log n.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Sums = NDArray[np.float32]


def sum_along_lines(image: NDArray[np.float32]) -> tuple[Sums, NDArray[np.float64]]:
    """Sums (n_drops, h) of image (h, 2^k) along lines, and each line's drop in rows over the width.

    Entry [i, r] is the line that starts at row r in the first column and ends drop[i] rows lower
    in the last one; outside the image counts as zero.
    """
    down = _falling(image)
    up = _falling(image[::-1])[:, ::-1]
    n = image.shape[1]
    drop = np.concatenate([-np.arange(n - 1, 0, -1), np.arange(n)]).astype(np.float64)
    return np.concatenate([up[:0:-1], down]), drop


def _falling(image: NDArray[np.float32]) -> Sums:
    h, n = image.shape
    if n & (n - 1):
        raise ValueError("the number of columns must be a power of two")
    # parts (n_parts, n_drops, h): sums over `span` neighbouring columns
    parts = np.ascontiguousarray(image.T)[:, None, :]
    span = 1
    while span < n:
        left, right = parts[0::2], parts[1::2]
        merged = np.zeros((len(left), 2 * span, h), np.float32)
        for drop in range(2 * span):
            lower = (drop + 1) // 2
            merged[:, drop] = left[:, drop // 2]
            if lower < h:
                merged[:, drop, : h - lower] += right[:, drop // 2, lower:]
        parts, span = merged, 2 * span
    return np.asarray(parts[0])
