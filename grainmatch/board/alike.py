"""Boards of the bench's own colour: their ends tell that they are there, and between which rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import Backdrop
from grainmatch.board.doubts import ALIKE, DOUBTED, MAY_BE_MORE
from grainmatch.board.endlines import STEP_MM, EndLine, EndMap, find_end_lines, map_along, map_ends
from grainmatch.board.level import level_frame
from grainmatch.board.outline import BoardOutline
from grainmatch.board.segment import sort_for_reading
from grainmatch.geometry import pixels_to_plane, plane_to_pixels, polygon_area, polygon_mask
from grainmatch.model import Bench, Mask

LEAST_GRAIN = 0.5
"""From what coherence on a bench has a grain: that of drawn wooden ones is 0.8 to 0.9, of others 0.24 at the
most, whatever the light. Only where a grain stops do ends tell."""
LEAST_LENGTH_MM = 120.0
MORE_MM = 30.0
"""How much farther across the boards one end may be seen than the one that faces it (own choice)."""
MOST_SHARED, LEAST_COVERED, MOST_MORE = 0.2, 0.75, 1.02
"""How much of the smaller of two outlines may lie in the other when they are not of one board, how much of an
outline others of the same board cover, and how many times larger they are at the most (own choices)."""

LEAST_STANDING = 0.95
"""How much of a board of another colour stands out from the bench at the least (own choice)."""


def find_alike(bench: Bench, backdrop: Backdrop, outlines: Sequence[BoardOutline]) -> Mask | None:
    """Where, of the coarse photo (h, w), wood lies between ends that face each other, on a bench with a
    grain: boards of its own colour, but also others and gaps. None where no outline is doubted and all such
    ends belong to one.
    """
    if not _has_grain(backdrop):
        return None
    ends = map_along(bench, backdrop, outlines)
    doubted = any(o.confidence < 1.0 for o in outlines)
    if not doubted and not _any_face(find_end_lines(ends, outlines)):
        return None
    there = _between_ends(bench, backdrop, ends)
    if not there.any():
        return None
    along = _level_along(bench, backdrop, ends, there)
    return _between_ends(bench, backdrop, map_ends(bench, backdrop, along))


def keep_sure(
    backdrop: Backdrop, before: Sequence[BoardOutline], after: Sequence[BoardOutline]
) -> tuple[BoardOutline, ...]:
    """The outlines found with what ends tell, with a note where their wood hardly stands out, but those found
    without it and not doubted then as they were: between ends lie gaps too, where a wooden bench shows.

    One found with ends and not doubted is the better one where the other was of a part, or took in part of a
    neighbour.
    """
    told = [o for o in before if o.confidence == 1.0]
    for outline in after:
        others = [
            o for o in told if _both_mm2(outline, o) > MOST_SHARED * min(_area_mm2(outline), _area_mm2(o))
        ]
        if others and (outline.confidence < 1.0 or _are_all_of(others, outline)):
            continue
        told = [o for o in told if not any(o is other for other in others)]
        told.append(_note_alike(backdrop, outline))
    return tuple(sort_for_reading(told))


def _note_alike(backdrop: Backdrop, outline: BoardOutline) -> BoardOutline:
    """The outline, with a note where more of it looks like the bench than of wood of another colour."""
    height, width = backdrop.known.shape
    inside = polygon_mask(outline.outline_px * backdrop.scale, (height, width)) & backdrop.known
    if not inside.any() or backdrop.stands_out[inside].mean() >= LEAST_STANDING:
        return outline
    return replace(outline, confidence=DOUBTED, notes=(*outline.notes, ALIKE))


def _are_all_of(others: Sequence[BoardOutline], outline: BoardOutline) -> bool:
    """Whether other outlines cover nearly all that one does, and no more."""
    area = _area_mm2(outline)
    covered = sum(_both_mm2(outline, o) for o in others)
    return covered >= LEAST_COVERED * area and sum(map(_area_mm2, others)) <= MOST_MORE * area


def doubt_alike(
    bench: Bench, backdrop: Backdrop, outlines: Sequence[BoardOutline]
) -> tuple[BoardOutline, ...]:
    """The outlines of one photo, the first with a note where ends that face each other, on a bench with a
    grain, belong to no outline.
    """
    if not outlines or not _has_grain(backdrop):
        return tuple(outlines)
    if not _any_face(find_end_lines(map_along(bench, backdrop, outlines), outlines)):
        return tuple(outlines)
    return replace(outlines[0], notes=(*outlines[0].notes, MAY_BE_MORE)), *outlines[1:]


def _has_grain(backdrop: Backdrop) -> bool:
    return backdrop.grain >= LEAST_GRAIN


def _any_face(lines: Sequence[EndLine]) -> bool:
    """Whether a board may lie between two of the lines."""
    return any(
        right.middle_u - left.middle_u >= LEAST_LENGTH_MM and left.shares_most(right)
        for left in lines
        for right in lines
    )


def _between_ends(bench: Bench, backdrop: Backdrop, ends: EndMap) -> Mask:
    """The coarse photo (h, w) between the outermost ends of every row that has them."""
    v = ends.corner_mm[1] + STEP_MM * np.arange(len(ends.say))
    left, right = _outermost(find_end_lines(ends, []), v)
    there = np.zeros(backdrop.known.shape, np.uint8)
    between = np.isfinite(left).astype(np.int8)
    for first, stop in np.flatnonzero(np.diff(between, prepend=0, append=0)).reshape(-1, 2):
        down, up = (np.column_stack([u, v])[first:stop] for u in (left, right))
        ring = ends.frame.leave(np.vstack([down, up[::-1]]))
        place = plane_to_pixels(bench.camera, ring, bench.face_height_mm)
        cv2.fillPoly(there, [np.rint(place * backdrop.scale).astype(np.int32)], 1)
    return there.astype(bool)


def _outermost(
    lines: Sequence[EndLine], v: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """u of the first and the last end in each row v (h,), NaN where there are not both, far enough apart.

    Where one board's ends are not seen over quite the same rows, the other one counts as going on.
    """
    reach = np.full((len(lines) + 1, len(v)), np.nan)
    for k, line in enumerate(lines):
        across = (v >= line.v0) & (v <= line.v1)
        reach[k, across] = line.at(v[across])
    left, right = np.fmin.reduce(reach), np.fmax.reduce(reach)
    facing = np.flatnonzero(right - left >= LEAST_LENGTH_MM)
    if not len(facing):
        return np.full_like(v, np.nan), np.full_like(v, np.nan)
    near = facing[np.abs(facing - np.arange(len(v))[:, None]).argmin(axis=1)]
    either = np.isfinite(left) & (np.abs(v[near] - v) <= MORE_MM)
    return np.where(either, left[near], np.nan), np.where(either, right[near], np.nan)


def _level_along(bench: Bench, backdrop: Backdrop, ends: EndMap, there: Mask) -> float:
    """The direction of the boards on the face plane, of which a map is laid along about, and they lie there
    (h, w) in the coarse photo."""
    rows, columns = np.nonzero(there)
    places = (np.column_stack([columns, rows]) + 0.5) / backdrop.scale
    seen = ends.frame.enter(pixels_to_plane(bench.camera, places, bench.face_height_mm))
    corners = seen.min(axis=0), seen.max(axis=0)
    return level_frame(bench, ends.frame, corners, there & backdrop.known, backdrop.scale).angle_rad


def _both_mm2(a: BoardOutline, b: BoardOutline) -> float:
    """How much of the bench two outlines have in common, taken for quadrilaterals."""
    return float(cv2.intersectConvexConvex(_corners(a), _corners(b))[0])


def _area_mm2(outline: BoardOutline) -> float:
    return abs(polygon_area(_corners(outline)))


def _corners(outline: BoardOutline) -> NDArray[np.float32]:
    return np.vstack([outline.upper_mm[[0, -1]], outline.lower_mm[[-1, 0]]]).astype(np.float32)
