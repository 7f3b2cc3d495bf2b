"""Bench -> board outlines: what stands out from the bench, split at seams, each piece refined."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import BLACK, Backdrop, fit_backdrop
from grainmatch.board.curve import fit_curve
from grainmatch.board.doubts import doubt_shapes, doubt_widths
from grainmatch.board.edge import LINEAR
from grainmatch.board.frame import Frame, look, look_through
from grainmatch.board.gaps import part_across_gaps
from grainmatch.board.hairlines import Seam
from grainmatch.board.level import level_frame
from grainmatch.board.neighbours import join_undivided, share_seams
from grainmatch.board.outline import UNSEEN_SIGMA_MM, BoardOutline, Rough, refine_outline
from grainmatch.board.seams import find_seams
from grainmatch.board.shade import is_bench_coloured, past_dark, shadow_reach_mm
from grainmatch.board.solid import find_solid
from grainmatch.board.stops import find_stops
from grainmatch.geometry import Points, pixels_to_plane
from grainmatch.model import Bench, Mask
from grainmatch.ranks import median

COLUMNS = 128
MOST_UNSEEN = 2
"""Of a board's four edges, how many may show in no change of light: its ends, where it runs out of the
picture, or a seam and an end (own choice)."""
TALLEST_GAP_MM = 40.0
TOUCHING_MM = 2.5
"""How near to a seam boards come that touch (own estimate)."""
LONGEST_SHADOW_MM = 60.0
"""How far a low lamp's shadow beyond an end may be taken for wood (own choice)."""


@dataclass(frozen=True)
class Limits:
    """The least a board can be; upright: whether it may lie upright in the photo."""

    least_width_mm: float = 25.0
    least_length_mm: float = 120.0
    upright: bool = True


BOARDS = Limits()


def find_boards(
    bench: Bench, *, limits: Limits = BOARDS, backdrop: Backdrop | None = None, alike: Mask | None = None
) -> tuple[BoardOutline, ...]:
    """Every board's face outline, in reading order: top to bottom, boards in one row left to right.

    Boards lying upright in the photo are read as if it were turned a quarter clockwise. backdrop: the bench's
    look when it was fitted before. alike: where, of the coarse photo, boards of the bench's own colour lie.
    """
    backdrop = backdrop or fit_backdrop(bench.photo.rgb, bench.sheet_outlines_px, bench.photo.colour_step)
    solid = find_solid(backdrop, 1 / (bench.px_per_mm * backdrop.scale), alike)
    heaps = _find_heaps(bench, backdrop, solid, limits)
    outlines: list[BoardOutline] = []
    for heap in heaps:
        if alike is not None:
            heap = _levelled(bench, backdrop, heap)
        rough = _split_heap(bench, backdrop, heap, limits)
        found = [refine_outline(bench, backdrop, r) for r in rough]
        parted, found = part_across_gaps(bench, backdrop, rough, found)
        shared = share_seams(bench, parted, found)
        outlines += join_undivided(bench, backdrop, parted, shared)
    boards = [o for o in outlines if _is_board(bench, backdrop, solid, o, limits)]
    return doubt_shapes(bench, doubt_widths(sort_for_reading(boards)))


def sort_for_reading(outlines: list[BoardOutline]) -> list[BoardOutline]:
    """Rows from the top, and from the left within a row."""
    if not outlines:
        return []
    along = np.mean([o.upper_mm[-1] - o.upper_mm[0] for o in outlines], axis=0)
    frame = Frame(np.zeros(2), float(np.arctan2(along[1], along[0])))
    middles = frame.enter([np.vstack([o.upper_mm, o.lower_mm]).mean(axis=0) for o in outlines])
    widths = [float(np.ptp(frame.enter(np.vstack([o.upper_mm, o.lower_mm]))[:, 1])) for o in outlines]
    rows: list[list[int]] = []
    for i in np.argsort(middles[:, 1]):
        same = rows and abs(middles[rows[-1], 1].mean() - middles[i, 1]) < 0.4 * widths[i]
        if same and _beside(frame, outlines[rows[-1][-1]], outlines[i]):
            rows[-1].append(int(i))
        else:
            rows.append([int(i)])
    return [outlines[i] for row in rows for i in sorted(row, key=lambda j: middles[j, 0])]


