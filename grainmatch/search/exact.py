"""The proven best arrangement, by dynamic programme over (set of boards, last card).

Held & Karp (1962), "A dynamic programming approach to sequencing problems", J. SIAM 10(1), carried to
boards in poses: the cheapest way to lay a set of boards ending in one card is enough to know, because
every later cost depends on the set and that card alone. Terms of the whole top fit in as long as they
depend on the place (the set's size) or on the set itself: see `_set_costs`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from grainmatch.score.top import plan_of_place
from grainmatch.search.bound import Bound, bound_tops, top_sizes
from grainmatch.search.evaluate import EPSILON_MM, Floats, Ints, Table

MOST_BOARDS_N = 63
MOST_PLAIN_N = 12_000_000
"""Largest number of (set, last card) entries for which no bound is needed to be quick."""
MOST_STATES_N = 80_000_000
"""Largest number of entries held, 0.6 GB."""
_CHUNK_ROWS = 2048

Masks = NDArray[np.uint64]


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
    cost: Floats


@dataclass(frozen=True, eq=False)
class Found:
    """top: the cheapest arrangement found, None when there is none below what was to be beaten; its total; a
    proven lower bound on every total; whether the search was complete."""

    top: Ints | None
    total: float
    bound: float
    complete: bool


def is_small(table: Table) -> bool:
    """Whether the plain programme is quick enough."""
    sizes = top_sizes(table)[1]
    n, m = len(np.unique(table.cards.board)), len(table.cards.board)
    return n <= MOST_BOARDS_N and sum(math.comb(n, k) for k in range(1, sizes + 1)) * m <= MOST_PLAIN_N


def search_exact(
    table: Table,
    *,
    known: tuple[Ints, float] | None = None,
    extra: Floats | None = None,
    report: Callable[[int, int], None] | None = None,
) -> Found:
    """The arrangement of least total.

    known: an arrangement found before and its total; with it, whatever a lower bound shows to be dearer is
    left out, which is what makes large piles possible. extra (M, M) is added to the seam costs, to steer
    away from tops already found; not together with known. report(done, total) may raise to stop.
    """
    best = Found(None, np.inf, np.inf, True) if known is None else Found(known[0], known[1], np.inf, True)
    variants = list_variants(table, top_sizes(table)[1])
    for count, variant in enumerate(variants):
        found = _solve(table, variant, extra, best.total, known is not None, report, (count, len(variants)))
        if found.top is not None:
            best = Found(found.top, found.total, best.bound, best.complete)
        if not found.complete:
            best = Found(best.top, best.total, min(best.bound, found.bound), False)
    return Found(best.top, best.total, min(best.bound, best.total), best.complete)


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


def _first_sets(table: Table) -> Masks:
    return np.sort(np.uint64(1) << np.unique(table.cards.board).astype(np.uint64))


def _larger_sets(table: Table, masks: Masks) -> Masks:
    """Every set with one board more; a set that makes the asked width grows no further."""
    problem = table.problem
    if problem.target_width_mm is not None:
        masks = masks[_widths(table, masks) < problem.target_width_mm - EPSILON_MM]
    bits = _first_sets(table)
    grown = masks[:, None] | bits[None, :]
    return np.unique(grown[grown != masks[:, None]])


def _widths(table: Table, masks: Masks) -> Floats:
    return _sums(masks, table.width_mm)


def _sums(masks: Masks, value: Floats) -> Floats:
    """Sum of a value a board over each set."""
    total = np.zeros(len(masks))
    for k, v in enumerate(value):
        total += v * _holds(masks, k)
    return total


def _holds(masks: Masks, board: int) -> NDArray[np.bool_]:
    return np.asarray((masks >> np.uint64(board)) & np.uint64(1), dtype=bool)


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
    variant: Variant,
    extra: Floats | None,
    beat: float,
    bounded: bool,
    report: Callable[[int, int], None] | None,
    count: tuple[int, int],
) -> Found:
    """Best top of one variant that costs less than `beat`."""
    sizes = top_sizes(table) if variant.n_pick is None else (variant.n_pick, variant.n_pick)
    own = np.array([_own_costs(table, variant, size) for size in range(1, sizes[1] + 1)])
    bound = bound_tops(table, own, sizes, beat) if bounded else None
    if bound is not None and bound.value >= beat - 1e-9:
        return Found(None, np.inf, beat, True)
    seam = table.cards.seam if extra is None else table.cards.seam + extra
    if bound is None and _is_symmetric(table, variant, seam):
        return _solve_halves(table, variant, seam, own[0], beat, report, count)
    layers: list[_Layer] = []
    best, where, held = beat, None, 0
    for size in range(1, sizes[1] + 1):
        masks = _first_sets(table) if size == 1 else _larger_sets(table, layers[-1].masks)
        if len(masks) == 0:
            break
        if held + len(masks) * len(own[0]) > MOST_STATES_N:
            return Found(None, np.inf, -np.inf if bound is None else bound.value, False)
        if size == 1:
            cost = _first_layer(table, masks, own[0])
        else:
            cost = _grow(table, layers[-1], masks, seam, own[size - 1])
        _forbid(table, masks, size, cost)
        if bound is not None:
            masks, cost = _leave_out(table, masks, size, cost, bound, best)
        held += cost.size
        layers.append(_Layer(masks, cost))
        if variant.n_pick in (None, size):
            best, where = _pick_finished(table, layers[-1], size, best, where)
        _add_set_costs(table, masks, size, variant, cost)
        if report:
            report(count[0] * sizes[1] + size, count[1] * sizes[1])
    if where is None:
        return Found(None, np.inf, beat, True)
    return Found(_walk_back(table, layers, seam, where), best, best, True)


def _is_symmetric(table: Table, variant: Variant, seam: Floats) -> bool:
    """Whether every top walked round costs the same and all boards are laid, so that halves will do."""
    cards, problem = table.cards, table.problem
    if problem.rules or variant.plan is not None or (cards.turned < 0).any():
        return False
    if problem.target_width_mm is not None or problem.n_pick != len(np.unique(cards.board)):
        return False
    load = problem.balance_load
    if load is not None and (variant.mean != 0 or abs(float(load.sum())) > 1e-9):
        return False
    walked = seam[cards.turned][:, cards.turned].T
    same = np.isclose(seam, walked, rtol=0, atol=1e-12) | (np.isinf(seam) & np.isinf(walked))
    return bool(same.all()) and np.allclose(cards.alone, cards.alone[cards.turned], rtol=0, atol=1e-12)


def _solve_halves(
    table: Table,
    variant: Variant,
    seam: Floats,
    own: Floats,
    beat: float,
    report: Callable[[int, int], None] | None,
    count: tuple[int, int],
) -> Found:
    """Lay only half the boards: the other half is such a half too, seen from the far side of the top."""
    cards = table.cards
    n = len(np.unique(cards.board))
    layers: list[_Layer] = []
    for size in range(1, n - n // 2 + 1):
        masks = _first_sets(table) if size == 1 else _larger_sets(table, layers[-1].masks)
        cost = _first_layer(table, masks, own) if size == 1 else _grow(table, layers[-1], masks, seam, own)
        _add_set_costs(table, masks, size, variant, cost)
        layers.append(_Layer(masks, cost))
        if report:
            report(count[0] * n + 2 * size, count[1] * n)
    if n == 1:
        card = int(layers[0].cost.argmin() % len(own))
        return Found(np.array([card]), float(own[card]), float(own[card]), True)
    near, far = layers[-1], layers[n // 2 - 1]
    if n % 2 == 0:  # of a top and the same one walked round, look at the one with the first board above
        first = _holds(near.masks, int(cards.board[0]))
        near = _Layer(near.masks[first], near.cost[first])
    rest = np.searchsorted(far.masks, _first_sets(table).sum(dtype=np.uint64) ^ near.masks)
    far_cost = far.cost[rest] - _set_costs(table, near.masks, n - n // 2, variant)[:, None]
    best, where = beat, None
    for card in range(len(own)):
        total = (near.cost + seam[:, cards.turned[card]]).min(axis=1) + far_cost[:, card]
        row = int(total.argmin())
        if total[row] < best:
            best, where = float(total[row]), (row, card)
    if where is None:
        return Found(None, np.inf, beat, True)
    row, card = where
    below = _walk_back(table, layers, seam, (n // 2, int(rest[row]), card))
    last = int((near.cost[row] + seam[:, cards.turned[card]]).argmin())
    row = int(np.searchsorted(layers[-1].masks, near.masks[row]))
    above = _walk_back(table, layers, seam, (n - n // 2, row, last))
    return Found(np.concatenate([above, cards.turned[below][::-1]]), best, best, True)


def _leave_out(
    table: Table, masks: Masks, size: int, cost: Floats, bound: Bound, beat: float
) -> tuple[Masks, Floats]:
    """Only those sets and cards that can still lead to a top cheaper than `beat`."""
    paid = _sums(masks, bound.price) - bound.price.sum()
    least = cost + paid[:, None] + bound.rest[size]
    cost[least > beat + 1e-9 * max(1.0, abs(beat))] = np.inf
    keep = np.isfinite(cost).any(axis=1)
    return masks[keep], cost[keep]


def _own_costs(table: Table, variant: Variant, size: int) -> Floats:
    """Cost of each card by itself, as the size-th board from the top."""
    own = table.cards.alone
    problem = table.problem
    if variant.plan is not None and variant.n_pick is not None and problem.place_value is not None:
        wanted = plan_of_place(variant.plan, variant.n_pick)[size - 1]
        value = problem.place_value[table.cards.board, table.cards.pose]
        own = own + problem.place_weight * np.abs(value - wanted)
    return own


def _first_layer(table: Table, masks: Masks, own: Floats) -> Floats:
    cost = np.full((len(masks), len(own)), np.inf)
    row = np.searchsorted(masks, np.uint64(1) << table.cards.board.astype(np.uint64))
    cost[row, np.arange(len(own))] = own
    return cost


def _grow(table: Table, before: _Layer, masks: Masks, seam: Floats, own: Floats) -> Floats:
    """Cheapest way to lay every set, ending in each card: one more board below the sets before."""
    cost = np.full((len(masks), len(own)), np.inf)
    for board in range(table.cards.boards_n):
        mine = np.flatnonzero(table.cards.board == board)
        rows = np.flatnonzero(_holds(masks, board))
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
                cost[rows[part], card] = (above + seam[:, card]).min(axis=1) + own[card]
    return cost


def _forbid(table: Table, masks: Masks, size: int, cost: Floats) -> None:
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


def _add_set_costs(table: Table, masks: Masks, size: int, variant: Variant, cost: Floats) -> None:
    """Charge, in place, what depends on the boards laid so far: paid at the seam that follows them."""
    cost += _set_costs(table, masks, size, variant)[:, None]


def _set_costs(table: Table, masks: Masks, size: int, variant: Variant) -> Floats:
    load = table.problem.balance_load
    if load is None:
        return np.zeros(len(masks))
    return np.asarray((_sums(masks, load) - variant.mean * size) ** 2)


def _pick_finished(
    table: Table, layer: _Layer, size: int, best: float, where: tuple[int, int, int] | None
) -> tuple[float, tuple[int, int, int] | None]:
    problem = table.problem
    rows = np.flatnonzero(_finished(table, layer.masks, size))
    if rows.size == 0:
        return best, where
    last = layer.cost[rows].argmin(axis=1)
    total = layer.cost[rows, last]
    if problem.target_width_mm is not None:
        over = np.maximum(0.0, _widths(table, layer.masks[rows]) - problem.target_width_mm)
        total = total + problem.waste_per_mm * over
    k = int(total.argmin())
    if total[k] < best:
        return float(total[k]), (size, int(rows[k]), int(last[k]))
    return best, where


def _walk_back(table: Table, layers: list[_Layer], seam: Floats, where: tuple[int, int, int]) -> Ints:
    size, row, card = where
    top = [card]
    mask = layers[size - 1].masks[row]
    while size > 1:
        mask ^= np.uint64(1 << int(table.cards.board[card]))
        size -= 1
        row = int(np.searchsorted(layers[size - 1].masks, mask))
        card = int((layers[size - 1].cost[row] + seam[:, card]).argmin())
        top.append(card)
    return np.array(top[::-1], dtype=np.intp)
