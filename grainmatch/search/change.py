"""Help while arranging by hand: the one change that helps most, and finishing round what is fixed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from grainmatch.errors import LayoutError
from grainmatch.model import Layout, Placement, Problem, Rule
from grainmatch.score.problem import forbid_poses
from grainmatch.score.top import find_cards, score_layout
from grainmatch.search.best import search_layouts
from grainmatch.search.evaluate import Ints, Table, open_table, to_layout, total_costs
from grainmatch.search.local import neighbourhoods


@dataclass(frozen=True)
class Change:
    """The single change that lowers the score most: what to do, the layout it gives, and by how much."""

    words: str
    layout: Layout
    gain: float


def suggest_change(problem: Problem, placements: Sequence[Placement]) -> Change | None:
    """Try every single change (another pose, a swap, a run of boards moved or walked round, a spare board
    for another) and name the best; None when none helps. Raises LayoutError for a board or pose unknown."""
    table = open_table(problem)
    top = _cards_of(table, placements)
    now = score_layout(problem, placements).total
    best, best_total = None, now - 1e-9
    for tops in neighbourhoods(table, top):
        if len(tops):
            totals = total_costs(table, tops)
            k = int(totals.argmin())
            if totals[k] < best_total:
                best, best_total = tops[k], float(totals[k])
    if best is None:
        return None
    layout = to_layout(table, best, proven=False, bound=None)
    return Change(_describe(table, top, best), layout, now - best_total)


def finish_around(problem: Problem, locked: Mapping[int, Placement]) -> Layout:
    """The best arrangement in which each locked placement keeps its index from the top (0-based), face and
    direction. Raises LayoutError when there is none."""
    rules = list(problem.rules)
    pose_cost = problem.pose_cost.copy()
    for place, placement in locked.items():
        board, pose = (int(v[0]) for v in find_cards(problem, (placement,)))
        others = np.arange(len(problem.poses)) != pose
        pose_cost[board, others] = np.inf
        rules.append(Rule("place", (placement.board_id,), place=place))
    fixed = replace(problem, pose_cost=pose_cost, rules=tuple(rules))
    found = search_layouts(fixed, n_best=1)[0]
    return replace(found, proven_optimal=False, bound=None)


def with_rules(problem: Problem, rules: Sequence[Rule]) -> Problem:
    """The problem under further hard rules."""
    pose_cost = problem.pose_cost.copy()
    forbid_poses(pose_cost, problem.board_ids, rules)
    return replace(problem, pose_cost=pose_cost, rules=(*problem.rules, *rules))


def _cards_of(table: Table, placements: Sequence[Placement]) -> Ints:
    board, pose = find_cards(table.problem, placements)
    index = {pair: k for k, pair in enumerate(zip(table.cards.board, table.cards.pose, strict=True))}
    try:
        return np.array([index[pair] for pair in zip(board, pose, strict=True)], dtype=np.intp)
    except KeyError as error:
        raise LayoutError("A board lies in a pose it cannot take.", "Turn it back.") from error


def _describe(table: Table, before: Ints, after: Ints) -> str:
    """What was done, by comparing two arrangements one step apart."""
    cards, ids = table.cards, table.problem.board_ids
    old, new = [ids[b] for b in cards.board[before]], [ids[b] for b in cards.board[after]]
    came, went = [i for i in new if i not in old], [i for i in old if i not in new]
    if came or went:
        return (
            f"Use board {came[0]} instead of {went[0]}."
            if came and went
            else (f"Add board {came[0]}." if came else f"Leave out board {went[0]}.")
        )
    moved = [k for k in range(len(old)) if old[k] != new[k]]
    if not moved:
        k = int(np.flatnonzero(before != after)[0])
        return _describe_pose(table, ids[cards.board[after[k]]], int(before[k]), int(after[k]))
    first, last = moved[0], moved[-1]
    if len(moved) == 2 and before[first] == after[last]:
        return f"Swap boards {old[first]} and {old[last]}."
    if new[first : last + 1] == old[first : last + 1][::-1]:
        return f"Walk boards {', '.join(old[first : last + 1])} round together, end for end."
    if new[first] == old[last]:
        return f"Move board {old[last]} up to place {first + 1}."
    if new[last] == old[first]:
        return f"Move board {old[first]} down to place {last + 1}."
    return f"Lay places {first + 1} to {last + 1} in the order {', '.join(new[first : last + 1])}."


def _describe_pose(table: Table, board_id: str, before: int, after: int) -> str:
    old, new = (table.problem.poses[table.cards.pose[c]] for c in (before, after))
    steps = []
    if old.side_up != new.side_up:
        steps.append(f"lay face {new.side_up} up")
    if old.turned != new.turned:
        steps.append("turn it end for end")
    return f"Board {board_id}: {' and '.join(steps) or 'shift it'}."