def _beside(frame: Frame, a: BoardOutline, b: BoardOutline) -> bool:
    """Whether two boards lie end to end: their lengths do not overlap along u."""
    ua, ub = frame.enter(a.upper_mm)[:, 0], frame.enter(b.upper_mm)[:, 0]
    return bool(ua.max() < ub.min() + 5 or ub.max() < ua.min() + 5)


# --- heaps: connected things on the bench ------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Heap:
    """Boards lying close together: contour_mm (n, 2) on the face plane, their common frame, and
    where they are in the coarse photo."""

    contour_mm: Points
    frame: Frame
    mask: Mask


def _find_heaps(bench: Bench, backdrop: Backdrop, solid: Mask, limits: Limits) -> Iterator[_Heap]:
    px_mm = 1 / (bench.px_per_mm * backdrop.scale)
    mask: Any = solid.astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for contour in sorted(contours, key=lambda c: -cv2.contourArea(c)):
        if cv2.contourArea(contour) * px_mm**2 < 0.3 * limits.least_width_mm * limits.least_length_mm:
            continue
        places_px = (contour.reshape(-1, 2) + 0.5) / backdrop.scale
        outline = pixels_to_plane(bench.camera, places_px, bench.face_height_mm)
        own = cv2.drawContours(np.zeros_like(mask), [contour], -1, 1, -1) & mask
        yield _Heap(outline, _heap_frame(bench, outline, limits.upright), own.astype(bool))


def _levelled(bench: Bench, backdrop: Backdrop, heap: _Heap) -> _Heap:
    """The heap in a frame by what is seen in it: where only its ends tell of it, its contour runs askew."""
    uv = heap.frame.enter(heap.contour_mm)
    corners = uv.min(axis=0), uv.max(axis=0)
    frame = level_frame(bench, heap.frame, corners, heap.mask & backdrop.known, backdrop.scale)
    return replace(heap, frame=frame)


