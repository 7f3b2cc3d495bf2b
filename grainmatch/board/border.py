"""Where a board's face ends in a strip across its edge, going outward.

The face looks like itself, give or take its figure, until its edge, where light changes along a line.
Whatever comes next (its own side in shade, shadow, bench, a neighbour) looks otherwise for a while; a
streak of latewood is over at once and a knot takes up few places along the edge. Sapwood is the
exception: paler wood that belongs to the board. So of all lines along which light changes, the one
counts that changes it much and lies near where the look of the face ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache, reduce
from typing import Any

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from grainmatch.model import Mask
from grainmatch.ranks import median

Floats = NDArray[np.float64]
Field = NDArray[np.float32]
Shifts = tuple[list[int], NDArray[np.intp], NDArray[np.intp]]
STEP_PX = 0.5
BLOCKS = 8
LEAST_SIDE_PX = 1.2
DROPS_PX = np.arange(-14.0, 14.1, 0.5)
SAGS_PX = np.arange(-8.0, 8.1, 1.0)
REACH = round((DROPS_PX[-1] / 2 + SAGS_PX[-1]) / STEP_PX)
TOGETHER = ([0, 1], [2, 3, 4, 5], [6, 7])
"""How many samples lines may run from their middles, and which of the blocks they mostly run alike in."""
STRANGE = 16.0
"""Squared distance from the face's look, in sigmas of its figure, at which a place speaks against it."""
LASTING_PX = 1.5
"""How long a strange look must last to end the face."""
STEADY = (0.08, 0.03)
"""Log light and colour ratio by which an even face may still drift, JPEG's coarse colours included."""
NEAR_END_PX = 4.0
"""A line so far from where the face's look ends must change light e times as much."""
COST_OF_DROP = 0.03
STEEP_PX = 5.0
COST_OF_STEEP = 0.1
COST_OF_SAG = 0.04
COST_OF_SAPWOOD = 0.3
COST_OF_ANYWHERE = 2.5
"""Log of how much more light must change along a line for each pixel of drop (more where steep) and sag, and
where only sapwood, or nothing at all, explains the look inside (own estimates, from drawn scenes)."""
NEAR_BORDER_PX = 1.5
LEAST_SAY = 0.5
PLAIN_SAY = 3.0
"""Change of light, in sigmas of the face's figure, that is no edge, and that is half of a plain one."""
MOST_SIDE_LIGHT = 0.8
"""Light on a board's upright side, as a share of the face's, at the most (own estimate)."""
PALER = (0.02, -0.08)
"""Log light by which sapwood is paler than heartwood at the least, over all colours and in each; it comes on
gradually (own estimate)."""


@dataclass(frozen=True)
class Line:
    """A gently curved edge in a strip: t at its middle, drop over the strip, sag of its ends, mean say."""

    middle_px: float
    drop_px: float
    sag_px: float
    say: float

    def at(self, stations: int) -> Floats:
        x = (np.arange(stations) + 0.5) / stations - 0.5
        return self.middle_px + self.drop_px * x + self.sag_px * 4 * x * x


@dataclass(frozen=True, eq=False)
class Lines:
    """All gently curved lines of a strip whose middles lie at t_px (n,), consecutive samples from `first` on.

    shifts, for some blocks together: which they are, how many samples farther out than its middle a line may
    run in them (ways, blocks), and which way each of the lines (drops * sags,) goes; many go the same.
    """

    t_px: Floats
    first: int
    sags_px: Floats
    shifts: tuple[Shifts, ...]

    def near(self, middle_px: float) -> Lines:
        """Those whose middles lie within NEAR_BORDER_PX of a place on one of them."""
        rows = np.flatnonzero(np.abs(self.t_px - middle_px) <= NEAR_BORDER_PX)
        return replace(self, t_px=self.t_px[rows], first=self.first + int(rows[0]))

    def cost(self) -> Field:
        """What speaks against lines (drops, sags, 1) askew or bent, in logs."""
        drop = np.abs(DROPS_PX)
        askew = COST_OF_DROP * drop + COST_OF_STEEP * np.maximum(drop - STEEP_PX, 0)
        cost = askew[:, None] + COST_OF_SAG * np.abs(self.sags_px)
        return np.asarray(cost[..., None], dtype=np.float32)

    def total(self, say: Floats) -> Field:
        """Mean over the blocks of say (blocks, n) along every line (drops, sags, middles).

        The same line moved outward reads the next samples, so all middles are one slice of the strip.
        """
        n, width = say.shape[1], len(self.t_px)
        padded = say.astype(np.float32).take(np.arange(-REACH, n + REACH).clip(0, n - 1), axis=1)
        slices = sliding_window_view(padded, width, axis=1)
        # Rows are taken, not indexed, and the many lines summed up last: this is where time goes.
        parts = []
        for blocks, ways, which in self.shifts:
            starts = (ways + (self.first + REACH)).T
            each = reduce(
                np.add, (slices[b].take(rows, axis=0) for b, rows in zip(blocks, starts, strict=True))
            )
            parts.append(each.take(which, axis=0))
        total = parts[0]
        for part in parts[1:]:
            total += part
        total *= np.float32(1 / len(say))
        return np.asarray(total.reshape(len(DROPS_PX), len(self.sags_px), -1))


