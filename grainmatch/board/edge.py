"""One edge of a board face, found to a fraction of a pixel in a strip of the photo along it.

The strip runs along a rough edge; across it, t grows outward from the face. Light is linear and
divided by the face's own colour just inside, so the face is about 1 whatever the wood and the lamp.

Going outward over a face edge one meets, where the camera can see it, the board's own upright side,
whose width in the photo follows from camera and thickness, and then bench, shadow or a neighbour. So an
edge is one step (no side seen) or two steps a known distance apart, each smeared by the photo's blur;
the levels between them are free.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from grainmatch.board.frame import look
from grainmatch.geometry import Points
from grainmatch.model import Bench, Mask

Field = NDArray[np.float32]
Floats = NDArray[np.float64]
EdgeKind = Literal["step", "side", "foot", "seam"]
LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
STEP_PX = 0.5
GAP_LIGHT = 0.17
"""Light left in a hairline gap between two boards, as a share of the face's."""
CLIP_SIGMA = 12.0
"""Steepest change a pixel, in sigmas of the face's own figure, with which one station can speak."""
LEAST_FIGURE = 0.012
"""Change of light a pixel, as a share, below which a figure is noise."""
LEAST_SIDE_PX = 1.2
FAR_STEP_PX = 5.0
"""Steps farther apart than this are placed one by one."""
AGREED_WITHIN_PX = 1.25
OUT_OF_REACH = 1e9
BLOCKS = 8
BLURS_PX = (0.45, 0.7, 1.0, 1.4, 2.0)


@dataclass(frozen=True, eq=False)
class Strip:
    """light (stations, n, 3) at t_px (n,) pixels outward from the rough edge; stations a power of two.

    side_px (stations,) is how wide the board's own side should show. bench_light (3,) is the lit
    bench's in the same units. seen (stations,) is False where a sheet hides the edge. plain: see
    `subdue_figure`.
    """

    light: Field
    t_px: Floats
    side_px: Floats
    bench_light: Floats
    seen: Mask
    plain: Field


@dataclass(frozen=True, eq=False)
class EdgeFind:
    """offset_px (stations,) of the edge from the rough one, NaN where it is not seen, weight (stations,)
    how sharply each station tells it, and what it is.

    step: face straight to bench, shadow or background; side: face, then its own side; foot: face
    and side look alike, placed from the side's foot; seam: a gap too thin to resolve.
    contrast is the size of the step in shares of the face's light.
    """

    offset_px: Floats
    kind: EdgeKind
    contrast: float
    weight: Floats
    blur_px: float = 0.7