def _heap_frame(bench: Bench, outline: Points, upright: bool) -> Frame:
    """Its frame: along the direction most of the contour runs in; along the grain when that is square."""
    step = max(8, len(outline) // 60)
    ahead = np.roll(outline, -step, axis=0) - outline
    angle = np.arctan2(ahead[:, 1], ahead[:, 0]) % np.pi
    histogram, _ = np.histogram(angle, bins=180, range=(0, np.pi), weights=np.hypot(*ahead.T))
    kernel = np.exp(-0.5 * (np.arange(-4, 5) / 1.5) ** 2)
    smooth = np.convolve(np.concatenate([histogram[-4:], histogram, histogram[:4]]), kernel, mode="valid")
    peak = _sharpest(outline, (int(smooth.argmax()) + 0.5) / 180 * np.pi)
    frame = Frame(outline.mean(axis=0), _upright_to_clockwise(peak))
    size = np.ptp(frame.enter(outline), axis=0)
    if size[1] > size[0] and not upright:
        return Frame(frame.origin_mm, _upright_to_clockwise(peak + np.pi / 2))
    square = upright and size[1] > 0.55 * size[0]
    if square and _grain_runs_across(bench, frame, outline):
        frame = Frame(frame.origin_mm, _upright_to_clockwise(peak + np.pi / 2))
    return frame


def _sharpest(outline: Points, around_rad: float) -> float:
    """The direction near `around_rad` along which the contour's points gather on the fewest lines."""
    p = outline - outline.mean(axis=0)
    angles = around_rad + np.radians(np.arange(-3.0, 3.01, 0.1))
    across = -np.sin(angles)[:, None] * p[:, 0] + np.cos(angles)[:, None] * p[:, 1]
    bins = np.rint((across - across.min()) / 2.5).astype(int)
    crowd = [float((np.bincount(row).astype(float) ** 2).sum()) for row in bins]
    return float(angles[int(np.argmax(np.convolve(crowd, [0.25, 0.5, 0.25], mode="same")))])


def _upright_to_clockwise(angle_rad: float) -> float:
    """Direction of u: rightwards, or upwards for boards lying upright in the photo."""
    a = (angle_rad + np.pi / 2) % np.pi - np.pi / 2
    return float(a - np.pi) if a > np.radians(50) else float(a)


def _grain_runs_across(bench: Bench, frame: Frame, outline: Points) -> bool:
    """Whether the figure inside changes faster along u than across it."""
    uv = frame.enter(outline)
    low, high = np.percentile(uv, 12, axis=0), np.percentile(uv, 88, axis=0)
    u, v = (np.arange(lo, hi, 1.5) for lo, hi in zip(low, high, strict=True))
    light = look_through(bench, bench.photo.rgb, frame, u, v).astype(np.float32).mean(axis=2)
    change_u = median(np.abs(np.diff(light, axis=1)))
    change_v = median(np.abs(np.diff(light, axis=0)))
    return bool(change_u > 1.05 * change_v)


# --- heaps to boards ---------------------------------------------------------------------------


def _split_heap(bench: Bench, backdrop: Backdrop, heap: _Heap, limits: Limits) -> list[Rough]:
    uv = heap.frame.enter(heap.contour_mm)
    low, high = uv.min(axis=0) - 12.0, uv.max(axis=0) + 12.0
    rows_per_mm = bench.px_per_mm
    n_rows = int((high[1] - low[1]) * rows_per_mm)
    sub = 4
    u = low[0] + (np.arange(COLUMNS * sub) + 0.5) / (COLUMNS * sub) * (high[0] - low[0])
    v = low[1] + (np.arange(n_rows) + 0.5) / rows_per_mm
    seen = cv2.LUT(look_through(bench, bench.photo.rgb, heap.frame, u, v), LINEAR)
    colours = np.asarray(cv2.resize(seen, (COLUMNS, n_rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
    log_light = np.log(colours @ np.full(3, 1 / 3, np.float32) + np.float32(BLACK))
    solid, known = (
        look_through(bench, mask.view(np.uint8), heap.frame, u[::sub], v, backdrop.scale).astype(bool)
        for mask in (heap.mask, backdrop.known)
    )
    stops = find_stops(bench, backdrop, heap.mask, heap.frame, low, high, v)
    seams = find_seams(
        log_light,
        np.log(colours + np.float32(BLACK)),
        solid & known,
        known,
        rows_per_mm=rows_per_mm,
        length_mm=float(high[0] - low[0]),
        stops=stops,
        tallest_rows=int(TALLEST_GAP_MM * rows_per_mm),
        least_apart_rows=int(limits.least_width_mm * rows_per_mm),
    )
    seams = sorted(seams, key=lambda s: s.start + s.drop / 2)
    shadow_rows = shadow_reach_mm(bench.face_height_mm) * rows_per_mm
    dark_rows = [_dark_reach(s, stops.side_rows(n_rows, rows_per_mm), shadow_rows) for s in seams]
    pieces = _pieces(heap.frame, low, high, rows_per_mm, log_light, solid, known, seams, dark_rows, limits)
    hidden = tuple(pixels_to_plane(bench.camera, s, bench.face_height_mm) for s in bench.sheet_outlines_px)
    return [replace(_slant_ends(bench, backdrop, heap.mask, piece), hidden_mm=hidden) for piece in pieces]


def _slant_ends(bench: Bench, backdrop: Backdrop, mask: Mask, rough: Rough) -> Rough:
    """The piece with each end as the line along which its wood stops, and bench, lit or in shade, begins."""
    ends = []
    inward = min(LONGEST_SHADOW_MM, 0.4 * float(rough.right[-1] - rough.left[-1]))
    for end, outward in ((rough.left, -1.0), (rough.right, 1.0)):
        u0 = float(end[-1])
        v0, v1 = np.polyval(rough.upper, u0), np.polyval(rough.lower, u0)
        v = v0 + (v1 - v0) * np.linspace(0.08, 0.92, 32)
        t = np.arange(-inward, 24.0, 1.0)
        places = np.stack(np.broadcast_arrays(u0 + outward * t[None, :], v[:, None]), axis=-1)
        places = rough.frame.leave(places)
        bare = ~_seen(bench, backdrop, places, mask) | is_bench_coloured(bench, backdrop, places)
        stops = np.where(bare.any(axis=1), t[0] + bare.argmax(axis=1), np.nan)
        ends.append(_median_line(v, u0 + outward * stops, end))
    return replace(rough, left=ends[0], right=ends[1], reach_mm=(4.0, 4.0, 12.0, 12.0))


def _median_line(
    x: NDArray[np.float64], y: NDArray[np.float64], fallback: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Theil-Sen line through the finite points (Sen, J. Am. Stat. Assoc. 63, 1968)."""
    good = np.isfinite(y)
    if good.sum() < 8:
        return fallback
    x, y = x[good], y[good]
    i, j = np.triu_indices(len(x), 4)
    slope = float(median((y[j] - y[i]) / (x[j] - x[i])))
    return np.array([slope, float(median(y - slope * x))])


def _seen(bench: Bench, backdrop: Backdrop, places: Points, mask: Mask) -> Mask:
    return look(bench, mask.view(np.uint8), places, backdrop.scale).astype(bool)


def _pieces(
    frame: Frame,
    low: Points,
    high: Points,
    rows_per_mm: float,
    log_light: NDArray[np.float32],
    solid: Mask,
    known: Mask,
    seams: list[Seam],
    dark_rows: list[float],
    limits: Limits,
) -> Iterator[Rough]:
    """The boards between consecutive separators, from the top; dark_rows: see `_dark_reach`."""
    n_rows, n = solid.shape
    rows = np.arange(n_rows)[:, None] + 0.5
    columns = np.arange(n) + 0.5
    lines = [np.zeros(n), *(s.start + s.drop * columns / n for s in seams), np.full(n, float(n_rows))]
    bands = []
    for k in range(len(lines) - 1):
        near = slice(max(int(lines[k].min()) - 4, 0), int(lines[k + 1].max()) + 5)
        wood, there, light = solid[near], known[near], log_light[near]
        part = wood & (rows[near] > lines[k]) & (rows[near] < lines[k + 1])
        if k:
            part &= past_dark(light, part, wood, there, rows_per_mm=rows_per_mm, most_rows=dark_rows[k - 1])
        if k + 2 < len(lines):
            part &= past_dark(
                light[::-1],
                part[::-1],
                wood[::-1],
                there[::-1],
                rows_per_mm=rows_per_mm,
                most_rows=dark_rows[k],
            )[::-1]
        inside = np.zeros_like(solid)
        inside[near] = part
        bands.append(inside)
    touching = [
        False,
        *(
            _touch(*pair, line, max(3.0, TOUCHING_MM * rows_per_mm))
            for pair, line in zip(pairwise(bands), lines[1:-1], strict=True)
        ),
    ]
    for k, inside in enumerate(bands):
        for first, last in _runs(inside, known, limits, rows_per_mm, (high[0] - low[0]) / n):
            rough = _rough(frame, low, high, rows_per_mm, inside, known, first, last)
            yield replace(rough, touching=(touching[k], (*touching, False)[k + 1]))


def _dark_reach(seam: Seam, side_rows: NDArray[np.float64], shadow_rows: float) -> float:
    """How many rows beside a separator a side in shade and a shadow may be taken for wood."""
    middle = int(np.clip(seam.start + seam.drop / 2, 0, len(side_rows) - 1))
    return seam.height / 2 + abs(float(side_rows[middle])) + shadow_rows


def _touch(above: Mask, below: Mask, line: NDArray[np.float64], reach_rows: float) -> bool:
    """Whether two boards' wood comes up to a separator's line from both sides for most of its length."""
    both = above.any(axis=0) & below.any(axis=0)
    if both.sum() < 4:
        return False
    gaps = below.argmax(axis=0) - line, line - (len(above) - above[::-1].argmax(axis=0))
    return bool(all((gap[both] < reach_rows).mean() > 0.5 for gap in gaps))


def _runs(
    inside: Mask, known: Mask, limits: Limits, rows_per_mm: float, column_mm: float
) -> Iterator[tuple[int, int]]:
    """Stretches of columns that hold enough wood, long enough to be a board."""
    least_rows = limits.least_width_mm * rows_per_mm
    height = inside.sum(axis=0)
    if not (height > least_rows).any():
        return
    typical = median(height[height > least_rows])
    full = (height > max(least_rows, 0.55 * typical)).astype(np.uint8)
    full = cv2.morphologyEx(full[None], cv2.MORPH_CLOSE, np.ones((1, 3), np.uint8))[0]
    bare = (inside & known).sum(axis=0) > 0.3 * typical
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full, [0]])))
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        wood = np.flatnonzero(bare[first:stop])  # a sheet sticking out does not lengthen the board
        if not len(wood):
            continue
        first, stop = first + wood[0], first + wood[-1] + 1
        if (stop - first) * column_mm >= limits.least_length_mm:
            yield int(first), int(stop - 1)


def _rough(
    frame: Frame,
    low: Points,
    high: Points,
    rows_per_mm: float,
    inside: Mask,
    known: Mask,
    first: int,
    last: int,
) -> Rough:
    n_rows, n = inside.shape
    column_mm = (high[0] - low[0]) / n
    rim = min(max(1, (last - first) // 40), (last - first) // 2)
    columns = np.arange(first + rim, last + 1 - rim)
    part = inside[:, columns]
    u = low[0] + (columns + 0.5) * column_mm
    curves = []
    for row in (part.argmax(axis=0), n_rows - part[::-1].argmax(axis=0)):
        told = part.any(axis=0)
        for step in (-4, 0, 4):  # where a sheet lies across the edge it tells nothing
            told &= known[(row + step).clip(0, n_rows - 1), columns]
        told = told if told.mean() > 0.25 else part.any(axis=0)
        told = told if told.any() else ~told
        curves.append(fit_curve(u[told], low[1] + row[told] / rows_per_mm))
    upper, lower = curves
    ends = np.array([low[0] + first * column_mm, low[0] + (last + 1) * column_mm])
    turned = _turn_into(frame, upper, lower, ends)
    return turned


def _turn_into(
    frame: Frame, upper: NDArray[np.float64], lower: NDArray[np.float64], ends: NDArray[np.float64]
) -> Rough:
    """The same piece in its own frame, whose u runs along its middle line."""
    u = np.linspace(ends[0], ends[1], 24)
    middle = 0.5 * (np.polyval(upper, u) + np.polyval(lower, u))
    slope = (middle[-1] - middle[0]) / (ends[1] - ends[0])
    centre = frame.leave(np.array([u.mean(), middle.mean()]))
    own = Frame(centre, frame.angle_rad + float(np.arctan(slope)))
    curves = []
    for poly in (upper, lower):
        q = own.enter(frame.leave(np.column_stack([u, np.polyval(poly, u)])))
        curves.append(np.polyfit(q[:, 0], q[:, 1], 2))
    half = (ends[1] - ends[0]) / 2 * np.hypot(1, slope)
    return Rough(own, curves[0], curves[1], np.array([0.0, -half]), np.array([0.0, half]))


def _is_board(bench: Bench, backdrop: Backdrop, solid: Mask, outline: BoardOutline, limits: Limits) -> bool:
    """Big enough, longer than wide, with edges that are seen, and full of something that is not bench."""
    if sum(sigma >= UNSEEN_SIGMA_MM for sigma in outline.sigma_mm) > MOST_UNSEEN:
        return False
    ring = np.vstack([outline.upper_mm, outline.lower_mm[::-1]])
    area = abs(float(ring[:, 0] @ np.roll(ring[:, 1], -1) - ring[:, 1] @ np.roll(ring[:, 0], -1))) / 2
    length = float(np.hypot(*(outline.upper_mm[-1] - outline.upper_mm[0])))
    width = area / max(length, 1e-6)
    if width < limits.least_width_mm or length < limits.least_length_mm or length < 1.2 * width:
        return False
    share = np.linspace(0.04, 0.96, 40)
    upper = outline.upper_mm[np.linspace(1, 31, 40).astype(int)]
    lower = outline.lower_mm[np.linspace(1, 31, 40).astype(int)]
    inside = upper[None] * (1 - share[:, None, None]) + lower[None] * share[:, None, None]
    known = _seen(bench, backdrop, inside, backdrop.known)
    if known.mean() < 0.3:
        return False  # it is a sheet
    return bool(_seen(bench, backdrop, inside, solid)[known].mean() > 0.85)
