"""Outlines to be corrected by hand: where their corners are."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from grainmatch.errors import BoardError
from grainmatch.geometry import Points


def corners_of(outline_px: ArrayLike) -> Points:
    """The four corners (4, 2) of a board's outline (n, 2), clockwise from the one where it begins.

    Raises BoardError for an outline without four corners.
    """
    outline, corners = _find_corners(np.asarray(outline_px, dtype=np.float64))
    return outline[list(corners)]


def _find_corners(outline: Points) -> tuple[Points, tuple[int, int, int, int]]:
    """The outline begun at the corner nearest to its first point, and where its four corners then are.

    In a frame along the board, scaled to a square, corners are the points farthest out diagonally.
    """
    axes = np.linalg.svd(outline - outline.mean(axis=0), full_matrices=False)[2]
    uv = outline @ axes.T
    uv = 2 * (uv - uv.min(axis=0)) / np.maximum(np.ptp(uv, axis=0), 1e-9) - 1
    found = {int(np.argmax(uv @ way)) for way in _DIAGONALS}
    if len(found) != 4:
        raise BoardError("An outline does not have four corners.", "Remove it and draw it again.")
    first = min(found, key=lambda k: min(k, len(outline) - k))
    _, b, c, d = sorted((k - first) % len(outline) for k in found)
    return np.roll(outline, -first, axis=0), (0, b, c, d)


_DIAGONALS = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
