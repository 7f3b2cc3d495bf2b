"""Boards that seem to touch because the gap between them was taken for wood.

In a gap the camera sees the upright side that faces it, or the bench beneath, both in shade: right outside
that board's face it is darker in some colour, or as dark as the face but of the bench's colour, nearly all
along and as far as the side or the gap goes. Between boards that touch each face goes on up to the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import BLACK, Backdrop
from grainmatch.board.edge import SIDE_LIGHT
from grainmatch.board.frame import Frame, lean_per_mm, look
from grainmatch.board.outline import TOUCHES, BoardOutline, Rough, refine_outline
from grainmatch.board.shade import BENCH_SHARE, LEAST_TINT
from grainmatch.board.stops import LOG_LIGHT
from grainmatch.board.tonestep import differs_in_colour
from grainmatch.geometry import Points, plane_to_pixels
from grainmatch.model import Bench

LEAST_GAP_MM = 2.5
LEAST_SHADED = 0.8
"""How wide a gap is that light tells, and along how much of it what lies in it must be in shade."""
FACE_MM, RIM_MM = (2.0, 10.0), (0.5, 4.0)
"""How far inside its edge a face is read, and its rim."""
SHADE, LEAST_SEEN_MM = 0.25, 1.5
"""Log light by which a gap is darker than the lit bench, and how much of it must be seen."""
PLACES = 48
MEETING_MM, FACE_SHARE = np.linspace(0.8, LEAST_GAP_MM, 4), np.linspace(0.3, 0.9, 9)
STRANGE_LIGHT, LEAST_STRANGE = -float(np.log(SIDE_LIGHT[1])), 0.5
"""Where beside the line along which two outlines meet a gap must show, and where, as a share of its width, a
board's face; log light in any colour by which they then differ, and along how much of the line (own
choices; on 144 drawn pairs that touch none was taken for a gap)."""


def part_across_gaps(
    bench: Bench, backdrop: Backdrop, rough: Sequence[Rough], outlines: Sequence[BoardOutline]
) -> tuple[list[Rough], list[BoardOutline]]:
    """The boards of a heap, from the top down, with those that only seemed to touch measured anew.

    A pair whose two edges both show a hairline does touch, unless beside it one of the faces does not look
    like itself: a border of the gap may pass for a hairline, and the gap for a rim of wood.
    """
    as_first, found = list(rough), list(outlines)
    for k, n in pairwise(range(len(found))):
        seen = TOUCHES.format("lower") in found[k].notes and TOUCHES.format("upper") in found[n].notes
        if not (as_first[k].touching[1] and as_first[n].touching[0]):
            continue
        if seen and not _has_strange_rim(bench, backdrop, found[k], found[n]):
            continue
        apart = (
            replace(as_first[k], touching=(as_first[k].touching[0], False), gap=(as_first[k].gap[0], True)),
            replace(as_first[n], touching=(False, as_first[n].touching[1]), gap=(True, as_first[n].gap[1])),
        )
        above, below = (
            refine_outline(bench, backdrop, each, (name,))
            for each, name in zip(apart, ("lower", "upper"), strict=True)
        )
        if is_gap(bench, backdrop, above, below):
            as_first[k], as_first[n] = apart
            found[k], found[n] = (refine_outline(bench, backdrop, each) for each in apart)
    return as_first, found


def _has_strange_rim(bench: Bench, backdrop: Backdrop, above: BoardOutline, below: BoardOutline) -> bool:
    """Whether along much of where two outlines meet one of them looks unlike its own face, and like the bench
    or in shade beside either face."""
    boards = (above.lower_mm, above.upper_mm), (below.upper_mm, below.lower_mm)
    rims, faces = [], []
    for edge, opposite in boards:
        across = opposite - edge
        share = MEETING_MM / np.maximum(np.hypot(*across.T), LEAST_GAP_MM)[:, None]
        rims.append(_log_light(bench, edge[:, None] + across[:, None] * share[..., None]).mean(axis=1))
        inside = edge[:, None] + across[:, None] * FACE_SHARE[:, None]
        faces.append(np.median(_log_light(bench, inside), axis=(0, 1)))
    middle = above.lower_mm[len(above.lower_mm) // 2][None]
    bare = backdrop.bench_light(plane_to_pixels(bench.camera, middle, bench.face_height_mm)[0])
    bare = np.log(bare + BLACK)
    for rim, face in zip(rims, faces, strict=True):
        strange = np.abs(rim - face).max(axis=1) > STRANGE_LIGHT
        shaded = (rim - np.maximum(*faces)).min(axis=1) < -STRANGE_LIGHT
        like_bench = np.ptp(rim - bare, axis=1) < BENCH_SHARE * np.ptp(face - bare)
        if (strange & (shaded | like_bench)).mean() > LEAST_STRANGE:
            return True
    return False


def _log_light(bench: Bench, places_mm: Points) -> NDArray[np.float32]:
    return np.asarray(cv2.LUT(look(bench, bench.photo.rgb, places_mm), LOG_LIGHT))


def is_gap(bench: Bench, backdrop: Backdrop, above: BoardOutline, below: BoardOutline) -> bool:
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
        _is_shaded(
            bench,
            backdrop,
            frame,
            u,
            edge,
            way,
            np.minimum(np.maximum(way * side, LEAST_GAP_MM), width),
            width,
        )
        for edge, way in zip(edges, (1.0, -1.0), strict=True)
        if way * np.median(side) > -1 / bench.px_per_mm
    ]
    return all(each[width > 1.0].mean() >= LEAST_SHADED for each in shaded)


def _is_shaded(
    bench: Bench,
    backdrop: Backdrop,
    frame: Frame,
    u: Points,
    edge: Points,
    way: float,
    side_mm: Points,
    width_mm: Points,
) -> Points:
    """At which places along an edge, as far as its side (n,) shows outward, light is less than on a side, or
    beyond, in a gap so wide (n,), bench in shade is seen."""

    def mean(first: Points, last: Points) -> Points:
        share = np.linspace(0.15, 0.85, 9)[:, None]
        v = edge + way * (first + (last - first) * share)
        places = frame.leave(np.stack(np.broadcast_arrays(u, v), axis=-1))
        return np.asarray(_log_light(bench, places).mean(axis=0))

    none = np.zeros_like(side_mm)
    face, rim = (np.median(mean(none - first, none - last), axis=0) for first, last in (FACE_MM, RIM_MM))
    beyond = mean(none, side_mm)
    # In one colour is enough: a side of sapwood in shade is bluer than heartwood still, but lit sapwood is
    # darker in none.
    darker = (beyond - face).min(axis=1) < np.log(SIDE_LIGHT[1])
    # Of a rim of sapwood the side in shade may be as light as the face.
    off = beyond - rim
    if not differs_in_colour(np.median(off, axis=0)):
        darker |= off.mean(axis=1) < np.log(SIDE_LIGHT[1])
    middle = frame.leave(np.array([[np.median(u), np.median(edge)]]))
    place_px = plane_to_pixels(bench.camera, middle, bench.face_height_mm)[0]
    bare = np.log(backdrop.bench_light(place_px) + BLACK)
    if np.ptp(face - bare) < LEAST_TINT:
        return np.asarray(darker)
    from_bench = mean(side_mm, width_mm) - bare
    bench_seen = (np.ptp(from_bench, axis=1) < BENCH_SHARE * np.ptp(face - bare)) & (
        width_mm > side_mm + LEAST_SEEN_MM
    )
    return np.asarray(darker | (bench_seen & (from_bench.mean(axis=1) < -SHADE)))
