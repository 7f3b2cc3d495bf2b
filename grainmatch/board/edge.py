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
from functools import reduce
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.border import (
    BLOCKS,
    DROPS_PX,
    LEAST_SIDE_PX,
    MOST_SIDE_LIGHT,
    STEP_PX,
    Line,
    Lines,
    best_line,
    find_border,
    is_peak,
    list_lines,
)
from grainmatch.board.frame import look_along
from grainmatch.board.seamline import place_seam
from grainmatch.board.steps import StepPlaces, find_misfits, fit_shape
from grainmatch.board.valleys import OUT_OF_REACH, agree_on_shift, find_minimum
from grainmatch.geometry import Points
from grainmatch.model import Bench, Mask
from grainmatch.ranks import median

Field = NDArray[np.float32]
Floats = NDArray[np.float64]
EdgeKind = Literal["step", "side", "foot", "seam", "band", "unseen"]
LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
SIDE_LIGHT = (0.3, MOST_SIDE_LIGHT)
"""Light on a board's upright side, as a share of the face's (own estimate)."""
CLIP_SIGMA = 12.0
"""Steepest change a pixel, in sigmas of the face's own figure, with which one station can speak."""
LEAST_FIGURE = 0.012
"""Change of light a pixel, as a share, below which a figure is noise."""
FAR_STEP_PX = 5.0
"""Steps nearer to each other than the one are one step; farther apart than the other they are placed one by
one."""
AGREED_WITHIN_PX = 1.25
LEAST_TOLD = 0.35
"""How near to the curve that fits all of them single stations are placed, and what share of them must be for
their places to count."""
MERGED_PX = 2.5
"""Steps so near to each other may have been found as one."""
SURE_SHARE = 0.5
"""How much nearer to the bench's colour than to the wood's what is plainly bench looks."""
MOST_SHADE = 0.5
"""Log light by which a bench beside a side in the light may be in shade (own choice; on 120 drawn scenes feet
taken for edges lay in 0.7 and 1.4)."""
PLAIN_SHARE = 0.5
"""Change of light, as a share of the edge's, with which another line is plain."""
UNLIKE_WOOD = 0.8
FAR_PLAINER = 4.0
"""By how much log light may differ between colours on a bench before it is no wood's, and how many times
plainer than the edge a side's foot tells the edge's place better than the edge itself (own choices)."""
LEAST_FADE_PX, GAP_OVER_SIDE = 0.3, (1.0, 2.0, 4.0)
"""The shortest way in which a side's light may fade, and how many times wider than its side shows a gap may
be, as tried."""


@dataclass(frozen=True, eq=False)
class Strip:
    """light (stations, n, 3) at t_px (n,) pixels outward from the rough edge; stations a power of two.

    side_px (stations,) is how wide the board's own side should show. bench_light (3,) is the lit
    bench's in the same units. seen (stations,) is False where a sheet hides the edge. plain: see
    `subdue_figure`. slant: tangent of the angle off upright at which the camera looks across the edge.
    """

    light: Field
    t_px: Floats
    side_px: Floats
    bench_light: Floats
    seen: Mask
    plain: Field
    slant: float = 0.0


@dataclass(frozen=True, eq=False)
class EdgeFind:
    """offset_px (stations,) of the edge from the rough one, NaN where it is not seen, weight (stations,)
    how sharply each station tells it, and what it is.

    step: face straight to bench, shadow or background; side: face, then its own side; foot: face
    and side look alike, placed from the side's foot; seam: a gap too thin to resolve; band: a dark line too
    wide for one; unseen: light changes along no line.
    doubt_px: 1-sigma from a second place that the light fits nearly as well. gap_px: of a seam, how wide a
    gap its missing light tells. blur_px: how far the photo smears a step.
    """

    offset_px: Floats
    kind: EdgeKind
    weight: Floats
    doubt_px: float = 0.0
    gap_px: float = 0.0
    blur_px: float = 0.0


