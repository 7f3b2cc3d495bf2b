"""Proven lower bounds, and from every state the least that finishing costs.

A top is relaxed to a walk from card to card in which a board may come up again, priced by a multiplier a
board so that repeats do not pay: Christofides, Mingozzi & Toth (1981), "State-space relaxation procedures
for the computation of bounds to routing problems", Networks 11; multipliers by the subgradient method of
Held & Karp (1971), Math. Programming 1, with the step of Polyak (1969). The balance of loads stays in the
walk: where it stands is known to within one cell, and the cell's cheapest point is charged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grainmatch.search.evaluate import Floats, Ints
from grainmatch.search.task import Task

_PATIENCE_N = 6
"""Rounds without a better bound before the step is shortened."""
_BLOCK = 16
_FLOAT32 = float(np.finfo(np.float32).eps)


@dataclass(frozen=True, eq=False)
class Prices:
    """Multipliers: one a board, and one for the width that is still missing (0 without a target)."""

    board: Floats
    width: float

    def each(self, task: Task) -> Floats:
        """What a board costs beside its own cost, (N,)."""
        return self.board - self.width * _shares(task)

    def fixed(self) -> float:
        """What every top is charged."""
        return self.width - float(self.board.sum())


@dataclass(frozen=True, eq=False)
class Bound:
    """value: no top of this variant costs less.

    rest (sizes + 1, M, Q): least that finishing costs after `size` boards ending in a card, the balance in
    one of Q cells; prices included, true to within slack. The first and the last cell are all that lies
    below low and above the others, which are one step wide. visits (N,): how often the cheapest walk comes
    by each board.
    """

    value: float
    prices: Prices
    rest: NDArray[np.float32]
    slack: float
    low: float
    step: float
    visits: Floats

    def cell(self, balance: Floats) -> Ints:
        """The cell of each balance."""
        last = self.rest.shape[2] - 1
        cell = np.floor((balance - self.low) / self.step) + 1
        return np.asarray(np.clip(cell, 0, last), dtype=np.intp)


def free_prices(task: Task) -> Prices:
    """Where the search for multipliers starts."""
    return Prices(np.zeros(task.table.cards.boards_n), 0.0)


def bound_tops(
    task: Task, beat: float, *, prices: Prices, rounds_n: int, cells_n: int = 0, reach: float = 0.0
) -> Bound:
    """The best bound found from `prices` on. beat: a total reached already, inf when there is none.

    cells_n cells of balance cover -reach to reach, and a top that strays farther before its last board must
    be known to cost more than `beat`; 0 leaves the balance out, which only loosens the bound.
    """
    cells_n = 0 if task.drift is None else cells_n
    best = found = _walk(task, prices, cells_n, reach)
    step, since = 1.0, 0
    for _ in range(rounds_n):
        if not np.isfinite(best.value) or best.value >= beat or step < 1e-2:
            break
        moved = _move(task, found, beat, step)
        if moved is None:
            break
        found = _walk(task, moved, cells_n, reach)
        since += 1
        if found.value > best.value + 1e-12:
            best, since = found, 0
        elif since >= _PATIENCE_N:
            found, step, since = best, step * 0.5, 0
    return best


def _shares(task: Task) -> Floats:
    """Each board's share of the asked width."""
    target = task.table.problem.target_width_mm
    return np.zeros(task.table.cards.boards_n) if target is None else task.table.width_mm / target


def _move(task: Task, found: Bound, beat: float, step: float) -> Prices | None:
    """Prices one step along the slope; None where the slope is flat, so that no step can help."""
    board, width = found.prices.board, found.prices.width
    present = np.isin(np.arange(len(board)), task.table.cards.board)
    free = task.must | (found.visits > 1) | (board > 0)
    slope = np.where(free & present, found.visits - 1.0, 0.0)
    missing = 0.0
    if task.table.problem.target_width_mm is not None:
        missing = 1.0 - float(found.visits @ _shares(task))
        missing = missing if missing > 0 or width > 0 else 0.0
    size = float((slope**2).sum()) + missing**2
    if size < 1e-12:
        return None
    gap = beat - found.value if np.isfinite(beat) else 0.1 * abs(found.value)
    along = step * max(gap, 1e-3 * max(abs(found.value), 1.0)) / size
    moved = board + along * slope
    return Prices(np.where(task.must, moved, np.maximum(moved, 0.0)), max(0.0, width + along * missing))


