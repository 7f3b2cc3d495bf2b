"""Blurred steps of light, fitted station by station to a strip along an edge: what each place would cost.

Going outward light steps from the face's level to that of what lies beyond, and may step again a known way
on; the levels are free. A board's upright side across a gap from another board is not of one level: it gets
light from the gap's mouth alone and so fades downward. Taken for even, its light draws the edge outward.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from grainmatch.board.border import STEP_PX
from grainmatch.board.seamline import WALL_LIGHT
from grainmatch.model import Mask
from grainmatch.ranks import median

Field = NDArray[np.float32]
Floats = NDArray[np.float64]
BLURS_PX = (0.45, 0.7, 1.0, 1.4, 2.0)
LIKELIER, KEEP_EVEN = 0.97, 0.98
"""By how much a wider blur must fit better than a narrower one, and fading light than even light."""
FEW = 21
"""How many stations tell what the steps of all of them look like."""
NO_GAP_PX = 0.3
LEAST_READ_PX = 2.0
"""Gaps below the one are none; how far to both sides of a step light is read at the least."""
RIDGE = 1e-3
"""What keeps free levels from running away where a window holds one of them."""
WOODS_DIFFER = 0.15
SAMPLES_ALIKE = 3.0
"""By how much, as a share of the face's light, a side's wood may differ from its face's; and how many
neighbouring samples share a figure (own estimates)."""
LOST = 0.8
"""How much of the light at its mouth a gap loses far down, where walls throw some to each other (own
estimate)."""
FINE_PX, LEAST_T_PX, MOST_T_PX = 0.1, -12.0, 24.0
"""How finely, and from where to where, light that fades is drawn up."""


@dataclass(frozen=True, eq=False)
class StepPlaces:
    """Where in a strip steps are sought, px: shifts_px (k,), evenly spaced, from start_px (stations,), and a
    second one gap_px (stations,) on, where that is above 0.

    plain (stations, n, 3) at t_px (n,) is light in axes in which the wood's own figure has unit steps. It is
    read no nearer than its blur to other lines, clear_px (2, stations) inward and beyond the steps.
    """

    plain: Field
    t_px: Floats
    start_px: Floats
    shifts_px: Floats
    gap_px: Floats
    clear_px: Floats


@dataclass(frozen=True)
class StepShape:
    """blur_px: how far the photo smears steps. fade_px: how far beyond the first one light has lost 0.7 of
    what it loses in all; infinite when it stays even. hold: the ridge on how far a
    side's level is off that of its face's wood, the figure's variance over that of such differences."""

    blur_px: float
    fade_px: float = np.inf
    hold: float = RIDGE