def read_strip(
    bench: Bench, places_mm: Points, outward: Points, *, inside_px: float, outside_px: float
) -> tuple[Field, Floats, Field]:
    """(light (stations, n, 3), t_px (n,), face light (stations, 3)) at places (stations, sub, 2).

    outward (2,) is a unit vector on the face plane; t steps by half a pixel of the photo's middle.
    """
    t = np.arange(-inside_px, outside_px + STEP_PX, STEP_PX)
    m, k, n = *places_mm.shape[:2], len(t)
    seen = look_along(bench, bench.photo.rgb, places_mm.reshape(m * k, 2), outward, t / bench.px_per_mm)
    # Boxes of a picture are averaged many times as fast as axes of an array.
    light = np.asarray(cv2.resize(cv2.LUT(seen, LINEAR), (n, m), interpolation=cv2.INTER_AREA))
    face = np.maximum(median(light[:, : max(4, n // 6)], axis=1), 0.003)
    return light / face[:, None, :], t, face


def subdue_figure(light: Field, t_px: Floats, wood_until_px: float) -> Field:
    """Light in axes in which the wood's own figure, judged where t is below wood_until_px, has unit steps.

    Growth rings change all colours together; an edge changes them otherwise, and so stands out.
    """
    inside = light[:, t_px < wood_until_px]
    step = (np.diff(inside, axis=1) / STEP_PX).reshape(-1, 3)
    step = step[reduce(np.maximum, np.abs(step).T) < 0.5]
    spread = step.T @ step / max(len(step), 1) + LEAST_FIGURE**2 * np.eye(3)
    values, axes = np.linalg.eigh(spread)
    return np.asarray(cv2.transform(light, (axes / np.sqrt(values)).T), dtype=np.float32)


def find_edge(
    strip: Strip,
    *,
    least_t_px: float,
    most_t_px: float,
    touching: bool = False,
    curved: bool = True,
    fading: bool = True,
) -> EdgeFind:
    """The face's edge in a strip, between least_t_px and most_t_px of the rough one.

    fading: whether a side's light may fade; to try takes as long as all else, and moves an edge by tenths of
    a pixel.
    """
    unseen = EdgeFind(np.full(len(strip.light), np.nan), "unseen", np.ones(len(strip.light)))
    if touching:
        seam = place_seam(strip.light, strip.t_px, strip.seen, strip.slant)
        if seam is None:
            return unseen
        return EdgeFind(seam.offset_px, seam.kind, unseen.weight, seam.sigma_px, seam.gap_px)
    found = _find_line(strip, least_t_px, most_t_px, curved)
    return unseen if found is None else _fit_steps(strip, found, fading)


# --- which line is the edge --------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Steps:
    """The line along which the face ends, gap_px (stations,) to the next step outward (0 when none), and what
    it is; clear_px (2, stations): how far from the line, inward and beyond the gap, light changes along no
    other line."""

    line: Line
    gap_px: Floats
    kind: EdgeKind
    clear_px: Floats | float = np.inf


def _find_line(strip: Strip, least_t_px: float, most_t_px: float, curved: bool) -> _Steps | None:
    lines = list_lines(strip.t_px, least_t_px, most_t_px, curved=curved)
    say = _block_say(strip)
    edge = find_border(
        say,
        strip.light,
        strip.seen,
        strip.bench_light,
        strip.t_px,
        lines,
        side_px=strip.side_px,
        face_until_px=least_t_px,
    )
    if edge is None:
        return None
    side = float(median(strip.side_px))
    if side < LEAST_SIDE_PX:
        return _Steps(edge, np.full(len(strip.light), max(side, 0.0)), "step")
    beyond = list_lines(
        strip.t_px, edge.middle_px - 1.5 * side, edge.middle_px + 1.5 * side + 2, curved=curved
    )
    total = beyond.total(say)
    others = [
        line
        for line in _along_with(beyond, total, edge)
        # That of a foot so near is drawn into the edge's.
        if is_peak(beyond, total, line) or abs(abs(line.middle_px - edge.middle_px) - side) <= _slack_px(side)
    ]
    return _keep_clear(_with_side(strip, edge, others, side), [edge, *others])


def _along_with(lines: Lines, total: Field, edge: Line) -> list[Line]:
    """Other lines of changing light that run nearly along with the edge: feet and shadows."""
    left = total.copy()
    left[np.abs(DROPS_PX - edge.drop_px) > 6.0] = 0
    left[:, np.abs(lines.sags_px - edge.sag_px) > 1.0] = 0
    found = [edge]
    while len(found) < 14:
        crossing = (np.abs(DROPS_PX - found[-1].drop_px) / 2)[:, None, None]
        again = 1.6 + crossing + np.abs(lines.sags_px - found[-1].sag_px)[:, None]
        apart = np.abs(lines.t_px - found[-1].middle_px)
        near = np.flatnonzero(apart < again.max())
        span = slice(near[0], near[-1] + 1)
        left[..., span][apart[span] < again] = 0  # the same edge again, a little askew
        line = best_line(lines, left, left)
        if line is None or line.say <= 0.07 * edge.say:
            break
        found.append(line)
    return found[1:]


def _slack_px(side_px: float) -> float:
    """How far from where it should show the foot of a side may be found."""
    return max(1.2, 0.15 * side_px)


def _with_side(strip: Strip, edge: Line, others: list[Line], side_px: float) -> _Steps:
    """The edge and how far on the foot of the board's own side lies, or the neighbour that hides it."""
    slack = _slack_px(side_px)
    stations = len(strip.light)
    foot = _telling_foot(strip, edge, others, side_px)
    if foot is not None:
        return _Steps(replace(foot, middle_px=foot.middle_px - side_px), strip.side_px, "foot")
    gaps = {c.middle_px - edge.middle_px: c for c in others}
    feet = [g for g in gaps if abs(g - side_px) <= slack]
    # Bench right beyond it makes the line a foot; what follows as far on as a side shows is the next board.
    if feet and not _is_bench(strip, edge, side_px, sure=True):
        return _Steps(edge, _as_side(strip, max(feet, key=lambda g: gaps[g].say)), "side")
    face = edge.at(stations) - strip.side_px
    inner = [
        g for g, c in gaps.items() if np.abs(c.at(stations) - face).max() <= slack and c.say > 0.35 * edge.say
    ]
    if _is_bench(strip, edge, side_px):  # face and side look alike: the border was the foot
        if inner:
            top = gaps[max(inner, key=lambda g: gaps[g].say)]
            return _Steps(top, _as_side(strip, edge.middle_px - top.middle_px), "side")
        # As light as the face a side is only beside a bench in the light.
        if (_light_beside(strip, edge, side_px) - np.log(strip.bench_light)).mean() > -MOST_SHADE:
            return _Steps(replace(edge, middle_px=edge.middle_px - side_px), strip.side_px, "foot")
    plain = [g for g in gaps if g > 1.5 and gaps[g].say >= PLAIN_SHARE * edge.say]
    if plain:  # the foot is hidden, or in a shadow as dark as the side
        next_px = gaps[min(plain)].at(stations) - edge.at(stations)
        return _Steps(edge, np.maximum(next_px, 0.0), "side")
    return _Steps(edge, strip.side_px, "side")


def _telling_foot(strip: Strip, edge: Line, others: list[Line], side_px: float) -> Line | None:
    """The line along which a bench of unmistakable colour meets the board's side, where it tells more of the
    edge than the line found: that one lies within the side, or hardly shows.

    A side may be paler than its face (sapwood below heartwood), or change its look half way down.
    """
    if np.ptp(np.log(strip.bench_light)) < UNLIKE_WOOD:
        return None
    outer = [c for c in others if c.middle_px > edge.middle_px + 1 and c.say >= PLAIN_SHARE * edge.say]
    bench = [c for c in outer if _is_bench(strip, c, side_px, sure=True)]
    feet = [c for c in bench if not _is_bench(strip, c, side_px, inward=True)]
    if not feet:
        return None
    foot = max(feet, key=lambda c: c.say)
    short_px = side_px - (foot.middle_px - edge.middle_px)
    within = _slack_px(side_px) < short_px < side_px / 2
    hardly = abs(short_px) <= _slack_px(side_px) and foot.say > FAR_PLAINER * edge.say
    return foot if within or hardly else None


def _keep_clear(steps: _Steps, lines: list[Line]) -> _Steps:
    """The steps, with how far light may be read to place them: up to other plain lines."""
    stations = len(steps.gap_px)
    clear = np.full((2, stations), np.inf)
    for line in lines:
        if line.say < PLAIN_SHARE * steps.line.say:
            continue
        away = line.at(stations) - steps.line.at(stations)
        for k, beyond in enumerate((-away, away - steps.gap_px)):
            if median(beyond) > MERGED_PX:
                clear[k] = np.minimum(clear[k], beyond)
    return replace(steps, clear_px=clear)


def _as_side(strip: Strip, gap_px: float) -> Floats:
    """A step gap_px beyond the edge in the middle, as far at each station as the board's side goes."""
    return np.asarray(strip.side_px * (gap_px / max(float(median(strip.side_px)), 1e-6)))


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


def _change(plain: Field) -> Field:
    """Signed change per pixel (stations, n, 3), clipped; it lies between the middle two of four samples."""
    wide = np.zeros_like(plain)
    change = (plain[:, 3:] + plain[:, 2:-1] - plain[:, 1:-2] - plain[:, :-3]) / (4 * STEP_PX)
    wide[:, 1:-2] = np.clip(change, -CLIP_SIGMA, CLIP_SIGMA)
    wide[:, 1:] = 0.5 * (wide[:, 1:] + wide[:, :-1])
    return wide


def _is_bench(strip: Strip, line: Line, side_px: float, *, inward: bool = False, sure: bool = False) -> bool:
    """Whether what lies right outside (or inside) a line is bench rather than the board's own side in shade.

    Told by colour where bench and wood differ in it, in light or shadow; else only lit bench is known, and
    that not when a side in shade would be as light. sure: only by colour, and plainly.
    """
    from_wood = _light_beside(strip, line, side_px, inward)
    from_bench = from_wood - np.log(strip.bench_light)
    if np.ptp(np.log(strip.bench_light)) > 0.3:
        return bool(np.ptp(from_bench) < (SURE_SHARE if sure else 1.0) * np.ptp(from_wood))
    if sure or SIDE_LIGHT[0] < np.exp(np.log(strip.bench_light).mean()) < SIDE_LIGHT[1]:
        return False
    alike = abs(from_bench.mean()) < min(0.35, abs(from_wood.mean())) and np.ptp(from_bench) < 0.3
    return bool(alike)


def _light_beside(strip: Strip, line: Line, side_px: float, inward: bool = False) -> Floats:
    """Log light (3,) right outside (or inside) a line, against that of the face."""
    t = strip.t_px[None, :] - line.at(len(strip.light))[:, None]
    t = -t if inward else t
    near = (t > 0.8) & (t < np.clip(0.85 * side_px, 2.0, 4.0)) & strip.seen[:, None]
    colour = [median(strip.light[..., k][near]) for k in range(3)]
    return np.log(np.maximum(colour, 1e-3))


# --- where exactly ------------------------------------------------------------------------------


def _fit_steps(strip: Strip, steps: _Steps, fading: bool) -> EdgeFind:
    """Station by station the place near the chosen line where blurred steps fit the light best."""
    gap_px, kind = steps.gap_px, steps.kind
    far = (gap_px > FAR_STEP_PX) | (kind == "foot")
    back = gap_px if kind == "foot" else np.zeros_like(gap_px)
    start = steps.line.at(len(strip.light)) + back
    gap = np.where(far, 0.0, gap_px)
    inward, outward = np.broadcast_to(steps.clear_px, (2, len(strip.light)))
    clear = np.stack([inward, np.where(far & (kind == "side"), gap_px, outward)])
    # Two steps close together were found as one line, which may be the outer of them.
    close = float(median(gap)) if kind == "side" else 0.0
    close = close if close < MERGED_PX else 0.0
    shifts = np.arange(-2.0 - close, 2.01, 0.25)
    places = StepPlaces(strip.plain, strip.t_px, start, shifts, gap, clear)
    shape = fit_shape(places, strip.seen, _fades_px(strip, gap_px) if fading and kind == "side" else ())
    cost = find_misfits(places, np.arange(len(start)), np.full(len(start), shape.blur_px), shape)
    agreed, doubt = agree_on_shift(cost, shifts, strip.seen)
    near = np.abs(shifts[None, :] - agreed[:, None]) <= AGREED_WITHIN_PX
    place, least, bend = find_minimum(shifts, np.where(near, cost, OUT_OF_REACH))
    weight = np.sqrt(bend / np.maximum(least, 1e-6))
    if np.isfinite(place[strip.seen]).mean() < LEAST_TOLD:  # another step close by draws them past it
        place, doubt = agreed, float(np.hypot(doubt, AGREED_WITHIN_PX))
    offset = start + place - back
    offset[~strip.seen] = np.nan
    doubt = float(np.hypot(doubt, close / 12**0.5))  # either step may have been taken for both
    return EdgeFind(offset, kind, weight, doubt, blur_px=shape.blur_px)


def _fades_px(strip: Strip, gap_px: Floats) -> tuple[float, ...]:
    """In what lengths a side's light may fade: by the slant as far on as the gap is wide, which is as far as
    the next line that shows, or farther when that is the side's foot."""
    least = float(np.maximum(strip.slant * median(gap_px), LEAST_FADE_PX))
    return tuple(least * times for times in GAP_OVER_SIDE)
