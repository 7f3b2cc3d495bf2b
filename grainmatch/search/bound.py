"""Proven lower bounds for piles too large for the plain programme.

A top is relaxed to a walk from card to card in which a board may come up again, priced by a multiplier a
board so that repeats do not pay: Christofides, Mingozzi & Toth (1981), "State-space relaxation procedures
for the computation of bounds to routing problems", Networks 11; multipliers by the subgradient method of
Held & Karp (1971), Math. Programming 1. Costs of the whole top that are not a place's are never negative
and are left out, so the bound holds for the whole score.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grainmatch.search.evaluate import EPSILON_MM, Floats, Table

_ROUNDS_N = 150


@dataclass(frozen=True, eq=False)
class Bound:
    """value: no top of this variant costs less. price (N,): multiplier a board. rest (sizes + 1, M): least
    that finishing costs after `size` boards ending in a card, multipliers included."""

    value: float
    price: Floats
    rest: Floats


def top_sizes(table: Table) -> tuple[int, int]:
    """Fewest and most boards a top can have."""
    problem = table.problem
    if problem.n_pick is not None:
        return problem.n_pick, problem.n_pick
    width = np.sort(problem.width_mm[np.unique(table.cards.board)])
    if problem.target_width_mm is None:
        return 1, len(width)
    target = problem.target_width_mm - EPSILON_MM
    fewest = int(np.searchsorted(np.cumsum(width[::-1]), target)) + 1
    most = int((np.concatenate([[0.0], np.cumsum(width)[:-1]]) < target).sum())
    return min(fewest, len(width)), most


def bound_tops(table: Table, own: Floats, sizes: tuple[int, int], beat: float) -> Bound:
    """own (places, M): cost of each card by itself at each place. beat: a total reached already."""
    cards = table.cards
    price = np.zeros(cards.boards_n)
    every = sizes[0] == sizes[1] == len(np.unique(cards.board))
    best = _walk(table, own, sizes, price)
    step = 1.0
    since = 0
    for _ in range(_ROUNDS_N):
        found, visits = best if since == 0 else _walk(table, own, sizes, price)
        if found.value > best[0].value + 1e-12:
            best, since = (found, visits), 0
        since += 1
        if since % 12 == 0:
            step *= 0.6
            price = best[0].price.copy()
            visits = best[1]
        slope = visits - 1.0 if every else np.where((visits > 1) | (price > 0), visits - 1.0, 0.0)
        size = float((slope**2).sum())
        if size == 0 or step < 1e-3:
            break
        gap = max(beat - found.value, 1e-3 * max(abs(beat), 1.0)) if np.isfinite(beat) else 1.0
        price = price + step * gap / size * slope
        if not every:
            price = np.maximum(price, 0.0)
    return best[0]


def _walk(table: Table, own: Floats, sizes: tuple[int, int], price: Floats) -> tuple[Bound, Floats]:
    """The cheapest walk at these prices, and how often it visits each board."""
    cards, (fewest, most) = table.cards, sizes
    priced = own + price[cards.board]
    rest = np.full((most + 1, len(cards.board)), np.inf)
    follow = np.full((most + 1, len(cards.board)), -1, dtype=np.intp)
    for size in range(most, 0, -1):
        if size >= fewest:
            rest[size] = 0.0
        if size < most:
            onward = cards.seam + (priced[size] + rest[size + 1])[None, :]
            nearest = onward.argmin(axis=1)
            cost = onward[np.arange(len(nearest)), nearest]
            better = cost < rest[size]
            follow[size, better], rest[size, better] = nearest[better], cost[better]
    card = int((priced[0] + rest[1]).argmin())
    value = float(priced[0, card] + rest[1, card] - price.sum())
    visits = np.zeros(cards.boards_n)
    size = 1
    while card >= 0:
        visits[cards.board[card]] += 1
        card, size = int(follow[size, card]), size + 1
    return Bound(value, price.copy(), rest), visits
