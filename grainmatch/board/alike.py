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
from grainmatch.board.level import level
from grainmatch.board.outline import BoardOutline
from grainmatch.geometry import pixels_to_plane, plane_to_pixels
from grainmatch.model import Bench, Mask

LEAST_YELLOW = (0.25, 0.45)
"""Log R/G and G/B from which a bench may be of wood: grey things in a yellow lamp's light reach 0.22 and
0.37, drawn wooden benches in white light 0.36 and 0.65. Only along wood does grain that stops tell ends."""
LEAST_LENGTH_MM = 120.0
MORE_MM = 30.0
"""How much farther across the boards one end may be seen than the one that faces it (own choice)."""
LEAST_OVERLAP, MOST_MORE = 0.75, 1.02
"""How much two outlines of one board have in common at the least, as intersection over union, and how many
times larger one is at the most (own choices)."""


def find_alike(bench: Bench, backdrop: Backdrop, outlines: Sequence[BoardOutline]) -> Mask | None:
    """Where, of the coarse photo (h, w), wood lies between ends that face each other, on a bench that may be
    of wood: boards of its own colour, but also others and gaps. None where no outline is doubted and all such
    ends belong to one.
    """
    if not _may_be_wood(backdrop):
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


def keep_sure(before: Sequence[BoardOutline], after: Sequence[BoardOutline]) -> tuple[BoardOutline, ...]:
    """The outlines found with what ends tell, each with a note, but those found without it as well, and not
    doubted then, as they were: between ends lie gaps too, in which a wooden bench shows. One that takes in
    more than is found with ends, surely, has part of a neighbour in it.
    """
    sure = [o for o in before if o.confidence == 1.0]
    told = []
    for outline in after:
        same = [o for o in sure if _overlap(outline, o) >= LEAST_OVERLAP]
        if outline.confidence == 1.0:
            same = [o for o in same if _area_mm2(o) <= MOST_MORE * _area_mm2(outline)]
        noted = replace(outline, confidence=DOUBTED, notes=(*outline.notes, ALIKE))
        told.append(same[0] if same else noted)
    return tuple(told)


def doubt_alike(
    bench: Bench, backdrop: Backdrop, outlines: Sequence[BoardOutline]
) -> tuple[BoardOutline, ...]:
    """The outlines of one photo, the first with a note where ends that face each other, on a bench that may
    be of wood, belong to no outline.
    """
    if not outlines or not _may_be_wood(backdrop):
        return tuple(outlines)
    if not _any_face(find_end_lines(map_along(bench, backdrop, outlines), outlines)):
        return tuple(outlines)
    return replace(outlines[0], notes=(*outlines[0].notes, MAY_BE_MORE)), *outlines[1:]


def _may_be_wood(backdrop: Backdrop) -> bool:
    return bool((backdrop.surface[0, 1:] > LEAST_YELLOW).all())


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
    return level(bench, ends.frame, corners, there & backdrop.known, backdrop.scale).angle_rad


def _overlap(a: BoardOutline, b: BoardOutline) -> float:
    """Intersection over union of the quadrilaterals of two outlines' corners."""
    both = float(cv2.intersectConvexConvex(_corners(a), _corners(b))[0])
    return both / max(_area_mm2(a) + _area_mm2(b) - both, 1e-6)


def _area_mm2(outline: BoardOutline) -> float:
    return float(cv2.contourArea(_corners(outline)))


def _corners(outline: BoardOutline) -> NDArray[np.float32]:
    return np.vstack([outline.upper_mm[[0, -1]], outline.lower_mm[[-1, 0]]]).astype(np.float32)
