"""Good arrangements of piles too large to prove: steepest descent over whole neighbourhoods, restarted.

Every neighbour is priced with the full score, whole-top terms included, many at a time.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from grainmatch.search.evaluate import Ints, Table, total_costs

_KICKS_N = 40


def search_local(
    table: Table,
    *,
    seed: int,
    start: Ints | None = None,
    kicks_n: int = _KICKS_N,
    report: Callable[[int, int], None] | None = None,
) -> tuple[Ints | None, float]:
    """The best arrangement found and its total; (None, inf) when none was found."""
    rng = np.random.default_rng(seed)
    current = _greedy(table, rng) if start is None else start
    if current is None:
        return None, np.inf
    current, cost = _descend(table, current)
    best, best_cost = current, cost
    for kick in range(kicks_n):
        trial, trial_cost = _descend(table, _kick(table, best, rng))
        if trial_cost < best_cost - 1e-12:
            best, best_cost = trial, trial_cost
        if report:
            report(kick + 1, kicks_n)
    return (best, best_cost) if np.isfinite(best_cost) else (None, np.inf)


def _greedy(table: Table, rng: np.random.Generator) -> Ints | None:
    """Any arrangement that is allowed, made by adding the board that fits best below."""
    cards = table.cards
    for _ in range(60):
        top = [int(rng.integers(len(cards.board)))]
        free = cards.board != cards.board[top[0]]
        while not _enough(table, top):
            if not free.any():
                break
            cost = np.where(free, cards.seam[top[-1]] + cards.alone, np.inf) * rng.uniform(1, 1.2, len(free))
            top.append(int(np.argmin(cost)))
            free &= cards.board != cards.board[top[-1]]
        made = _repair(table, np.array(top, dtype=np.intp))
        if np.isfinite(total_costs(table, made[None])[0]):
            return made
    return None


def _enough(table: Table, top: list[int]) -> bool:
    problem = table.problem
    if problem.n_pick is not None:
        return len(top) >= problem.n_pick
    boards = table.cards.board[top]
    return problem.target_width_mm is None or float(problem.width_mm[boards].sum()) >= problem.target_width_mm


def _repair(table: Table, top: Ints) -> Ints:
    """Drop boards the width does not need, and put boards with a fixed place there."""
    problem, cards = table.problem, table.cards
    if problem.target_width_mm is not None:
        widths = problem.width_mm[cards.board[top]]
        while len(top) > 1 and widths.sum() - widths.min() >= problem.target_width_mm:
            keep = np.arange(len(top)) != widths.argmin()
            top, widths = top[keep], widths[keep]
    for rule in problem.rules:
        if rule.kind in ("place", "include", "together"):
            for board in rule.boards:
                index = problem.board_ids.index(board)
                if index not in cards.board[top]:
                    spare = [k for k, c in enumerate(top) if not _wanted(table, int(c))]
                    if spare:
                        top[spare[0]] = np.flatnonzero(cards.board == index)[0]
    for rule in problem.rules:
        where = np.flatnonzero(cards.board[top] == problem.board_ids.index(rule.boards[0]))
        if rule.kind == "place" and where.size and rule.place < len(top):
            top[[where[0], rule.place]] = top[[rule.place, where[0]]]
    return top


def _wanted(table: Table, card: int) -> bool:
    board = table.problem.board_ids[int(table.cards.board[card])]
    return any(board in r.boards for r in table.problem.rules if r.kind in ("place", "include", "together"))


def _descend(table: Table, top: Ints) -> tuple[Ints, float]:
    cost = float(total_costs(table, top[None])[0])
    while True:
        best, best_cost = top, cost
        for tops in neighbourhoods(table, top):
            if not len(tops):
                continue
            costs = total_costs(table, tops)
            k = int(costs.argmin())
            if costs[k] < best_cost - 1e-12:
                best, best_cost = tops[k], float(costs[k])
        if best is top:
            return top, cost
        top, cost = best, best_cost


def neighbourhoods(table: Table, top: Ints) -> list[Ints]:
    """Every arrangement one change away, in batches (m, k)."""
    cards, k = table.cards, len(top)
    near = [_other_poses(table, top), _reversals(table, top), _moves(top), _swaps(top)]
    out = np.setdiff1d(np.arange(len(cards.board)), np.flatnonzero(np.isin(cards.board, cards.board[top])))
    if out.size:
        place, card = np.divmod(np.arange(k * out.size), out.size)
        tops = np.repeat(top[None], len(place), axis=0)
        tops[np.arange(len(place)), place] = out[card]
        near.append(tops)
        if table.problem.n_pick is None:
            place, card = np.divmod(np.arange((k + 1) * out.size), out.size)
            near.append(np.array([np.insert(top, p, out[c]) for p, c in zip(place, card, strict=True)]))
    if table.problem.n_pick is None and k > 2:
        near.append(np.array([np.delete(top, p) for p in range(k)]))
    return near


def _other_poses(table: Table, top: Ints) -> Ints:
    made = []
    for place, card in enumerate(top):
        for other in np.flatnonzero(table.cards.board == table.cards.board[card]):
            if other != card:
                made.append(np.concatenate([top[:place], [other], top[place + 1 :]]))
    return np.array(made, dtype=np.intp).reshape(-1, len(top))


def _reversals(table: Table, top: Ints) -> Ints:
    """Every run of boards walked round in place."""
    turned = table.cards.turned
    made = []
    for a in range(len(top)):
        for b in range(a + 1, len(top)):
            run = turned[top[a : b + 1]][::-1]
            if (run >= 0).all():
                made.append(np.concatenate([top[:a], run, top[b + 1 :]]))
    return np.array(made, dtype=np.intp).reshape(-1, len(top))


def _moves(top: Ints) -> Ints:
    """Every run of one to three boards carried elsewhere."""
    k, made = len(top), []
    for size in (1, 2, 3):
        for a in range(k - size + 1):
            rest = np.concatenate([top[:a], top[a + size :]])
            made += [
                np.concatenate([rest[:b], top[a : a + size], rest[b:]])
                for b in range(len(rest) + 1)
                if b != a
            ]
    return np.array(made, dtype=np.intp).reshape(-1, k)


def _swaps(top: Ints) -> Ints:
    a, b = np.triu_indices(len(top), 1)
    tops = np.repeat(top[None], len(a), axis=0)
    rows = np.arange(len(a))
    tops[rows, a], tops[rows, b] = top[b], top[a]
    return tops


def _kick(table: Table, top: Ints, rng: np.random.Generator) -> Ints:
    """Cut the top into four runs and lay the middle two the other way about."""
    k = len(top)
    if k < 4:
        return np.asarray(rng.permutation(top))
    a, b, c = np.sort(rng.choice(np.arange(1, k), size=3, replace=False))
    return np.concatenate([top[:a], top[b:c], top[a:b], top[c:]])
