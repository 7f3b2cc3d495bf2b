"""Straight lines across the grain along which all of it changes: the ends of boards, whatever their colour.

Along a wooden bench, and along a board, every streak runs on. Only where a board ends do all of them change
along one line; knots and the tips of growth rings are shorter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import Backdrop, measure_grain
from grainmatch.board.frame import Frame, look_through
from grainmatch.board.outline import BoardOutline
from grainmatch.board.stretches import best_stretches
from grainmatch.geometry import Points, pixels_to_plane
from grainmatch.model import Bench, Mask
from grainmatch.ranks import median

STEP_MM = 3.0
STREAK_MM, APART_MM, ROWS_MM = 9.0, 3.0, 30.0
"""Over how much of a streak its look is read on each side of a line, how much between is left out, and over
how many rows what the streaks say is averaged."""
MOST_SAID = 0.15
"""Log light, over three looks, by which one streak can at most speak for a line."""
LEAST_SAID, LEAST_TIMES = 0.07, 1.6
"""What streaks must say in the mean, and how many times what they say anywhere: on five drawn benches where
boards of their own colour lay, the ends reached 0.11 to 0.15, anything else seldom 0.1."""
LEAST_TOLD = 0.1
"""What they must say along a whole line (own choice)."""
NEAR_MM = 10.0
LEAST_END_MM = 36.0
"""How far apart two lines are at the least, and how long: no board for a top is narrower, and few knots and
tips of rings are so wide (own choice)."""
BESIDE_MM = 14.0
"""How far beside a board its end's shadow may be what changes (own choice)."""
SLOPES = np.linspace(-0.1, 0.1, 11)
LINE_COLUMNS, BESIDE_COLUMNS, MORE_MM = 3, 3, 60.0
"""How askew lines may be, over how many steps at once they are read, how many steps beside a ridge they are
looked for, and how far beyond it (own choices)."""
NEW_LINE = 0.15
"""What another line along a ridge must bring to count: two rows in which all streaks end (own choice)."""
LEAST_SHARED = 0.5
"""Of the rows of the shorter of two lines, how many the other takes that is the same or faces it
(own choice)."""
REACH_FRAC = 0.75
"""How far from the picture's middle the bench is looked at, in shares of its long side: seen aslant, it goes
on and on."""

Floats = NDArray[np.float64]
Field = NDArray[np.float32]


@dataclass(frozen=True)
class EndLine:
    """A line across the grain, from (u0, v0) to (u1, v1) in a frame, v0 < v1, in mm."""

    u0: float
    v0: float
    u1: float
    v1: float

    @property
    def middle_u(self) -> float:
        """Where it lies along the boards."""
        return (self.u0 + self.u1) / 2

    @property
    def height(self) -> float:
        """How many mm of rows it takes."""
        return self.v1 - self.v0

    def at(self, v: Floats) -> Floats:
        """u (n,) where it, or what it is part of, crosses rows v (n,)."""
        return self.u0 + (self.u1 - self.u0) * (v - self.v0) / (self.v1 - self.v0)

    def shares_most(self, other: EndLine) -> bool:
        """Whether most rows of the shorter of two are the other's too."""
        both = min(self.v1, other.v1) - max(self.v0, other.v0)
        return both > LEAST_SHARED * min(self.height, other.height)


@dataclass(frozen=True, eq=False)
class EndMap:
    """How much the grain changes at places (h, w) of a frame laid along the boards.

    corner_mm: u and v of the first place; they are STEP_MM apart. change: of each streak alone; say: of the
    rows around together; usual: what that is in the middle; least: from where on it is a line.
    """

    frame: Frame
    corner_mm: Points
    change: Field
    say: Field
    usual: float
    least: float

    def places(self, points_mm: Points) -> Points:
        """Columns and rows (n, 2) of points (n, 2) on the face plane."""
        return (self.frame.enter(points_mm) - self.corner_mm) / STEP_MM


def map_along(bench: Bench, backdrop: Backdrop, found: Sequence[BoardOutline]) -> EndMap:
    """The map of a bench, laid along the longest of the boards found, or else along the grain."""
    return map_ends(bench, backdrop, _longest_rad(found) if found else _grain_rad(bench, backdrop))