def _walk(task: Task, prices: Prices, cells_n: int, reach: float) -> Bound:
    """The cheapest walk at these prices, how often it visits each board, and all that is left to pay."""
    cards, (fewest, most) = task.table.cards, task.sizes
    priced = (task.own + prices.each(task)[cards.board]).astype(np.float32)
    seam = cards.seam.astype(np.float32)
    low, step = (-reach, 2 * reach / cells_n) if cells_n else (0.0, np.inf)
    lower, charge = _cells(task, cells_n, reach, step)
    rest = np.full((most + 1, len(cards.board), len(charge)), np.inf, dtype=np.float32)
    for size in range(most, 0, -1):
        if size < most:
            onward = priced[size][:, None] + _enter(rest[size + 1], lower)
            rest[size] = _cheapest(seam, onward) + charge
        if size >= fewest:
            np.minimum(rest[size], 0.0, out=rest[size])
    largest = float(np.abs(rest[np.isfinite(rest)]).max(initial=1.0))
    bound = Bound(0.0, prices, rest, 3 * most * _FLOAT32 * largest, low, step, np.zeros(cards.boards_n))
    value, visits = _follow(task, bound, priced, seam, lower)
    return replace(bound, value=value + prices.fixed() - bound.slack, visits=visits)


def _cells(task: Task, cells_n: int, reach: float, step: float) -> tuple[Ints, NDArray[np.float32]]:
    """lower (M, Q): the lower of the two cells each card carries a cell into; charge (Q,): least square of
    the balance in each cell, inf beyond reach, where nothing may follow."""
    cards = task.table.cards
    if not cells_n or task.drift is None:
        return np.zeros((len(cards.board), 1), dtype=np.intp), np.zeros(1, dtype=np.float32)
    shift = np.floor(task.drift[cards.board] / step).astype(np.intp)
    lower = np.clip(np.arange(cells_n + 2)[None] + shift[:, None], 0, cells_n + 1)
    low = -reach + step * np.arange(cells_n)
    nearest = np.maximum(0.0, np.maximum(low, -(low + step)))
    return lower, np.concatenate([[np.inf], nearest**2, [np.inf]]).astype(np.float32)


def _enter(rest: NDArray[np.float32], lower: Ints) -> NDArray[np.float32]:
    """Least still to pay after each card was added to a balance in each cell."""
    if rest.shape[1] == 1:
        return rest
    either = np.minimum(rest, np.concatenate([rest[:, 1:], rest[:, -1:]], axis=1))
    return np.take_along_axis(either, lower, axis=1)


def _cheapest(seam: NDArray[np.float32], onward: NDArray[np.float32]) -> NDArray[np.float32]:
    """Least of seam + onward over the next card, (M, Q)."""
    if onward.shape[1] == 1:
        return np.asarray((seam + onward[:, 0]).min(axis=1, keepdims=True))
    out = np.empty((len(seam), onward.shape[1]), dtype=np.float32)
    for start in range(0, len(seam), _BLOCK):
        part = slice(start, start + _BLOCK)
        (seam[part, :, None] + onward[None]).min(axis=1, out=out[part])
    return out


def _follow(
    task: Task, bound: Bound, priced: NDArray[np.float32], seam: NDArray[np.float32], lower: Ints
) -> tuple[float, Floats]:
    """The cheapest walk's cost, and how often it visits each board."""
    cards, rest = task.table.cards, bound.rest
    visits = np.zeros(cards.boards_n)
    cell = bound.cell(np.zeros(len(cards.board)) if task.drift is None else task.drift[cards.board])
    start = priced[0] + rest[1][np.arange(len(cell)), cell]
    card = int(start.argmin())
    if not np.isfinite(start[card]):
        return np.inf, visits
    at, size = int(cell[card]), 1
    visits[cards.board[card]] += 1
    while size < task.sizes[1] and not (size >= task.sizes[0] and rest[size, card, at] >= 0):
        onward = seam[card] + priced[size] + _enter(rest[size + 1], lower)[:, at]
        card = int(onward.argmin())
        size += 1
        low = int(lower[card, at])
        at = low + int(rest[size, card, low : low + 2].argmin())
        visits[cards.board[card]] += 1
    return float(start.min()), visits
