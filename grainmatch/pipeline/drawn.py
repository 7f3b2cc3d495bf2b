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

    outlines_px: (2n, 2) each, clockwise from the upper left: n points along the upper edge, n back along
    the lower one. Raises PhotoError when the photo has no scale, BoardError for an outline that is none.
    """
    bench = scale_photo(photo, thickness_mm, sheet_on, known)
    outlines = [_as_outline(bench, np.asarray(o, dtype=np.float64)) for o in outlines_px]
    return list(lay_outlines(bench, outlines, thickness_mm))


def _as_outline(bench: Bench, outline_px: Points) -> BoardOutline:
    half = len(outline_px) // 2
    if half < 2 or len(outline_px) % 2 or polygon_area(outline_px) <= 1:
        raise BoardError("An outline crosses itself or encloses nothing.", "Set its corners again.")
    on_plane = pixels_to_plane(bench.camera, outline_px, bench.face_height_mm)
    sigma_mm = HAND_SIGMA_PX / bench.px_per_mm
    return BoardOutline(
        upper_mm=on_plane[:half],
        lower_mm=on_plane[half:][::-1],
        outline_px=outline_px,
        sigma_mm=(sigma_mm, sigma_mm, sigma_mm, sigma_mm),
        notes=("outline set by hand",),
    )


def corners_of(outline_px: ArrayLike) -> Points:
    """The four corners (4, 2) of an outline made like those above, clockwise from the upper left."""
    outline = np.asarray(outline_px, dtype=np.float64)
    half = len(outline) // 2
    return outline[[0, half - 1, half, len(outline) - 1]]


def move_corners(outline_px: ArrayLike, corners_px: ArrayLike) -> Points:
    """The outline with its corners moved to (4, 2) new places; its edges keep their gentle curves.

    Every point of an edge moves by the mean of what its two corners move, weighted by how near they are.
    """
    outline, corners = (np.asarray(v, dtype=np.float64) for v in (outline_px, corners_px))
    shift = corners - corners_of(outline)
    half = len(outline) // 2
    moved = outline.copy()
    for part, first, last in ((slice(0, half), 0, 1), (slice(half, len(outline)), 2, 3)):
        edge = outline[part]
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(edge, axis=0).T))])
        share = (along / max(along[-1], 1e-9))[:, None]
        moved[part] = edge + (1 - share) * shift[first] + share * shift[last]
    return moved
