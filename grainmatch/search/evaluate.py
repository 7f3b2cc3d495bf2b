"""The score of many arrangements at once, on cards; equal to `score.top.score_layout`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.model import Layout, Placement, Problem
from grainmatch.score.top import plan_of_place, score_layout
from grainmatch.search.cards import Cards, deal_cards

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
EPSILON_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Table:
    """A problem on the search's table: its cards, and what is asked of the whole top."""

    problem: Problem
    cards: Cards

    @property
    def width_mm(self) -> Floats:
        """Usable width of every board."""
        return self.problem.width_mm


def open_table(problem: Problem) -> Table:
    """Lay a problem out for searching."""
    return Table(problem, deal_cards(problem))


def total_costs(table: Table, tops: Ints) -> Floats:
    """Totals (m,) of m arrangements (m, k) of cards; inf where a rule or the width forbids one."""
    cards, problem = table.cards, table.problem
    board = cards.board[tops]
    total = cards.alone[tops].sum(axis=1) + cards.seam[tops[:, :-1], tops[:, 1:]].sum(axis=1)
    total = total + _place_costs(table, tops) + _balance_costs(table, board)
    width = problem.width_mm[board].sum(axis=1)
    if problem.target_width_mm is not None:
        total = total + problem.waste_per_mm * np.maximum(0.0, width - problem.target_width_mm)
    total[~allowed(table, board, width)] = np.inf
    return np.asarray(total)


def _place_costs(table: Table, tops: Ints) -> Floats:
    problem, cards = table.problem, table.cards
    if problem.place_value is None or not problem.place_plans:
        return np.zeros(len(tops))
    value = problem.place_value[cards.board, cards.pose][tops]
    plans = np.array([plan_of_place(plan, tops.shape[1]) for plan in problem.place_plans])
    return np.asarray(problem.place_weight * np.abs(value[:, None] - plans).sum(axis=2).min(axis=1))


def _balance_costs(table: Table, board: Ints) -> Floats:
    problem = table.problem
    if problem.balance_load is None or board.shape[1] < 2:
        return np.zeros(len(board))
    load = problem.balance_load[board]
    drift = np.array(problem.balance_means)[:, None] * np.arange(1, board.shape[1])
    both = [
        ((np.cumsum(way, axis=1)[:, None, :-1] - drift) ** 2).sum(axis=2).min(axis=1)
        for way in (load, load[:, ::-1])
    ]
    return np.asarray(np.minimum(both[0], both[1]))


def allowed(table: Table, board: Ints, width: Floats) -> NDArray[np.bool_]:
    """Which arrangements (m, k) of boards keep the hard rules and make the asked width."""
    problem = table.problem
    ok = np.ones(len(board), dtype=bool)
    if problem.n_pick is not None:
        ok &= board.shape[1] == problem.n_pick
    if problem.target_width_mm is not None:
        narrowest = problem.width_mm[board].min(axis=1)
        ok &= width >= problem.target_width_mm - EPSILON_MM
        ok &= width - narrowest < problem.target_width_mm - EPSILON_MM
    for rule in problem.rules:
        first = board == problem.board_ids.index(rule.boards[0])
        if rule.kind == "place":
            ok &= first[:, rule.place] if rule.place < board.shape[1] else False
        elif rule.kind == "include":
            ok &= first.any(axis=1)
        elif rule.kind == "together":
            second = board == problem.board_ids.index(rule.boards[1])
            beside = first[:, :-1] & second[:, 1:] | second[:, :-1] & first[:, 1:]
            ok &= beside.any(axis=1)
    return ok


def to_layout(table: Table, top: Ints, *, proven: bool, bound: float | None) -> Layout:
    """An arrangement of cards as a layout with its score; spare width is ripped off the outer edges."""
    problem, cards = table.problem, table.cards
    board, pose = cards.board[top], cards.pose[top]
    rips = np.zeros((len(top), 2))
    scored = score_layout(problem, _place_cards(problem, board, pose, rips))
    if problem.target_width_mm is not None:
        spare = max(0.0, float(problem.width_mm[board].sum()) - problem.target_width_mm)
        rips[0, 0] += spare / 2
        rips[-1, 1] += spare / 2
    placements = _place_cards(problem, board, pose, rips)
    if bound is not None and not np.isfinite(bound):
        bound = None
    return Layout(placements, scored, proven, scored.total if proven else bound, problem.top_mm)


def _place_cards(problem: Problem, board: Ints, pose: Ints, rips: Floats) -> tuple[Placement, ...]:
    return tuple(
        Placement(problem.board_ids[b], problem.poses[p], (float(r[0]), float(r[1])))
        for b, p, r in zip(board, pose, rips, strict=True)
    )
