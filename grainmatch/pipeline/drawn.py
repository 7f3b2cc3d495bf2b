"""Outlines drawn or corrected by hand -> boards, measured like the ones that were found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from grainmatch.board.outline import BoardOutline
from grainmatch.errors import BoardError
from grainmatch.geometry import Points, pixels_to_plane, polygon_area
from grainmatch.model import Bench, Board, Photo
from grainmatch.photo.pose import KnownScale, SheetOn
from grainmatch.pipeline.measure import lay_outlines, scale_photo

HAND_SIGMA_PX = 1.5
"""How far a corner set by hand lies off, 1-sigma, in photo pixels (own assumption)."""


def measure_drawn(
    photo: Photo,
    outlines_px: Sequence[ArrayLike],
    *,
    thickness_mm: float,
    sheet_on: SheetOn = "bench",
    known: KnownScale | str | None = None,
) -> list[Board]:
    """Boards from outlines drawn in a photo, in the order given, each with the face that is up as face A.

    outlines_px: (n, 2) each, clockwise from the upper left corner. Raises PhotoError when the photo has no
    scale, BoardError for an outline that is none.
    """
    bench = scale_photo(photo, thickness_mm, sheet_on, known)
    outlines = [_as_outline(bench, np.asarray(o, dtype=np.float64)) for o in outlines_px]
    return list(lay_outlines(bench, outlines, thickness_mm))


def _as_outline(bench: Bench, outline_px: Points) -> BoardOutline:
    if len(outline_px) < 4 or polygon_area(outline_px) <= 1:
        raise BoardError("An outline crosses itself or encloses nothing.", "Set its corners again.")
    outline, (_, right, low_right, low_left) = _find_corners(outline_px)
    on_plane = pixels_to_plane(bench.camera, outline, bench.face_height_mm)
    sigma_mm = HAND_SIGMA_PX / bench.px_per_mm
    return BoardOutline(
        upper_mm=on_plane[: right + 1],
        lower_mm=on_plane[low_right : low_left + 1][::-1],
        outline_px=outline,
        sigma_mm=(sigma_mm, sigma_mm, sigma_mm, sigma_mm),
        notes=("outline set by hand",),
    )


def corners_of(outline_px: ArrayLike) -> Points:
    """The four corners (4, 2) of a board's outline (n, 2), clockwise from the one where it begins.

    Raises BoardError for an outline without four corners.
    """
    outline, corners = _find_corners(np.asarray(outline_px, dtype=np.float64))
    return outline[list(corners)]


def move_corners(outline_px: ArrayLike, corners_px: ArrayLike) -> Points:
    """The outline with its corners moved to (4, 2) new places; its edges keep their gentle curves.

    Every point of an edge moves by the mean of what its two corners move, weighted by how near they are.
    Raises BoardError for an outline without four corners.
    """
    outline, corners = _find_corners(np.asarray(outline_px, dtype=np.float64))
    shift = np.asarray(corners_px, dtype=np.float64) - outline[list(corners)]
    moved = outline.copy()
    for number, first in enumerate(corners):
        last = corners[number + 1] if number < 3 else len(outline)
        edge = np.arange(first, last + 1) % len(outline)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(outline[edge], axis=0).T))])
        share = (along / max(along[-1], 1e-9))[:, None]
        moved[edge] = outline[edge] + (1 - share) * shift[number] + share * shift[(number + 1) % 4]
    return moved


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