def read_strip(
    bench: Bench, places_mm: Points, outward: Points, *, inside_px: float, outside_px: float
) -> tuple[Field, Floats, Field]:
    """(light (stations, n, 3), t_px (n,), face light (stations, 3)) at places (stations, sub, 2).

    outward (2,) is a unit vector on the face plane; t steps by half a pixel of the photo's middle.
    """
    t = np.arange(-inside_px, outside_px + STEP_PX, STEP_PX)
    points = places_mm[:, :, None, :] + (t / bench.px_per_mm)[:, None] * outward
    m, k, n, _ = points.shape
    seen = look(bench, bench.photo.rgb, points.reshape(m * k, n, 2))
    light = LINEAR[seen].reshape(m, k, n, 3).mean(axis=1)
    face = np.maximum(np.median(light[:, : max(4, n // 6)], axis=1), 0.003)
    return light / face[:, None, :], t, face


def subdue_figure(light: Field, t_px: Floats, wood_until_px: float) -> Field:
    """Light in axes in which the wood's own figure, judged where t is below wood_until_px, has unit steps.

    Growth rings change all colours together; an edge changes them otherwise, and so stands out.
    """
    inside = light[:, t_px < wood_until_px]
    step = (np.diff(inside, axis=1) / STEP_PX).reshape(-1, 3)
    step = step[np.abs(step).max(axis=1) < 0.5]
    spread = step.T @ step / max(len(step), 1) + LEAST_FIGURE**2 * np.eye(3)
    values, axes = np.linalg.eigh(spread)
    return np.asarray(light @ (axes / np.sqrt(values)), dtype=np.float32)


def find_edge(
    strip: Strip, *, least_t_px: float, most_t_px: float, touching: bool = False, curved: bool = True
) -> EdgeFind:
    """The face's edge in a strip, between least_t_px and most_t_px of the rough one."""
    if touching and (seam := _seam_edges(strip, min(-least_t_px, 5.0))) is not None:
        return seam
    candidates = _straight_edges(strip, least_t_px, most_t_px, curved)
    if not candidates:
        return EdgeFind(np.full(len(strip.light), np.nan), "step", 0.0, np.ones(len(strip.light)))
    line, gap_px, kind = _choose(strip, candidates)
    return _fit_steps(strip, line, gap_px, kind)


# --- which line is the edge --------------------------------------------------------------------


@dataclass(frozen=True)
class _Line:
    """A gently curved edge in a strip: t at its middle, drop over the strip, sag of its ends, mean say."""

    middle_px: float
    drop_px: float
    sag_px: float
    say: float

    def at(self, stations: int) -> Floats:
        x = (np.arange(stations) + 0.5) / stations - 0.5
        return self.middle_px + self.drop_px * x + self.sag_px * 4 * x * x


def _straight_edges(strip: Strip, least_t_px: float, most_t_px: float, curved: bool) -> list[_Line]:
    """Lines or gentle curves along which nearly every station shows a change of light, strongest first."""
    say = _block_say(strip)
    blocks, n = say.shape
    x = (np.arange(blocks) + 0.5) / blocks - 0.5
    drops = np.arange(-14.0, 14.1, 0.5)
    sags = np.arange(-8.0, 8.1, 1.0) if curved else np.zeros(1)
    bend = (drops[:, None, None] * x + sags[None, :, None] * 4 * x * x) / STEP_PX
    rows = np.flatnonzero((strip.t_px >= least_t_px) & (strip.t_px <= most_t_px))
    index = np.rint(rows[:, None, None, None] + bend[None]).astype(int).clip(0, n - 1)
    total = say[np.arange(blocks), index].mean(axis=3) * (1 - 0.015 * np.abs(sags))
    found: list[_Line] = []
    while len(found) < 14:
        r, i, j = np.unravel_index(int(total.argmax()), total.shape)
        best = float(total[r, i, j])
        if best <= (0.07 * found[0].say if found else 0.5):
            break
        found.append(_Line(float(strip.t_px[rows[r]]), float(drops[i]), float(sags[j]), best))
        if len(found) == 1:  # the others, feet and shadows, run nearly along with the strongest
            total[:, np.abs(drops - drops[i]) > 2.5] = 0
            total[:, :, np.abs(sags - sags[j]) > 1.0] = 0
        apart = (np.abs(rows - rows[r]) * STEP_PX)[:, None, None]
        crossing = (np.abs(drops - drops[i]) / 2)[:, None] + np.abs(sags - sags[j])[None, :]
        total[apart - crossing < 1.6] = 0  # the same edge again, a little askew
    return found


def _block_say(strip: Strip) -> Floats:
    """Change of light (blocks, n) at each t over blocks of stations, in sigmas of the face's own figure.

    Signed within a block, so that a figure crossing the line cancels; unsigned between blocks, since
    what lies outside the edge may change from shadow to bench.
    """
    change = _change(strip.plain) * strip.seen[:, None, None]
    seen = strip.seen.reshape(BLOCKS, -1)
    sums = change.reshape(BLOCKS, seen.shape[1], -1, 3).sum(axis=1)
    say = np.sqrt((sums**2).mean(axis=2)) / np.maximum(seen.sum(axis=1), 1)[:, None]
    say[seen.mean(axis=1) < 0.3] = 0
    return np.asarray(say * BLOCKS / max(int((seen.mean(axis=1) >= 0.3).sum()), 1))


def _change(plain: Field) -> Floats:
    """Signed change per pixel (stations, n, 3), clipped; it lies between the middle two of four samples."""
    wide = np.zeros(plain.shape)
    change = (plain[:, 3:] + plain[:, 2:-1] - plain[:, 1:-2] - plain[:, :-3]) / (4 * STEP_PX)
    wide[:, 1:-2] = np.clip(change, -CLIP_SIGMA, CLIP_SIGMA)
    wide[:, 1:] = 0.5 * (wide[:, 1:] + wide[:, :-1])
    return wide


def _choose(strip: Strip, candidates: list[_Line]) -> tuple[_Line, float, EdgeKind]:
    """(the face's edge, distance to the next step outward (0 when none), what it is)."""
    side = float(np.median(strip.side_px))
    strongest = candidates[0]
    strong = [c for c in candidates if c.say >= 0.5 * strongest.say]
    if side < LEAST_SIDE_PX:
        sure = [c for c in candidates if c.say >= 0.7 * strongest.say]
        first = min(sure, key=lambda c: c.middle_px)
        return first, max(side, 0.0), "step"
    slack = max(1.2, 0.15 * side)
    pairs = [
        (a, b)
        for a in candidates
        for b in candidates
        if abs(b.middle_px - a.middle_px - side) <= slack
        and b.say + a.say > 0.8 * strongest.say
        and (a.say > 0.35 * b.say or _bench_beyond(strip, b, side))
    ]
    if pairs:
        a, b = max(pairs, key=lambda p: p[0].say + p[1].say)
        return a, b.middle_px - a.middle_px, "side"
    outermost = max(strong, key=lambda c: c.middle_px)
    if _bench_beyond(strip, outermost, side):
        return replace(outermost, middle_px=outermost.middle_px - side), side, "foot"
    first = min(strong, key=lambda c: c.middle_px)
    beyond = [c.middle_px - first.middle_px for c in strong if 1.5 < c.middle_px - first.middle_px < side]
    return first, min(beyond, default=side), "side"


def _bench_beyond(strip: Strip, line: _Line, side_px: float) -> bool:
    """Whether what lies right outside a line is bench rather than the board's own side in shade.

    Told by colour where bench and wood differ in it, in light or shadow; else only lit bench is known.
    """
    t = strip.t_px[None, :] - line.at(len(strip.light))[:, None]
    near = (t > 0.8) & (t < np.clip(0.85 * side_px, 2.0, 4.0)) & strip.seen[:, None]
    colour = np.array([np.median(strip.light[..., k][near]) for k in range(3)])
    from_wood = np.log(np.maximum(colour, 1e-3))  # the face is 1
    from_bench = from_wood - np.log(strip.bench_light)
    if np.ptp(np.log(strip.bench_light)) > 0.3:
        return bool(np.ptp(from_bench) < np.ptp(from_wood))
    return bool(abs(from_bench.mean()) < 0.35 and np.ptp(from_bench) < 0.3)


# --- where exactly ------------------------------------------------------------------------------


def _fit_steps(strip: Strip, line: _Line, gap_px: float, kind: EdgeKind) -> EdgeFind:
    """Station by station least squares of blurred steps with free levels, near the chosen line."""
    start = line.at(len(strip.light))
    ratio = gap_px / max(float(np.median(strip.side_px)), 1e-6)
    gap = np.full(len(start), gap_px) if kind == "step" else strip.side_px * ratio
    far = gap_px > FAR_STEP_PX
    back = gap if far and kind == "foot" else np.zeros_like(gap)
    start = start + back
    gap = np.zeros_like(gap) if far else gap
    shifts = np.arange(-2.0, 2.01, 0.25)
    few = np.flatnonzero(strip.seen)[:: max(1, int(strip.seen.sum()) // 21)]
    blur, lowest = BLURS_PX[0], np.inf
    for each in BLURS_PX:
        least_of_few = float(np.median(_misfits(strip, start, shifts, gap, each, few).min(axis=1)))
        if least_of_few < 0.97 * lowest:
            blur, lowest = each, least_of_few
    cost = _misfits(strip, start, shifts, gap, blur, np.arange(len(start)))
    agreed = _agreed_shift(cost, shifts, strip.seen)
    near = np.abs(shifts[None, :] - agreed[:, None]) <= AGREED_WITHIN_PX
    place, least, bend = _parabola_minimum(shifts, np.where(near, cost, OUT_OF_REACH))
    weight = np.sqrt(bend / np.maximum(least, 1e-6))
    offset = start + place - back
    offset[~strip.seen] = np.nan
    return EdgeFind(offset, kind, _contrast(strip, start - back), weight, blur)


def _misfits(
    strip: Strip, start_px: Floats, shifts: Floats, gap_px: Floats, blur_px: float, stations: NDArray[np.intp]
) -> Floats:
    """Mean squared rest (stations, shifts) of blurred steps at start + shift (and gap_px on), levels free.

    Only for the stations listed; the same samples serve all shifts.
    """
    start_px, gap_px = start_px[stations], gap_px[stations]
    m = len(start_px)
    reach = 2.5 + blur_px + float(shifts.max())
    base = start_px - reach
    n = int(np.ceil((2 * reach + float(gap_px.max())) / STEP_PX)) + 1
    first = ((base - strip.t_px[0]) / STEP_PX).astype(int).clip(0, max(len(strip.t_px) - n, 0))
    index = np.minimum(first[:, None] + np.arange(n), len(strip.t_px) - 1)
    t = strip.t_px[index] - start_px[:, None]
    within = (t >= -reach) & (t <= gap_px[:, None] + reach)
    y = strip.plain[stations[:, None], index] * within[:, :, None]
    power = (y**2).sum(axis=(1, 2))
    rests = np.empty((m, len(shifts)))
    ridge = 1e-3 * np.eye(2 if gap_px.max() < 0.3 else 3)
    for k, shift in enumerate(shifts):
        inner = 1 - ndtr((t - shift) / blur_px)
        outer = ndtr((t - shift - gap_px[:, None]) / blur_px)
        basis = [inner, outer] if gap_px.max() < 0.3 else [inner, outer, 1 - inner - outer]
        a = np.stack(basis, axis=2) * within[:, :, None]
        flat = a.transpose(0, 2, 1)
        gram = flat @ a + ridge
        right = flat @ y
        rests[:, k] = power - (right * np.linalg.solve(gram, right)).sum(axis=(1, 2))
    return np.asarray(np.maximum(rests, 0) / np.maximum(within.sum(axis=1), 1)[:, None])


def _agreed_shift(cost: Floats, shifts: Floats, seen: Mask) -> Floats:
    """For each station the shift on the gentle curve that all of them together fit best (cost clipped)."""
    told = np.flatnonzero(seen)
    excess = cost[told] - cost[told].min(axis=1, keepdims=True)
    excess = np.minimum(excess, np.median(excess.max(axis=1)))
    x = (np.arange(len(cost)) + 0.5) / len(cost) - 0.5
    step = shifts[1] - shifts[0]
    drops, sags = np.arange(-2.0, 2.1, 0.5), np.arange(-1.0, 1.1, 0.5)
    bend = drops[:, None, None] * x + sags[None, :, None] * 4 * x * x
    curves = (shifts[:, None, None, None] + bend[None]).reshape(-1, len(x))
    index = np.rint((curves[:, told] - shifts[0]) / step).astype(int).clip(0, len(shifts) - 1)
    total = excess[np.arange(len(told)), index].sum(axis=1)
    return np.asarray(curves[int(total.argmin())])


def _parabola_minimum(x: Floats, cost: Floats) -> tuple[Floats, Floats, Floats]:
    """Place, value and bend of each row's least cost (m, len(x)); the place is NaN at the borders."""
    i = cost.argmin(axis=1)
    inner = (i > 0) & (i < len(x) - 1)
    j = i.clip(1, len(x) - 2)
    rows = np.arange(len(cost))
    a, b, c = cost[rows, j - 1], cost[rows, j], cost[rows, j + 1]
    inner &= (a < OUT_OF_REACH) & (b < OUT_OF_REACH) & (c < OUT_OF_REACH)
    a, c = np.where(inner, a, b), np.where(inner, c, b)
    bend = np.maximum(a - 2 * b + c, 1e-12)
    place = x[j] + 0.5 * (a - c) / bend * (x[1] - x[0])
    return np.where(inner, place, np.nan), b, bend


def _contrast(strip: Strip, edge_px: Floats) -> float:
    t = strip.t_px[None, :] - edge_px[:, None]
    inner, outer = (t > -3) & (t < -1), (t > 1) & (t < 3)
    step = [np.median(strip.light[..., k][outer]) - np.median(strip.light[..., k][inner]) for k in range(3)]
    return float(np.linalg.norm(step))


def _seam_edges(strip: Strip, reach_px: float) -> EdgeFind | None:
    """Edge beside a gap too thin to resolve: its centre less half the width its missing light tells.

    None when there is no narrow dip: the neighbour then shows as a plain step.
    """
    value = strip.light.mean(axis=2)
    near = np.abs(strip.t_px) <= reach_px
    low = int(np.where(near, np.median(value[strip.seen], axis=0), np.inf).argmin())
    lo, hi = max(low - 9, 0), min(low + 10, len(strip.t_px))
    part, t, low = value[:, lo:hi], strip.t_px[lo:hi], low - lo
    left = part[:, max(low - 7, 0) : max(low - 4, 1)].mean(axis=1)
    right = part[:, min(low + 4, part.shape[1] - 1) : low + 7].mean(axis=1)
    ramp = left[:, None] + (right - left)[:, None] * np.clip((np.arange(len(t)) - low + 4) / 8, 0, 1)
    window = slice(max(low - 5, 0), low + 6)
    missing = np.clip(ramp - part, 0, None)[:, window]
    total = missing.sum(axis=1)
    centre = (missing * t[window]).sum(axis=1) / np.maximum(total, 1e-6)
    width = total * STEP_PX / np.maximum(0.5 * (left + right) * (1 - GAP_LIGHT), 1e-6)
    offset = np.where((total > 0.05) & strip.seen, centre - np.median(width[strip.seen]) / 2, np.nan)
    depth = missing.max(axis=1)
    usual = np.median(missing[strip.seen], axis=0)
    if usual.max() < 0.05 or (usual > 0.5 * usual.max()).sum() * STEP_PX > 4.5:
        return None
    return EdgeFind(np.asarray(offset), "seam", float(np.median(depth[strip.seen])), depth)
