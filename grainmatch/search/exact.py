"""The proven best arrangement, by dynamic programme over (set of boards, last card).

Held & Karp (1962), "A dynamic programming approach to sequencing problems", J. SIAM 10(1), carried to
boards in poses: the cheapest way to lay a set of boards ending in one card is enough to know, because
every later cost depends on the set and that card alone. Terms of the whole top fit in as long as they
depend on the place (the set's size) or on the set itself: see `_set_costs`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grainmatch.score.top import plan_of_place
from grainmatch.search.evaluate import EPSILON_MM, Floats, Ints, Table

MOST_BOARDS_N = 24
MOST_STATES_N = 220_000_000
"""Largest number of (set, last card) entries held, 0.9 GB in float32."""
_CHUNK_ROWS = 2048

Masks = NDArray[np.uint32]


@dataclass(frozen=True)
class Variant:
    """One choice among the plans and means of which the best counts; n_pick when the plan needs it."""

    plan: str | None
    mean: float
    n_pick: int | None


@dataclass(frozen=True, eq=False)
class _Layer:
    """All sets of one size. masks (s,) ascending; cost (s, M): cheapest way to end in each card."""

    masks: Masks
    cost: NDArray[np.floating[Any]]


def fits_exact(table: Table) -> bool:
    """Whether the programme fits into memory."""
    n = table.cards.boards_n
    return (
        n <= MOST_BOARDS_N
        and sum(len(m) for m in _all_layers(table)) * len(table.cards.board) <= MOST_STATES_N
    )


def search_exact(
    table: Table,
    *,
    extra: Floats | None = None,
    report: Callable[[int, int], None] | None = None,
) -> tuple[Ints | None, float]:
    """The arrangement of least total, and that total; (None, inf) when the rules leave none.

    extra (M, M) is added to the seam costs, to steer away from tops already found. report(done, total)
    may raise to stop.
    """
    layers = _all_layers(table)
    best: tuple[Ints | None, float] = (None, np.inf)
    variants = list_variants(table, len(layers))
    for count, variant in enumerate(variants):
        top, cost = _solve(table, layers, variant, extra, best[1], report, count, len(variants))
        if cost < best[1]:
            best = (top, cost)
    return best


def list_variants(table: Table, most_picked: int) -> list[Variant]:
    """Every combination of plan and mean that has to be solved."""
    problem = table.problem
    means = problem.balance_means if problem.balance_load is not None else (0.0,)
    if problem.place_value is None or not problem.place_plans:
        return [Variant(None, mean, None) for mean in means]
    plans = problem.place_plans
    if not problem.rules and set(plans) == {"light to dark", "dark to light"}:
        plans = plans[:1]  # the other one is the same top walked round
    sizes = [problem.n_pick] if problem.n_pick is not None else list(range(1, most_picked + 1))
    return [Variant(plan, mean, size) for plan, mean, size in product(plans, means, sizes)]


# --- sets of boards --------------------------------------------------------------------------


def _all_layers(table: Table) -> list[Masks]:
    """Sets of 1, 2, ... boards that can begin a top: with a target width, only the last may reach it."""
    problem, n = table.problem, table.cards.boards_n
    live = np.unique(table.cards.board)
    bits = (np.uint32(1) << live.astype(np.uint32)).astype(np.uint32)
    most = problem.n_pick if problem.n_pick is not None else n
    layers = [np.sort(bits)]
    total = len(bits)
    while len(layers) < most:
        open_sets = layers[-1]
        if problem.target_width_mm is not None:
            open_sets = open_sets[_widths(table, open_sets) < problem.target_width_mm - EPSILON_MM]
        grown = open_sets[:, None] | bits[None, :]
        grown = np.unique(grown[grown != open_sets[:, None]])
        if grown.size == 0:
            break
        layers.append(grown)
        total += len(grown)
        if total * len(table.cards.board) > MOST_STATES_N:
            break
    return layers


def _widths(table: Table, masks: Masks) -> Floats:
    return _sums(masks, table.width_mm)


def _sums(masks: Masks, value: Floats) -> Floats:
    """Sum of a value a board over each set."""
    total = np.zeros(len(masks))
    for k, v in enumerate(value):
        total += v * _holds(masks, k)
    return total


def _holds(masks: Masks, board: int) -> NDArray[np.bool_]:
    return np.asarray((masks >> np.uint32(board)) & np.uint32(1), dtype=bool)


def _finished(table: Table, masks: Masks, size: int) -> NDArray[np.bool_]:
    """Which sets make a whole top."""
    problem = table.problem
    done = np.ones(len(masks), dtype=bool)
    if problem.n_pick is not None:
        done &= size == problem.n_pick
    if problem.target_width_mm is not None:
        width = _widths(table, masks)
        narrowest = np.full(len(masks), np.inf)
        for k, w in enumerate(table.width_mm):
            narrowest = np.where(_holds(masks, k), np.minimum(narrowest, w), narrowest)
        done &= (width >= problem.target_width_mm - EPSILON_MM) & (
            width - narrowest < problem.target_width_mm - EPSILON_MM
        )
    for rule in problem.rules:
        if rule.kind == "include" or rule.kind == "together" or rule.kind == "place":
            for board in rule.boards:
                done &= _holds(masks, problem.board_ids.index(board))
    return done


# --- the programme ---------------------------------------------------------------------------


def _solve(
    table: Table,
    sets: list[Masks],
    variant: Variant,
    extra: Floats | None,
    beat: float,
    report: Callable[[int, int], None] | None,
    count: int,
    variants_n: int,
) -> tuple[Ints | None, float]:
    """Best top of one variant that costs less than `beat`."""
    entries = sum(len(m) for m in sets) * len(table.cards.board)
    kind: type[np.floating[Any]] = np.float64 if entries < 16_000_000 else np.float32
    seam = (table.cards.seam if extra is None else table.cards.seam + extra).astype(kind)
    layers: list[_Layer] = []
    best, where = beat, None
    for size, masks in enumerate(sets, 1):
        if variant.n_pick is not None and size > variant.n_pick:
            break
        own = _own_costs(table, variant, size)
        cost = (
            _first_layer(table, masks, own, kind) if size == 1 else _grow(table, layers[-1], masks, seam, own)
        )
        _forbid(table, masks, size, cost)
        layers.append(_Layer(masks, cost))
        if variant.n_pick in (None, size):
            best, where = _pick_finished(table, layers[-1], size, best, where)
        _add_set_costs(table, masks, size, variant, cost)
        if report:
            report(count * len(sets) + size, variants_n * len(sets))
    if where is None:
        return None, np.inf
    return _walk_back(table, layers, variant, seam, where), best


def _own_costs(table: Table, variant: Variant, size: int) -> Floats:
    """Cost of each card by itself, as the size-th board from the top."""
    own = table.cards.alone
    problem = table.problem
    if variant.plan is not None and variant.n_pick is not None and problem.place_value is not None:
        wanted = plan_of_place(variant.plan, variant.n_pick)[size - 1]
        value = problem.place_value[table.cards.board, table.cards.pose]
        own = own + problem.place_weight * np.abs(value - wanted)
    return own


def _first_layer(
    table: Table, masks: Masks, own: Floats, kind: type[np.floating[Any]]
) -> NDArray[np.floating[Any]]:
    cost = np.full((len(masks), len(own)), np.inf, dtype=kind)
    row = np.searchsorted(masks, np.uint32(1) << table.cards.board.astype(np.uint32))
    cost[row, np.arange(len(own))] = own
    return cost


def _grow(
    table: Table, before: _Layer, masks: Masks, seam: NDArray[np.floating[Any]], own: Floats
) -> NDArray[np.floating[Any]]:
    """Cheapest way to lay every set, ending in each card: one more board below the sets before."""
    cost: NDArray[np.floating[Any]] = np.full((len(masks), len(own)), np.inf, dtype=seam.dtype)
    for board in range(table.cards.boards_n):
        mine = np.flatnonzero(table.cards.board == board)
        rows = np.flatnonzero(_holds(masks, board))
        if mine.size == 0 or rows.size == 0:
            continue
        earlier = masks[rows] ^ np.uint32(1 << board)
        found = np.searchsorted(before.masks, earlier)
        known = found < len(before.masks)
        known[known] = before.masks[found[known]] == earlier[known]
        rows, found = rows[known], found[known]
        for start in range(0, len(rows), _CHUNK_ROWS):
            part = slice(start, start + _CHUNK_ROWS)
            above = before.cost[found[part]]
            for card in mine:
                cost[rows[part], card] = (above + seam[:, card]).min(axis=1) + own[card]
    return cost


def _forbid(table: Table, masks: Masks, size: int, cost: NDArray[np.floating[Any]]) -> None:
    """Rule out, in place, states that break a hard rule."""
    ids = table.problem.board_ids
    for rule in table.problem.rules:
        first = ids.index(rule.boards[0])
        mine = table.cards.board == first
        if rule.kind == "place":
            if size - 1 == rule.place:
                cost[:, ~mine] = np.inf
            else:
                cost[:, mine] = np.inf
        elif rule.kind == "together":
            second = ids.index(rule.boards[1])
            one = _holds(masks, first) ^ _holds(masks, second)
            either = mine | (table.cards.board == second)
            cost[np.ix_(one, ~either)] = np.inf


def _add_set_costs(
    table: Table, masks: Masks, size: int, variant: Variant, cost: NDArray[np.floating[Any]]
) -> None:
    """Charge, in place, what depends on the boards laid so far: paid at the seam that follows them."""
    load = table.problem.balance_load
    if load is not None:
        cost += ((_sums(masks, load) - variant.mean * size) ** 2).astype(cost.dtype)[:, None]


def _pick_finished(
    table: Table, layer: _Layer, size: int, best: float, where: tuple[int, int, int] | None
) -> tuple[float, tuple[int, int, int] | None]:
    problem = table.problem
    rows = np.flatnonzero(_finished(table, layer.masks, size))
    if rows.size == 0:
        return best, where
    last = layer.cost[rows].argmin(axis=1)
    total = layer.cost[rows, last].astype(np.float64)
    if problem.target_width_mm is not None:
        over = np.maximum(0.0, _widths(table, layer.masks[rows]) - problem.target_width_mm)
        total = total + problem.waste_per_mm * over
    k = int(total.argmin())
    if total[k] < best:
        return float(total[k]), (size, int(rows[k]), int(last[k]))
    return best, where


def _walk_back(
    table: Table,
    layers: list[_Layer],
    variant: Variant,
    seam: NDArray[np.floating[Any]],
    where: tuple[int, int, int],
) -> Ints:
    size, row, card = where
    top = [card]
    mask = layers[size - 1].masks[row]
    while size > 1:
        mask ^= np.uint32(1 << int(table.cards.board[card]))
        size -= 1
        row = int(np.searchsorted(layers[size - 1].masks, mask))
        card = int((layers[size - 1].cost[row] + seam[:, card]).argmin())
        top.append(card)
    return np.array(top[::-1], dtype=np.intp)
