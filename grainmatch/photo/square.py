"""Ends of outlined boards: what square ends say about the camera."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Camera, Points, pixels_to_plane

Floats = NDArray[np.float64]

# A docked end is square to a fraction of a degree, a rough-sawn one to a few (common practice, no source):
# long-tailed, and the ends at hand may be truer or worse than usual, within these bounds.
USUAL_SKEW_RAD = math.radians(0.4)
SKEW_BOUNDS_RAD = (math.radians(0.05), math.radians(3.0))
# How far one corner of an end is seen before or behind the other, 1-sigma: 0.03 to 0.14 in drawn and rendered
# photos, whose ends are cleaner than most.
END_SIGMA_PX = 0.2


@dataclass(frozen=True, eq=False)
class BoardEnds:
    """The left and the right end of some boards.

    corners_px (boards, 4, 2): as `rectangle_corners` gives them.
    """

    corners_px: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.corners_px)

    def lay_flat(self, camera: Camera, height_mm: float) -> Points:
        """The corners (boards * 4, 2), mm, on the plane as `camera` sees it."""
        return pixels_to_plane(camera, self.corners_px.reshape(-1, 2), height_mm)

    def skews_rad(self, camera: Camera, height_mm: float) -> Floats:
        """How far the left and the right end of each board (boards, 2) are out of square, signed alike."""
        return self.skews_of(self.lay_flat(camera, height_mm))

    def skews_of(self, flat_mm: Points) -> Floats:
        """The same of corners (boards * 4, 2) laid flat."""
        ends, along = _ends_and_along(flat_mm.reshape(-1, 4, 2))
        dot = np.einsum("bei,bi->be", ends, along)
        cross = along[:, None, 0] * ends[..., 1] - along[:, None, 1] * ends[..., 0]
        return np.asarray(np.arctan2(dot, np.maximum(np.abs(cross), 1e-9)))

    def skew_slopes(self, flat_mm: Points, moves: Floats) -> Floats:
        """Derivatives (boards, 2, k) of `skews_of` by what moves the corners flat_mm, laid flat, by `moves`
        (boards * 4, 2, k)."""
        ends, along = _ends_and_along(flat_mm.reshape(-1, 4, 2))
        ends_move, along_moves = _ends_and_along(moves.reshape(len(self), 4, 2, moves.shape[-1]))
        return _turning(along, along_moves)[:, None] - _turning(ends, ends_move)

    @property
    def noise_rad(self) -> Floats:
        """1-sigma (boards, 2) of skews from seeing the ends."""
        ends, _ = _ends_and_along(self.corners_px)
        return END_SIGMA_PX / np.maximum(np.hypot(ends[..., 0], ends[..., 1]), 1.0)


def _ends_and_along(corners: Floats) -> tuple[Floats, Floats]:
    """Left and right end from top to bottom (boards, 2, 2, ...), and twice each board's length as a vector
    (boards, 2, ...)."""
    a, b, c, d = (corners[:, k] for k in range(4))
    return np.stack([d - a, c - b], axis=1), b + c - a - d


def _turning(vectors: Floats, moves: Floats) -> Floats:
    """By how much vectors (..., 2) turn from x towards y when they change by moves (..., 2, k)."""
    x, y = vectors[..., :1], vectors[..., 1:]
    return np.asarray((x * moves[..., 1, :] - y * moves[..., 0, :]) / np.maximum(x * x + y * y, 1e-9))


def find_ends(outlines_px: Sequence[Points]) -> BoardEnds:
    """The ends of boards from their outlines (n, 2) each."""
    return BoardEnds(np.reshape([rectangle_corners(outline) for outline in outlines_px], (-1, 4, 2)))


def rectangle_corners(outline_px: Points) -> Points:
    """The four corners (4, 2) of a board's outline: upper left, upper right, lower right, lower left, its
    length running along the upper edge."""
    outline = np.asarray(outline_px, dtype=np.float64)
    (_, (w, h), turn) = cv2.minAreaRect(outline.astype(np.float32))
    angle = math.radians(turn) + (0.0 if w >= h else math.pi / 2)
    angle = (angle + math.pi / 2) % math.pi - math.pi / 2
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-along[1], along[0]])
    u, v = outline @ along, outline @ across
    u, v = (u - u.min()) / np.ptp(u), (v - v.min()) / np.ptp(v)
    places = [int(np.argmin(np.hypot(3 * (u - a), v - b))) for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))]
    return outline[places]