def list_lines(t_px: Floats, least_t_px: float, most_t_px: float, *, curved: bool) -> Lines:
    """Every line whose middle lies between least_t_px and most_t_px."""
    rows = np.flatnonzero((t_px >= least_t_px) & (t_px <= most_t_px))
    return Lines(t_px[rows], int(rows[0]), SAGS_PX if curved else np.zeros(1), _shifts(curved))


@lru_cache(maxsize=2)
def _shifts(curved: bool) -> tuple[Shifts, ...]:
    x = (np.arange(BLOCKS) + 0.5) / BLOCKS - 0.5
    sags = SAGS_PX if curved else np.zeros(1)
    bend = DROPS_PX[:, None, None] * x + sags[None, :, None] * 4 * x * x
    shift = np.rint(bend / STEP_PX).astype(np.intp).reshape(-1, BLOCKS)
    together = [(b, *np.unique(shift[:, b], axis=0, return_inverse=True)) for b in TOGETHER]
    return tuple((blocks, ways, which.ravel()) for blocks, ways, which in together)


def find_border(
    say: Floats,
    light: NDArray[np.float32],
    seen: Mask,
    bench_light: Floats,
    t_px: Floats,
    lines: Lines,
    *,
    side_px: Floats,
    face_until_px: float,
) -> Line | None:
    """The line along which the face ends; None when light changes nowhere.

    say (blocks, n): change of light at each t. light (stations, n, 3) relative to the face; the face's look
    is taken where t is below face_until_px. side_px (stations,): how wide the board's own side should show,
    whose foot then speaks for the edge too. Paler wood may follow that still belongs to the board.
    """
    total = lines.total(say)
    logs = _block_logs(light, seen)
    agreed = lines.total(_with_foot(say / (say + PLAIN_SAY), logs, side_px))
    agreed *= total > LEAST_SAY
    changing = np.log(np.maximum(agreed, 1e-9)) - lines.cost()
    best = changing - COST_OF_ANYWHERE
    told = np.asarray(seen).reshape(BLOCKS, -1).mean(axis=1) >= 0.3
    look = _face_look(logs, t_px < face_until_px, told)
    looks = [(look, 0.0), (_with_sapwood(look, bench_light), COST_OF_SAPWOOD)]
    for each, cost in looks:
        short = _fall_short(each, told, lines)
        if short is not None:
            np.maximum(best, changing - short / NEAR_END_PX - cost, out=best)
    border = best_line(lines, best, total)
    if border is None:
        return None
    near = lines.near(border.middle_px)
    sharp = near.total(_with_foot(say, logs, side_px))
    there = total[..., near.first - lines.first :][..., : len(near.t_px)]
    return best_line(near, np.where(_apart(near, border) <= NEAR_BORDER_PX, sharp, 0), there)


def _with_foot(clear: Floats, logs: Floats, side_px: Floats) -> Floats:
    """How clear a change (blocks, n) is, joined by how clear one is where the foot of the side would be.

    logs (blocks, n, 3) of light: a side lies in shade, so paler wood than the face is none.
    """
    sides = median(side_px.reshape(BLOCKS, -1), axis=1)
    if sides.max() < LEAST_SIDE_PX:
        return clear
    joined = clear.copy()
    light = np.cumsum(np.pad(logs.mean(axis=2), ((0, 0), (1, 0))), axis=1)
    for b in np.flatnonzero(sides >= LEAST_SIDE_PX):
        slack, step = round(max(0.5, 0.15 * sides[b]) / STEP_PX), round(sides[b] / STEP_PX)
        near = np.asarray(cv2.dilate(clear[b : b + 1], np.ones((1, 2 * slack + 1), np.uint8)))[0]
        shaded = light[b, step:-1] < light[b, : -step - 1]
        joined[b, : len(near) - step] += near[step:] * shaded
    return joined


def _apart(lines: Lines, line: Line) -> Field:
    """How far each line lies from one of them where they are farthest apart, px (drops, sags, middles)."""
    askew = np.abs(DROPS_PX - line.drop_px)[:, None] / 2 + np.abs(lines.sags_px - line.sag_px)
    return np.asarray(askew[..., None] + np.abs(lines.t_px - line.middle_px), dtype=np.float32)


