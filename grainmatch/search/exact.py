"""The proven best arrangement of few boards, by dynamic programme over (set of boards, last card).

Held & Karp (1962), "A dynamic programming approach to sequencing problems", J. SIAM 10(1), carried to
boards in poses: the cheapest way to lay a set of boards ending in one card is enough to know, because
every later cost depends on the set and that card alone. Terms of the whole top fit in as long as they
depend on the place (the set's size) or on the set itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from grainmatch.search.evaluate import EPSILON_MM, Floats, Ints
from grainmatch.search.sets import MOST_BOARDS_N, Masks, holds, makes_top, parts_pair, sum_over, waste_costs
from grainmatch.search.task import Task

_CHUNK_ROWS = 2048


@dataclass(frozen=True, eq=False)
class _Layer:
    """All sets of one size. masks (s,) ascending; cost (s, M): cheapest way to end in each card."""

    masks: Masks
    cost: Floats


def count_states(task: Task) -> int:
    """How many (set, last card) entries the programme fills."""
    n, m = len(np.unique(task.table.cards.board)), len(task.table.cards.board)
    if n > MOST_BOARDS_N:
        return 1 << MOST_BOARDS_N
    return sum(math.comb(n, k) for k in range(1, task.sizes[1] + 1)) * m


def search_exact(
    task: Task, *, beat: float = np.inf, report: Callable[[int, int], None] | None = None
) -> tuple[Ints | None, float]:
    """The arrangement of least total and its total; (None, beat) when none costs less than `beat`.

    report(done, total) may raise to stop.
    """
    layers: list[_Layer] = []
    best, where = beat, None
    for size in range(1, task.sizes[1] + 1):
        masks = _first_sets(task) if size == 1 else _larger_sets(task, layers[-1].masks)
        if len(masks) == 0:
            break
        cost = _first_layer(task, masks) if size == 1 else _grow(task, layers[-1], masks, size)
        cost[parts_pair(task, masks[:, None], task.table.cards.board[None])] = np.inf
        layers.append(_Layer(masks, cost))
        if size >= task.sizes[0]:
            best, where = _pick_finished(task, layers[-1], size, best, where)
        if task.drift is not None:  # paid at the seam that follows
            cost += (sum_over(masks, task.drift) ** 2)[:, None]
        if report:
            report(size, task.sizes[1])
    return (None, beat) if where is None else (task.lay(_walk_back(task, layers, where)), best)


def _first_sets(task: Task) -> Masks:
    return np.sort(np.uint64(1) << np.unique(task.table.cards.board).astype(np.uint64))


def _larger_sets(task: Task, masks: Masks) -> Masks:
    """Every set with one board more; a set that makes the asked width grows no further."""
    target = task.table.problem.target_width_mm
    if target is not None:
        masks = masks[sum_over(masks, task.table.width_mm) < target - EPSILON_MM]
    bits = _first_sets(task)
    grown = masks[:, None] | bits[None, :]
    return np.unique(grown[grown != masks[:, None]])


def _first_layer(task: Task, masks: Masks) -> Floats:
    board = task.table.cards.board
    cost = np.full((len(masks), len(board)), np.inf)
    row = np.searchsorted(masks, np.uint64(1) << board.astype(np.uint64))
    cost[row, np.arange(len(board))] = task.own[0]
    return cost


def _grow(task: Task, before: _Layer, masks: Masks, size: int) -> Floats:
    """Cheapest way to lay every set, ending in each card: one more board below the sets before."""
    cards = task.table.cards
    cost = np.full((len(masks), len(cards.board)), np.inf)
    for board in range(cards.boards_n):
        mine = np.flatnonzero(cards.board == board)
        rows = np.flatnonzero(holds(masks, board))
        if mine.size == 0 or rows.size == 0:
            continue
        earlier = masks[rows] ^ np.uint64(1 << board)
        found = np.searchsorted(before.masks, earlier)
        known = found < len(before.masks)
        known[known] = before.masks[found[known]] == earlier[known]
        rows, found = rows[known], found[known]
        for start in range(0, len(rows), _CHUNK_ROWS):
            part = slice(start, start + _CHUNK_ROWS)
            above = before.cost[found[part]]
            for card in mine:
                cost[rows[part], card] = (above + cards.seam[:, card]).min(axis=1) + task.own[size - 1, card]
    return cost


def _pick_finished(
    task: Task, layer: _Layer, size: int, best: float, where: tuple[int, int, int] | None
) -> tuple[float, tuple[int, int, int] | None]:
    rows = np.flatnonzero(makes_top(task, layer.masks))
    if rows.size == 0:
        return best, where
    last = layer.cost[rows].argmin(axis=1)
    width_mm = sum_over(layer.masks[rows], task.table.width_mm)
    total = layer.cost[rows, last] + waste_costs(task, width_mm)
    k = int(total.argmin())
    if total[k] < best:
        return float(total[k]), (size, int(rows[k]), int(last[k]))
    return best, where


def _walk_back(task: Task, layers: list[_Layer], where: tuple[int, int, int]) -> Ints:
    cards = task.table.cards
    size, row, card = where
    top = [card]
    mask = layers[size - 1].masks[row]
    while size > 1:
        mask ^= np.uint64(1 << int(cards.board[card]))
        size -= 1
        row = int(np.searchsorted(layers[size - 1].masks, mask))
        card = int((layers[size - 1].cost[row] + cards.seam[:, card]).argmin())
        top.append(card)
    return np.array(top[::-1], dtype=np.intp)
