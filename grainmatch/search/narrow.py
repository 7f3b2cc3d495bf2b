"""The programme of `exact` on a narrow front: only states from which the best can still be reached.

A state is a set of boards laid and the card below them. Whatever a bound shows to be no better than a
known top is left out for good; of the rest only the most promising are kept when there are too many, and
the least that any state left out could have led to is a proven bound on what was missed. A narrow front
finds very good tops at once; a front that never filled has proven the best.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.search.bound import Bound
from grainmatch.search.evaluate import EPSILON_MM, Floats, Ints, Table
from grainmatch.search.sets import Masks, makes_top, parts_pair, sum_over, waste_costs
from grainmatch.search.task import Task

_CHUNK_N = 1_500_000
"""States times cards looked at together."""


@dataclass(frozen=True, eq=False)
class Missed:
    """top: cheapest arrangement below what was to be beaten, None when there is none; its total. least: no
    top costs less. steps_n: how many steps were looked at."""

    top: Ints | None
    total: float
    least: float
    steps_n: int


@dataclass(frozen=True, eq=False)
class _Front:
    """States (s,) of one size: boards laid, card below, cost with prices, balance, width laid."""

    masks: Masks
    card: Ints
    cost: Floats
    balance: Floats
    width_mm: Floats

    def take(self, rows: Ints | NDArray[np.bool_] | slice) -> _Front:
        return _Front(
            self.masks[rows], self.card[rows], self.cost[rows], self.balance[rows], self.width_mm[rows]
        )


def search_narrow(
    task: Task, bound: Bound, beat: float, *, width_n: int, report: Callable[[int, int], None] | None = None
) -> Missed:
    """The best top among those that a front of width_n states meets and that cost less than `beat`."""
    front = _first_front(task, bound)
    layers, best, least, steps_n = [front], (beat, -1, -1), np.inf, 0
    for size in range(1, task.sizes[1] + 1):
        if size >= task.sizes[0]:
            best = _pick_finished(task, bound, front, size, best)
        if size == task.sizes[1]:
            break
        front = _unfinished(task, front)
        steps_n += len(front.masks) * len(task.table.cards.board)
        front, dropped = _grow(task, bound, front, size, best[0], width_n)
        least = min(least, dropped)
        if not len(front.masks):
            break
        layers.append(front)
        if report:
            report(size, task.sizes[1])
    if best[1] < 0:
        return Missed(None, np.inf, min(least, beat), steps_n)
    top = task.lay(_walk_back(task, layers, best[1], best[2]))
    return Missed(top, best[0], min(least, best[0]), steps_n)


def _bits(table: Table) -> Masks:
    return np.asarray(np.uint64(1) << table.cards.board.astype(np.uint64))


def _drifts(task: Task) -> Floats:
    """What each card moves the balance by."""
    cards = task.table.cards
    return np.zeros(len(cards.board)) if task.drift is None else task.drift[cards.board]


def _priced(task: Task, bound: Bound, place: int) -> Floats:
    return np.asarray(task.own[place] + bound.prices.each(task)[task.table.cards.board])


def _first_front(task: Task, bound: Bound) -> _Front:
    cards = task.table.cards
    front = _Front(
        _bits(task.table),
        np.arange(len(cards.board)),
        _priced(task, bound, 0) + bound.prices.fixed(),
        _drifts(task),
        task.table.width_mm[cards.board],
    )
    return _set_in_order(front.take(np.isfinite(front.cost)), len(cards.board))


def _grow(
    task: Task, bound: Bound, front: _Front, size: int, beat: float, width_n: int
) -> tuple[_Front, float]:
    """One more board below every state, and the least that a state dropped for want of room may lead to."""
    cards_n = len(task.table.cards.board)
    rows_n = max(1, _CHUNK_N // cards_n)
    parts, dropped = [], np.inf
    for start in range(0, max(1, len(front.masks)), rows_n):
        grown, least = _grow_part(task, bound, front.take(slice(start, start + rows_n)), size, beat)
        grown, least, missed = _keep_best(grown, least, 4 * width_n)
        dropped = min(dropped, missed)
        parts.append((grown, least))
    grown = _join([p[0] for p in parts])
    grown = _set_in_order(grown, cards_n)
    grown = _keep_cheapest(grown)
    grown, _, missed = _keep_best(grown, _outlook(bound, grown, size + 1), width_n)
    return grown, min(dropped, missed)


def _grow_part(task: Task, bound: Bound, front: _Front, size: int, beat: float) -> tuple[_Front, Floats]:
    table, cards = task.table, task.table.cards
    paid = front.cost if task.drift is None else front.cost + front.balance**2
    cost = cards.seam[front.card]
    cost += paid[:, None]
    cost += _priced(task, bound, size)
    hope = bound.rest[size + 1].min(axis=1)
    row, card = np.nonzero((cost + hope <= beat + bound.slack) & ((front.masks[:, None] & _bits(table)) == 0))
    grown = _Front(
        front.masks[row] | _bits(table)[card],
        card,
        cost[row, card],
        front.balance[row] + _drifts(task)[card],
        front.width_mm[row] + table.width_mm[cards.board[card]],
    )
    outlook = _outlook(bound, grown, size + 1)
    keep = (outlook < beat + bound.slack) & ~parts_pair(task, grown.masks, cards.board[grown.card])
    return grown.take(keep), outlook[keep]


def _outlook(bound: Bound, front: _Front, size: int) -> Floats:
    """The least that each state can lead to."""
    rest = bound.rest[size][front.card, bound.cell(front.balance)]
    return np.asarray(front.cost + rest, dtype=np.float64)


def _join(fronts: list[_Front]) -> _Front:
    return _Front(
        np.concatenate([f.masks for f in fronts]),
        np.concatenate([f.card for f in fronts]),
        np.concatenate([f.cost for f in fronts]),
        np.concatenate([f.balance for f in fronts]),
        np.concatenate([f.width_mm for f in fronts]),
    )


def _keep_best(front: _Front, outlook: Floats, width_n: int) -> tuple[_Front, Floats, float]:
    """The width_n states of best outlook, in the order they stand, and the best outlook dropped."""
    if len(outlook) <= width_n:
        return front, outlook, np.inf
    order = np.argpartition(outlook, width_n)
    rows = np.sort(order[:width_n])
    return front.take(rows), outlook[rows], float(outlook[order[width_n:]].min())


def _set_in_order(front: _Front, cards_n: int) -> _Front:
    """By set of boards, then card."""
    bits = int(cards_n - 1).bit_length()
    if int(front.masks.max(initial=0)).bit_length() + bits <= 64:
        key = (front.masks << np.uint64(bits)) | front.card.astype(np.uint64)
        return front.take(np.argsort(key, kind="stable"))
    return front.take(np.lexsort((front.card, front.masks)))


def _keep_cheapest(front: _Front) -> _Front:
    """Of equal states, side by side, the cheapest."""
    if not len(front.masks):
        return front
    new = (front.masks[1:] != front.masks[:-1]) | (front.card[1:] != front.card[:-1])
    starts = np.concatenate([[0], np.flatnonzero(new) + 1])
    kept = front.take(starts)
    cost = np.minimum.reduceat(front.cost, starts)
    return _Front(kept.masks, kept.card, cost, kept.balance, kept.width_mm)


def _unfinished(task: Task, front: _Front) -> _Front:
    """A top that makes the asked width grows no further."""
    target = task.table.problem.target_width_mm
    return front if target is None else front.take(front.width_mm < target - EPSILON_MM)


def _pick_finished(
    task: Task, bound: Bound, front: _Front, size: int, best: tuple[float, int, int]
) -> tuple[float, int, int]:
    """Total, size and row of the best finished top so far."""
    prices = sum_over(front.masks, bound.prices.each(task)) + bound.prices.fixed()
    total = front.cost - prices + waste_costs(task, front.width_mm)
    total = np.where(makes_top(task, front.masks), total, np.inf)
    row = int(total.argmin()) if len(total) else -1
    return (float(total[row]), size, row) if row >= 0 and total[row] < best[0] else best


def _walk_back(task: Task, layers: list[_Front], size: int, row: int) -> Ints:
    """From a finished state to the cards above it, each the cheapest way to where we came from."""
    cards = task.table.cards
    mask, card = layers[size - 1].masks[row], int(layers[size - 1].card[row])
    top = [card]
    for front in layers[size - 2 :: -1] if size > 1 else []:
        mask ^= np.uint64(1) << np.uint64(cards.board[card])
        first, last = np.searchsorted(front.masks, mask), np.searchsorted(front.masks, mask, side="right")
        cost = front.cost[first:last] + cards.seam[front.card[first:last], card]
        card = int(front.card[first + int(cost.argmin())])
        top.append(card)
    return np.array(top[::-1], dtype=np.intp)