def best_line(lines: Lines, score: NDArray[np.floating[Any]], say: NDArray[np.floating[Any]]) -> Line | None:
    """The line of the highest score (drops, sags, middles); None where light hardly changes along it."""
    i, j, k = np.unravel_index(int(score.argmax()), score.shape)
    if say[i, j, k] <= LEAST_SAY:
        return None
    return Line(float(lines.t_px[k]), float(DROPS_PX[i]), float(lines.sags_px[j]), float(say[i, j, k]))


def is_peak(lines: Lines, say: Field, line: Line) -> bool:
    """Whether light changes more along one of the lines than right beside it, by their say (drops, sags,
    middles): along the flank of a blurred edge it does not."""
    beside = say[
        int(np.abs(DROPS_PX - line.drop_px).argmin()), int(np.abs(lines.sags_px - line.sag_px).argmin())
    ]
    k = int(np.abs(lines.t_px - line.middle_px).argmin())
    return bool(beside[k] >= beside[max(k - 1, 0) : k + 2].max())


def _block_logs(light: NDArray[np.float32], seen: Mask) -> Floats:
    """Log light (blocks, n, 3) averaged over the stations seen of each block."""
    m, n, _ = light.shape
    weight = np.where(seen, 1.0, 1e-6).reshape(BLOCKS, m // BLOCKS)
    parts = light.reshape(BLOCKS, m // BLOCKS, n, 3)
    mean = np.einsum("bs,bsnc->bnc", weight, parts) / weight.sum(axis=1)[:, None, None]
    return np.asarray(np.log(np.maximum(mean, 0.004)))


@dataclass(frozen=True, eq=False)
class _Look:
    """How each place differs from the face: off (blocks, n, 3) in log light, middle (blocks, 3) that of the
    face, like (blocks, n) from -1 for strange to 1 for the same."""

    off: Floats
    middle: Floats
    like: Floats


def _face_look(logs: Floats, inner: Mask, told: Mask) -> _Look:
    """Every place against the face, whose look and figure are those of the samples `inner` (n,)."""
    face = logs[:, inner]
    middle = median(face, axis=1, keepdims=True)
    rest = (face - middle)[told].reshape(-1, 3)
    spread = rest.T @ rest / max(len(rest), 1) + STEADY[0] ** 2 + STEADY[1] ** 2 * np.eye(3)
    off = logs - middle
    strange = (off @ np.linalg.inv(spread) * off).sum(axis=2)
    return _Look(off, middle[:, 0], np.clip(1 - strange / STRANGE, -1, 1))


def _with_sapwood(look: _Look, bench_light: Floats) -> _Look:
    """The same, with paler wood as part of the face: not darker in any colour, and no bench either."""
    from_bench = look.off + look.middle[:, None] - np.log(bench_light)
    bench = (np.ptp(from_bench, axis=2) < 0.25) & (np.abs(from_bench.mean(axis=2)) < 0.5)
    light = look.off.mean(axis=2)
    paler = (light > PALER[0]) & (look.off.min(axis=2) > PALER[1]) & ~bench
    # Its own side, though in shade, may still be lighter than heartwood.
    lightest = np.maximum.accumulate(np.where(paler & (look.like < 0), light, -np.inf), axis=1)
    paler &= light > lightest + np.log(MOST_SIDE_LIGHT)
    # Sapwood goes on to the edge: what looks like heartwood beyond it is its own side in shade.
    entered = np.cumsum(paler & (look.like < 0), axis=1) >= LASTING_PX / STEP_PX
    like = np.where(entered, np.minimum(look.like, -0.5), look.like)
    return _Look(look.off, look.middle, np.where(paler, 1.0, like))


def _fall_short(look: _Look, told: Mask, lines: Lines) -> Field | None:
    """How many pixels' worth each line (drops, sags, middles) fits the face's end worse than the best one.

    None when the face does not end in most places.
    """
    gain = np.cumsum(look.like, axis=1)
    fallen = np.maximum.accumulate(gain, axis=1) - gain > LASTING_PX / STEP_PX
    ended = fallen.any(axis=1) & told
    if ended.sum() < 0.5 * told.sum():
        return None
    over = np.arange(gain.shape[1]) > fallen.argmax(axis=1)[:, None]  # what comes later is no more face
    gain = np.cumsum(np.where(over, -1.0, look.like), axis=1) * STEP_PX
    total = lines.total(gain * ended[:, None]) * (len(told) / ended.sum())
    return np.asarray(total.max() - total)