def fit_shape(places: StepPlaces, seen: Mask, fades_px: tuple[float, ...] = ()) -> StepShape:
    """What the steps look like, from a few of the stations seen: a blur, and one of the lengths in which
    light beyond may fade, where that fits better than even light."""
    few = np.flatnonzero(seen)
    few = few[:: max(1, len(few) // FEW)]
    even, lowest = _fit_blur(places, few, BLURS_PX, StepShape(0.0))
    best = even
    face = places.plain[:, : max(4, len(places.t_px) // 6)].reshape(-1, 3).mean(axis=0)
    hold = SAMPLES_ALIKE * lowest / (WOODS_DIFFER**2 * float(face @ face))
    # Taken for even, a side that fades looks blurred.
    blurs = tuple(blur for blur in BLURS_PX if blur <= even.blur_px)[-3:]
    for fade in fades_px:
        shape, least = _fit_blur(places, few, blurs, StepShape(0.0, fade, hold))
        if least < KEEP_EVEN * lowest:
            best, lowest = shape, least
    return best


def _fit_blur(
    places: StepPlaces, few: NDArray[np.intp], blurs_px: tuple[float, ...], shape: StepShape
) -> tuple[StepShape, float]:
    """The shape with the blur that fits best, and what is left then."""
    tried = np.repeat(blurs_px, len(few))
    rests = find_misfits(places, np.tile(few, len(blurs_px)), tried, shape).min(axis=1)
    blur, lowest = blurs_px[0], np.inf
    for each, least in zip(blurs_px, median(rests.reshape(len(blurs_px), -1), axis=1), strict=True):
        if least < LIKELIER * lowest:
            blur, lowest = each, float(least)
        elif least > lowest:
            break  # the misfit has one valley
    return replace(shape, blur_px=blur), lowest


def find_misfits(places: StepPlaces, stations: NDArray[np.intp], blur_px: Floats, shape: StepShape) -> Floats:
    """Mean squared rest (m, shifts) of steps at the stations listed (m,), blurred by blur_px (m,) each; the
    same samples serve all shifts."""
    shifts = places.shifts_px
    start_px, gap_px = places.start_px[stations], places.gap_px[stations]
    reach = 2.5 + blur_px + float(np.abs(shifts).max())
    base = start_px - reach
    n = min(int(np.ceil((2 * reach + gap_px).max() / STEP_PX)) + 1, len(places.t_px))
    first = ((base - places.t_px[0]) / STEP_PX).astype(int).clip(0, len(places.t_px) - n)
    index = first[:, None] + np.arange(n)
    t = places.t_px[index] - start_px[:, None]
    clear = places.clear_px[:, stations]
    inward, outward = np.minimum(np.maximum(clear - 1.5 * blur_px, LEAST_READ_PX), reach)
    within = (t >= -inward[:, None]) & (t <= (gap_px + outward)[:, None])
    y = (places.plain[stations[:, None], index] * within[:, :, None]).astype(np.float64)
    use = within[:, None, :].astype(np.float64)
    step = _steps(t, shifts, blur_px)
    basis, ridges = [use, step * use], [RIDGE] * 3
    if shape.fade_px < np.inf:
        # A side of the face's own wood is expected; how far it is off is held, or the fading side would pass
        # for a rim of face.
        side = _fading(t, shifts, blur_px, shape.fade_px) * use
        basis, ridges[1] = [(1 - step) * use + WALL_LIGHT * side, side], shape.hold
    if gap_px.max() >= NO_GAP_PX:
        basis.append(_steps(t - gap_px[:, None], shifts, blur_px) * use)
    rests = (y**2).sum(axis=(1, 2))[:, None] - _explained(basis, ridges, y)
    return np.asarray(np.maximum(rests, 0) / np.maximum(within.sum(axis=1), 1)[:, None])


def _steps(t_px: Floats, shifts: Floats, blur_px: Floats) -> Floats:
    """Steps (stations, shifts, n) at t_px (stations, n), each shift moving them on, blurred by each station's
    blur_px (stations,).

    Samples are a whole number of shifts apart, so a step is looked up once for all of them.
    """
    return _windows(t_px, shifts, lambda t: ndtr(t / blur_px[:, None]))


def _fading(t_px: Floats, shifts: Floats, blur_px: Floats, fade_px: float) -> Floats:
    """Light beyond a step that fades as down a gap's wall, 1 at the step; shapes as of `_steps`.

    A place d gap widths down sees 1 - d / sqrt(1 + d^2) of the sky that the wall's top sees (`slot_light`).
    """
    at = np.arange(LEAST_T_PX, MOST_T_PX, FINE_PX) + FINE_PX / 2  # none of them on the step itself
    light = np.where(at > 0, 1 - LOST * at / np.hypot(at, fade_px), 0.0)
    smeared = {blur: gaussian_filter1d(light, blur / FINE_PX, mode="nearest") for blur in np.unique(blur_px)}

    def look_up(t: Floats) -> Floats:
        out = np.empty_like(t)
        for blur, along in smeared.items():
            out[blur_px == blur] = np.interp(t[blur_px == blur], at, along)
        return out

    return _windows(t_px, shifts, look_up)


def _windows(t_px: Floats, shifts: Floats, look_up: Callable[[Floats], Floats]) -> Floats:
    """What look_up gives at t_px (stations, n) less each shift (stations, shifts, n)."""
    ratio, n, k = round(STEP_PX / (shifts[1] - shifts[0])), t_px.shape[1], len(shifts)
    fine = np.arange(1 - k, (n - 1) * ratio + 1) * (STEP_PX / ratio) - shifts[0]
    return sliding_window_view(look_up(t_px[:, :1] + fine), (n - 1) * ratio + 1, axis=1)[:, ::-1, ::ratio]


def _explained(basis: list[Floats], ridges: list[float], y: Floats) -> Floats:
    """Sum of squares (stations, shifts) of y (stations, n, 3) that bases (stations, shifts or 1, n) explain.

    Least squares with a ridge each, by elimination of so few unknowns for all stations and shifts at once.
    """
    right = [b @ y for b in basis]
    gram = [[np.einsum("skn,skn->sk", p, q) for q in basis[: i + 1]] for i, p in enumerate(basis)]
    explained = np.zeros(right[-1].shape[:2])
    for i, row in enumerate(gram):
        row[i] = row[i] + ridges[i]
    for i in range(len(basis)):
        explained += np.einsum("skc,skc->sk", right[i], right[i]) / gram[i][i]
        for j in range(i + 1, len(basis)):
            share = gram[j][i] / gram[i][i]
            for k in range(j, len(basis)):
                gram[k][j] = gram[k][j] - share * gram[k][i]
            right[j] = right[j] - share[..., None] * right[i]
    return explained