def map_ends(bench: Bench, backdrop: Backdrop, along_rad: float) -> EndMap:
    """The map of a bench, laid along a direction on the face plane."""
    frame = Frame(np.zeros(2), along_rad)
    low, seen = _look_around(bench, backdrop, frame)
    mean: Any = cv2.blur(seen, (round(STREAK_MM / STEP_MM), 1))
    apart = round((STREAK_MM + APART_MM) / STEP_MM)
    before, after = mean[:, :-apart], mean[:, apart:]
    differs: Any = cv2.transform(cv2.absdiff(before, after), np.array([[1.0, 1.0, 1.0, 0.0]]))
    unknown = cv2.extractChannel(cv2.min(before, after), 3) < 0.99
    change = np.zeros(seen.shape[:2], np.float32)
    told = np.minimum(differs, np.float32(MOST_SAID))
    told[unknown] = 0
    change[:, apart // 2 : apart // 2 - apart] = told
    say = np.asarray(cv2.blur(change, (1, round(ROWS_MM / STEP_MM))), dtype=np.float32)
    usual = float(median(say[::4, ::4][seen[::4, ::4, 3] > 0.99]))
    return EndMap(frame, low, change, say, usual, max(LEAST_SAID, LEAST_TIMES * usual))


def _longest_rad(found: Sequence[BoardOutline]) -> float:
    ways = [o.upper_mm[-1] - o.upper_mm[0] for o in found]
    along = max(ways, key=lambda way: float(np.hypot(*way)))
    return float(np.arctan2(along[1], along[0]))


def _grain_rad(bench: Bench, backdrop: Backdrop) -> float:
    """The way most streaks run on the face plane."""
    _, seen = _look_around(bench, backdrop, Frame(np.zeros(2), 0.0))
    known = cv2.erode(cv2.extractChannel(seen, 3), np.ones((5, 5), np.uint8)) > 0.99
    return measure_grain(seen[..., 0], np.asarray(known), MOST_SAID)[1]


def _look_around(bench: Bench, backdrop: Backdrop, frame: Frame) -> tuple[Points, Field]:
    """The bench laid along a frame in steps of STEP_MM: the corner (2,) of what is seen, and there (h, w, 4)
    how far three looks are off the bench's, in logs, and how surely a place is in the photo and no sheet."""
    h, w = bench.photo.rgb.shape[:2]
    rim = np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]], dtype=np.float64)
    uv = frame.enter(pixels_to_plane(bench.camera, rim, bench.face_height_mm))
    reach = REACH_FRAC * max(h, w) / bench.px_per_mm
    low, high = np.maximum(uv.min(axis=0), uv[-1] - reach), np.minimum(uv.max(axis=0), uv[-1] + reach)
    u, v = (np.arange(a, b, STEP_MM) for a, b in zip(low, high, strict=True))
    there: Any = cv2.erode(backdrop.known.view(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    there[[0, -1]], there[:, [0, -1]] = 0, 0  # what lies outside the photo repeats its rim
    looks = [p * np.float32(sigma) for p, sigma in zip(backdrop.departure, backdrop.spread, strict=True)]
    seen = look_through(bench, cv2.merge([*looks, there]), frame, u, v, backdrop.scale)
    return np.asarray(low), np.asarray(seen, dtype=np.float32)


def find_end_lines(ends: EndMap, found: Sequence[BoardOutline]) -> list[EndLine]:
    """Every line across which the grain changes, but for those in boards found and at their ends."""
    explained = _cover(ends, found)
    reach = 2 * round(NEAR_MM / STEP_MM) + 1
    ridge = (ends.say > ends.least) & (ends.say >= cv2.dilate(ends.say, np.ones((1, reach), np.uint8)))
    joined = cv2.dilate(ridge.view(np.uint8), np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    change = np.asarray(cv2.blur(ends.change, (LINE_COLUMNS, 1)), dtype=np.float32)
    lines: list[EndLine] = []
    for k in range(1, count):
        x, y, w, h = (int(size) for size in stats[k, :4])
        if h * STEP_MM < LEAST_END_MM:
            continue
        box = slice(y, y + h), slice(x, x + w)
        rows, columns = np.nonzero(ridge[box] & (labels[box] == k))
        if explained[box][rows, columns].mean() > 0.5:
            continue
        lines += _lines_along(ends, change, rows + y, columns + x)
    kept: list[EndLine] = []
    for line in sorted(lines, key=lambda each: -each.height):
        if not any(abs(line.middle_u - e.middle_u) < NEAR_MM and line.shares_most(e) for e in kept):
            kept.append(line)
    return kept


def _lines_along(
    ends: EndMap, change: Field, rows: NDArray[np.intp], columns: NDArray[np.intp]
) -> list[EndLine]:
    """The straight lines along a ridge, from the top down, each from where to where the grain changes across
    it. change: over LINE_COLUMNS.

    Boards that touch may end within some mm of each other, and then have one ridge.
    """
    more = round(MORE_MM / STEP_MM)
    h, w = ends.say.shape
    v = np.arange(max(int(rows.min()) - more, 0), min(int(rows.max()) + more + 1, h))
    beside = np.arange(int(columns.min()) - BESIDE_COLUMNS, int(columns.max()) + BESIDE_COLUMNS + 1)
    slopes, starts = (each.ravel() for each in np.meshgrid(SLOPES, beside))
    middle = (int(rows.min()) + int(rows.max())) // 2
    at = np.rint(starts + slopes * (v[:, None] - middle)).astype(int)
    told = change[v[:, None], at.clip(0, w - 1)]
    level = (ends.usual + float(ends.say[rows, columns].mean())) / 2
    lines = []
    for k, first, stop in best_stretches(told - level, NEW_LINE):
        near = v[first] <= rows.max() and v[stop - 1] >= rows.min()
        plain = (stop - first) * STEP_MM >= LEAST_END_MM and told[first:stop, k].mean() >= LEAST_TOLD
        if near and plain:
            span = v[0] + np.array([first, stop]) - 0.5
            places = np.column_stack([starts[k] + slopes[k] * (span - middle), span])
            (u0, v0), (u1, v1) = ends.corner_mm + STEP_MM * places
            lines.append(EndLine(float(u0), float(v0), float(u1), float(v1)))
    return lines


def _cover(ends: EndMap, found: Sequence[BoardOutline]) -> Mask:
    """Where (h, w) boards lie, and right beside them."""
    there = np.zeros(ends.say.shape, np.uint8)
    for outline in found:
        ring = np.vstack([outline.upper_mm, outline.lower_mm[::-1]])
        cv2.fillPoly(there, [np.rint(ends.places(ring)).astype(np.int32)], 1)
    side = 2 * round(BESIDE_MM / STEP_MM) + 1
    return np.asarray(cv2.dilate(there, np.ones((side, side), np.uint8))).astype(bool)
