"""Boards that seem to touch because the gap between them was taken for wood.

In a gap the camera sees the upright side that faces it, or the bench beneath, both in shade: right outside
that board's face it is darker, nearly all along and as far as the side or the gap goes. Between boards that
touch each face goes on up to the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np

from grainmatch.board.backdrop import Backdrop
from grainmatch.board.edge import SIDE_LIGHT
from grainmatch.board.frame import Frame, lean_per_mm, look
from grainmatch.board.outline import TOUCHES, BoardOutline, Rough, refine_outline
from grainmatch.board.stops import LOG_LIGHT
from grainmatch.geometry import Points
from grainmatch.model import Bench

LEAST_GAP_MM = 2.5
LEAST_SHADED = 0.8
"""How wide a gap is that light tells, and along how much of it what lies in it must be in shade."""
FACE_MM = (2.0, 10.0)
"""How far inside its edge a face is read."""
PLACES = 48


def part_across_gaps(
    bench: Bench, backdrop: Backdrop, rough: Sequence[Rough], outlines: Sequence[BoardOutline]
) -> tuple[list[Rough], list[BoardOutline]]:
    """The boards of a heap, from the top down, with those that only seemed to touch measured anew.

    A pair whose two edges both show a hairline, and no wider band, does touch.
    """
    as_first, found = list(rough), list(outlines)
    for k, n in pairwise(range(len(found))):
        seen = TOUCHES.format("lower") in found[k].notes and TOUCHES.format("upper") in found[n].notes
        if not (as_first[k].touching[1] and as_first[n].touching[0]) or seen:
            continue
        apart = (
            replace(as_first[k], touching=(as_first[k].touching[0], False), gap=(as_first[k].gap[0], True)),
            replace(as_first[n], touching=(False, as_first[n].touching[1]), gap=(True, as_first[n].gap[1])),
        )
        pair = [refine_outline(bench, backdrop, each) for each in apart]
        if is_gap(bench, pair[0], pair[1]):
            as_first[k], as_first[n] = apart
            found[k], found[n] = pair
    return as_first, found


def is_gap(bench: Bench, above: BoardOutline, below: BoardOutline) -> bool:
    """Whether what lies between two facing edges is in shade, as in a gap."""
    start, end = above.lower_mm[[0, -1]]
    frame = Frame(start, float(np.arctan2(*(end - start)[::-1])))
    lower, upper = frame.enter(above.lower_mm), frame.enter(below.upper_mm)
    u = np.linspace(max(lower[0, 0], upper[0, 0]), min(lower[-1, 0], upper[-1, 0]), PLACES + 2)[1:-1]
    edges = [np.interp(u, *edge.T) for edge in (lower, upper)]
    width = edges[1] - edges[0]
    if np.median(width) < LEAST_GAP_MM:
        return False
    lean = lean_per_mm(bench, frame.leave(np.column_stack([u, edges[0]]))) @ frame.axes[1]
    side = lean * bench.face_height_mm
    shaded = [
        _is_darker(bench, frame, u, edge, way, np.minimum(np.maximum(way * side, LEAST_GAP_MM), width))
        for edge, way in zip(edges, (1.0, -1.0), strict=True)
        if way * np.median(side) > -1 / bench.px_per_mm
    ]
    return all(each[width > 1.0].mean() >= LEAST_SHADED for each in shaded)


def _is_darker(bench: Bench, frame: Frame, u: Points, edge: Points, way: float, width: Points) -> Points:
    """At which places along an edge, all over a width (n,) outward, light is less than on a board's side."""

    def mean(first: Points, last: Points) -> Points:
        share = np.linspace(0.15, 0.85, 9)[:, None]
        v = edge + way * (first + (last - first) * share)
        seen = look(bench, bench.photo.rgb, frame.leave(np.stack(np.broadcast_arrays(u, v), axis=-1)))
        return np.asarray(cv2.LUT(seen, LOG_LIGHT).mean(axis=(0, 2)))

    none = np.zeros_like(width)
    face = np.median(mean(none - FACE_MM[0], none - FACE_MM[1]))
    return np.asarray(mean(none, width) < face + np.log(SIDE_LIGHT[1]))
