"""A problem split into tasks: one choice among tone plans and balance means each; the best of them counts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from grainmatch.score.top import plan_of_place
from grainmatch.search.evaluate import EPSILON_MM, Floats, Ints, Table


@dataclass(frozen=True, eq=False)
class Task:
    """One way to count the whole-top terms, as a walk down the top sees it.

    own (places, M): cost of each card by itself at each place, inf where a rule forbids it. sizes: fewest
    and most boards. drift (N,): what each board moves the balance by; its square is charged at every seam.
    must (N,): boards that every top holds. upward: walked from the bottom of the top, seams and places
    accordingly.
    """

    table: Table
    own: Floats
    sizes: tuple[int, int]
    drift: Floats | None
    must: NDArray[np.bool_]
    upward: bool = False

    def lay(self, top: Ints) -> Ints:
        """A walk as a top, from its upper edge down."""
        return top[::-1] if self.upward else top


def list_tasks(table: Table) -> list[Task]:
    """Every choice of plan, mean and way that has to be solved; the best of their tops is the best top."""
    tasks = _list_downward(table)
    if _ways_differ(table):
        tasks += [_walk_upward(t, size) for t in tasks for size in range(t.sizes[0], t.sizes[1] + 1)]
    return tasks


def _list_downward(table: Table) -> list[Task]:
    problem = table.problem
    fewest, most = top_sizes(table)
    must = _must(table, fewest)
    means = problem.balance_means if problem.balance_load is not None else (0.0,)
    drifts = [None if problem.balance_load is None else problem.balance_load - mean for mean in means]
    if problem.place_value is None or not problem.place_plans:
        own = _own_costs(table, None, most)
        return [Task(table, own, (fewest, most), drift, must) for drift in drifts]
    plans = problem.place_plans
    if not problem.rules and set(plans) == {"light to dark", "dark to light"}:
        plans = plans[:1]  # the other one is the same top walked round
    return [
        Task(table, _own_costs(table, plan, size), (size, size), drift, must)
        for plan, drift, size in product(plans, drifts, range(fewest, most + 1))
    ]


def _ways_differ(table: Table) -> bool:
    """Whether walking up may count the balance differently: a top and the same one walked round are both
    met, unless rules tell them apart; and balance from the chosen boards' own mean is the same both ways."""
    problem = table.problem
    one_way = any(r.kind in ("place", "end_left") for r in problem.rules)
    return one_way and problem.balance_load is not None and problem.balance_means != (0.0,)


def _walk_upward(task: Task, size: int) -> Task:
    cards = task.table.cards
    turned_over = replace(task.table, cards=replace(cards, seam=np.ascontiguousarray(cards.seam.T)))
    own = task.own[:size][::-1]
    return replace(task, table=turned_over, own=own, sizes=(size, size), upward=True)


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


def _own_costs(table: Table, plan: str | None, most: int) -> Floats:
    cards, problem = table.cards, table.problem
    own = np.repeat(cards.alone[None], most, axis=0)
    if plan is not None and problem.place_value is not None:
        value = problem.place_value[cards.board, cards.pose]
        own += problem.place_weight * np.abs(value - plan_of_place(plan, most)[:, None])
    for rule in problem.rules:
        if rule.kind == "place":
            mine = cards.board == problem.board_ids.index(rule.boards[0])
            here = np.arange(most) == rule.place
            own[here[:, None] != mine[None]] = np.inf
    return own


def _must(table: Table, fewest: int) -> NDArray[np.bool_]:
    problem, boards = table.problem, np.unique(table.cards.board)
    must = np.zeros(table.cards.boards_n, dtype=bool)
    must[boards] = fewest == len(boards)
    for rule in problem.rules:
        if rule.kind in ("place", "include", "together"):
            must[[problem.board_ids.index(b) for b in rule.boards]] = True
    return must
