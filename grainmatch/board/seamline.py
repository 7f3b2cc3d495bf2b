"""Where exactly boards touch: the straight line along which a strip of the photo shows a hairline of shadow.

Every place of the strip is asked how much like a hairline it looks beside the wood's own figure, and the line
that all of them together answer to most is taken, to a fraction of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from grainmatch.board.border import STEP_PX
from grainmatch.board.matched import CLIP, REACH, fit_taps
from grainmatch.board.tonestep import (
    LEAST_PLACES,
    TONE_STEP,
    differs_in_colour,
    follow_step,
    is_darkest,
)
from grainmatch.model import Mask

Field = NDArray[np.float32]
Floats = NDArray[np.float64]
WALL_LIGHT = 0.55
"""Light on an upright wall with nothing before it, as a share of the face's: half the sky and a little of the
bench (own estimate)."""
LEAST_LIGHT = 0.17
"""Light in a gap looked into from straight above, which walls throw to each other and the lens strays (own
estimate)."""
REACHES_PX = (4.0, 8.0)
MOST_DROP_PX = 4.0
LINE_STEP_PX = 0.25
COST_OF_DROP = 0.15
"""How far from a rough seam its hairline may lie, or when none is there, and run askew; how finely lines are
tried, and what one loses in sigmas for each pixel of drop."""
LEAST_SIGMAS = 3.5
FREE_STEP = 5.0
ALIKE = 3
"""Sigmas of the figure by which a line must stand out; what a step in tone must reach before it counts, for
streaks of the figure are steps too; and how many neighbouring places share a figure."""
FLAT, MOST_MOVE_PX = 1e-6, 0.5
FLANK_PX = (2.0, 4.0)
WIDEST_GAP_PX = 1.5
LOOK_PX, NEAR_PX, LOOK_STATIONS = 6.0, 4.0, 4
"""How far from a hairline the light of its two boards is read, for the width of its gap; how wide that is at
most; and how far beside a border, and beside a hairline, light is read, over how many stations at once."""
TAP = round(1 / STEP_PX)
DARKEST = 0.02
"""Samples a pixel of the photo takes up in a strip; and light, as a share of the face's, below which a log
says more about noise."""


@dataclass(frozen=True, eq=False)
class SeamPlace:
    """offset_px (stations,) of the board's edge, half a gap before the hairline's middle; sigma_px of it.

    kind: seam when a hairline shows, step when it is the border between two tones, which may be a side's.
    gap_px: how wide a gap, as dark as one between boards that touch, would take as much light.
    """

    offset_px: Floats
    sigma_px: float
    kind: Literal["seam", "step"]
    gap_px: float


def strip_reach_px() -> float:
    """How far to both sides of a rough seam a strip must go at the least."""
    return REACHES_PX[-1] + MOST_DROP_PX / 2 + 2 * REACH


def slot_light(slant: float) -> float:
    """Light left in a hairline gap between two boards, as a share of the face's.

    slant: tangent of the angle off upright at which the camera looks across the gap; its sight ends on the
    farther wall, at the lowest 1 / slant gap widths down. Between two walls a place d gap widths down sees
    1 - d / sqrt(1 + d^2) of the sky that an open wall sees (the mouth of a long slot: a difference of two
    sines, as in any text on radiation); that is averaged over what the camera sees, and never less than
    LEAST_LIGHT.
    """
    depth = 1 / max(slant, 1e-3)
    return max(LEAST_LIGHT, float(WALL_LIGHT * (1 - (np.hypot(1.0, depth) - 1) / depth)))


def place_seam(light: Field, t_px: Floats, seen: Mask, slant: float) -> SeamPlace | None:
    """The hairline in a strip of light (stations, n, 3) at t_px (n,) outward, a rough seam being at 0.

    None when no line stands out. seen (stations,): where no sheet hides it. slant: see `slot_light`.
    """
    told = np.flatnonzero(seen)
    if len(told) < LEAST_PLACES:
        return None
    logs = np.log(np.maximum(light[told], DARKEST))
    dips, steps, t = _ask(logs, t_px)
    x = (told + 0.5) / len(seen) - 0.5
    found = next(filter(None, (_best_line(dips, steps, t, x, reach) for reach in REACHES_PX)), None)
    if found is None:
        return None
    middle, drop, dip, step = found
    both = (dip * dips + step * steps) / np.hypot(dip, step)
    hairline, sigma = _settle(both, t, x, middle, drop)
    line = _between_tones(logs, t_px, x, hairline)
    if line is None:
        return None
    kind: Literal["seam", "step"] = "seam" if line is hairline else "step"
    centre = line[0] + line[1] * ((np.arange(len(seen)) + 0.5) / len(seen) - 0.5)
    width = _gap_width(light, t_px, centre, seen, slot_light(slant))
    edge = centre - np.clip(width, 0.0, WIDEST_GAP_PX) / 2
    return SeamPlace(edge, sigma, kind, float(np.median(width)))


def _best_line(
    dips: Field, steps: Field, t: Floats, x: Floats, reach_px: float
) -> tuple[float, float, float, float] | None:
    """The line within reach_px along which most looks like a hairline or a step: middle and drop, px, and how
    much like the one and, signed, the other, in sigmas; None when none stands out."""
    drops = np.arange(-MOST_DROP_PX, MOST_DROP_PX + 0.1, LINE_STEP_PX)
    middles = np.arange(-reach_px, reach_px + 0.1, LINE_STEP_PX)
    spread = np.sqrt(ALIKE * len(x))
    dip, step = (
        np.array([_along(say, t, middles[:, None] + drop * x).sum(axis=1) for drop in drops]) / spread
        for say in (dips, steps)
    )
    dip, way = dip.clip(0), np.sign(step)
    step = (np.abs(step) - FREE_STEP).clip(0)
    score = np.hypot(dip, step) - COST_OF_DROP * np.abs(drops)[:, None]
    i, j = np.unravel_index(int(score.argmax()), score.shape)
    if score[i, j] < LEAST_SIGMAS:
        return None
    return float(middles[j]), float(drops[i]), float(dip[i, j]), float(way[i, j] * step[i, j])


def _between_tones(logs: Field, t_px: Floats, x: Floats, line: Floats) -> Floats | None:
    """(middle, drop) of a line: as it is when darker than both its sides; else, where two boards differ in
    tone, of the border between them, at whose darker side a hairline seems to lie.

    None when one side is the other in shade, as a board's upright side is in a gap.
    """
    reach, near = round(LOOK_PX / STEP_PX), round(NEAR_PX / STEP_PX)
    middle = np.rint((line[0] + line[1] * x - t_px[0]) / STEP_PX).astype(int)
    at = (middle[:, None] + np.arange(-reach, reach + 1)).clip(0, logs.shape[1] - 1)
    seen = np.take_along_axis(logs, at[..., None], axis=1)
    profile = seen.mean(axis=0)
    flank = reach - round(FLANK_PX[1] / STEP_PX)
    step = profile[-flank - 1 :].mean(axis=0) - profile[: flank + 1].mean(axis=0)
    if abs(step.mean()) < TONE_STEP[0]:
        return line
    if not differs_in_colour(step):
        return None
    if is_darkest(profile.mean(axis=1)[reach - near : reach + near + 1]):
        return line
    whole = len(x) // LOOK_STATIONS * LOOK_STATIONS
    profiles = np.median(seen[:whole].mean(axis=2).reshape(-1, LOOK_STATIONS, 2 * reach + 1), axis=1)
    along, base = (each[:whole].reshape(-1, LOOK_STATIONS).mean(axis=1) for each in (x, middle))
    border = follow_step(profiles, along, base, px=STEP_PX)
    return line if border is None else np.array([border[0] * STEP_PX + t_px[0], border[1] * STEP_PX])


def _ask(logs: Field, t_px: Floats) -> tuple[Field, Field, Floats]:
    """How much like a hairline and like a step each place looks (stations, m), in sigmas of the figure and
    clipped, and t (m,) there."""
    first = np.arange(logs.shape[1] - 2 * REACH * TAP)
    patches = logs[:, first[:, None] + TAP * np.arange(2 * REACH + 1)]  # (stations, m, taps, 3)
    patches = patches - patches.mean(axis=2, keepdims=True)
    dip, step, _ = fit_taps(patches.reshape(-1, 2 * REACH + 1, 3))
    flat = patches.reshape(*patches.shape[:2], -1)
    dips, steps = (np.clip(flat @ taps.ravel(), -CLIP, CLIP) for taps in (dip, step))
    return dips, steps, t_px[first + REACH * TAP]


def _along(say: Field, t: Floats, place_px: Floats) -> Floats:
    """say (stations, m), given at t (m,), at places (..., stations) of one line or several."""
    place = (place_px - t[0]) / (t[1] - t[0])
    low = np.floor(place).astype(int).clip(0, say.shape[1] - 2)
    share = (place - low).clip(0, 1)
    each = np.arange(len(say))
    return np.asarray(say[each, low] * (1 - share) + say[each, low + 1] * share)


def _settle(say: Field, t: Floats, x: Floats, middle: float, drop: float) -> tuple[Floats, float]:
    """(middle, drop) of the line of the greatest sum near one, and 1-sigma of its less certain end, px.

    The sum bends about its greatest value as H; stations pull it one way or the other by chance, G in all,
    and so the line's place varies as G over H squared (the sandwich estimate: Huber, Proc. Fifth Berkeley
    Symp. 1, 221-233, 1967).
    """
    line = np.array([middle, drop])
    basis = np.column_stack([np.ones_like(x), x])
    cover = np.zeros((2, 2))
    for _ in range(4):
        here, up, down = (_along(say, t, basis @ line + d) for d in (0.0, 1.0, -1.0))
        pull, bend = basis * ((up - down) / 2)[:, None], up - 2 * here + down
        hessian = -(basis * bend[:, None]).T @ basis
        if np.linalg.eigvalsh(hessian).min() <= FLAT:
            break
        inverse = np.linalg.inv(hessian)
        cover = ALIKE * inverse @ (pull.T @ pull) @ inverse
        line = line + np.clip(inverse @ pull.sum(axis=0), -MOST_MOVE_PX, MOST_MOVE_PX)
    ends = np.array([[1, x.min()], [1, x.max()]])
    return line, float(np.sqrt(np.einsum("ei,ij,ej->e", ends, cover, ends).max()))


def _gap_width(light: Field, t_px: Floats, centre: Floats, seen: Mask, left_share: float) -> Floats:
    """The gap's width that its missing light tells, as it grows evenly from one end to the other."""
    value = light.mean(axis=2)
    reach = round(FLANK_PX[1] / STEP_PX)
    at = np.rint((centre - t_px[0]) / STEP_PX).astype(int)[:, None] + np.arange(-reach, reach + 1)
    part = np.take_along_axis(value, at.clip(0, len(t_px) - 1), axis=1)
    flank = round((FLANK_PX[1] - FLANK_PX[0]) / STEP_PX) + 1
    left, right = part[:, :flank].mean(axis=1), part[:, -flank:].mean(axis=1)
    ramp = left[:, None] + (right - left)[:, None] * np.linspace(0, 1, part.shape[1])
    missing = (ramp - part)[:, flank:-flank].sum(axis=1)
    width = missing * STEP_PX / np.maximum(0.5 * (left + right) * (1 - left_share), 1e-6)
    told = np.flatnonzero(seen)
    parts = np.array_split(told, 3)
    x = np.array([p.mean() for p in parts])
    y = np.array([np.median(width[p]) for p in parts])
    return np.asarray(np.polyval(np.polyfit(x, y, 1), np.arange(len(seen))))
