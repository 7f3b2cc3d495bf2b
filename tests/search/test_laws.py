"""Laws every search and score must keep."""

from __future__ import annotations

import copy
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainmatch.model import Placement, Pose, Problem, Rule
from grainmatch.score.top import score_layout
from grainmatch.search.best import MOST_SHARED_FRAC, search_layouts, search_one
from grainmatch.search.bound import bound_tops, free_prices
from grainmatch.search.change import finish_around, suggest_change
from grainmatch.search.evaluate import open_table, total_costs
from grainmatch.search.exact import search_exact
from grainmatch.search.local import search_local
from grainmatch.search.narrow import search_narrow
from grainmatch.search.prove import search_proven
from grainmatch.search.task import list_tasks
from tests.search.small import random_problem

PLANS = st.sampled_from(["even", "drift", "mirror"])


def random_top(problem: Problem, seed: int, k: int) -> tuple[Placement, ...]:
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(problem.board_ids))[:k]
    return tuple(
        Placement(problem.board_ids[b], problem.poses[rng.integers(len(problem.poses))]) for b in order
    )


def turn(placement: Placement) -> Placement:
    pose = placement.pose
    return Placement(placement.board_id, Pose(pose.side_up, not pose.turned, pose.slide_mm))


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 9), plan=PLANS, target=st.booleans())
def test_the_top_walked_round_scores_the_same(seed: int, n: int, plan: str, target: bool) -> None:
    problem = random_problem(n, seed, plan=plan, target=target)
    top = random_top(problem, seed, n - (n > 3))
    round_about = tuple(turn(p) for p in top[::-1])
    assert score_layout(problem, round_about).total == pytest.approx(score_layout(problem, top).total)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), plan=PLANS)
def test_turning_twice_changes_nothing(seed: int, plan: str) -> None:
    problem = random_problem(5, seed, plan=plan)
    top = random_top(problem, seed, 5)
    assert score_layout(problem, [turn(turn(p)) for p in top]) == score_layout(problem, top)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), plan=PLANS)
def test_many_at_once_equals_one_by_one(seed: int, plan: str) -> None:
    problem = random_problem(6, seed, plan=plan)
    table = open_table(problem)
    rng = np.random.default_rng(seed)
    tops = np.array([rng.permutation(6) * 4 + rng.integers(0, 4, 6) for _ in range(5)])
    for top, total in zip(tops, total_costs(table, tops), strict=True):
        placements = [Placement(problem.board_ids[c // 4], problem.poses[c % 4]) for c in top]
        assert score_layout(problem, placements).total == pytest.approx(total)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), plan=PLANS)
def test_shuffled_boards_give_the_same_best_total(seed: int, plan: str) -> None:
    problem = random_problem(6, seed, plan=plan)
    order = np.random.default_rng(seed).permutation(6)
    shuffled = replace(
        problem,
        board_ids=tuple(problem.board_ids[k] for k in order),
        width_mm=problem.width_mm[order],
        pose_cost=problem.pose_cost[order],
        seam_cost=problem.seam_cost[order][:, :, order],
        pose_terms={k: v[order] for k, v in problem.pose_terms.items()},
        seam_terms={k: v[order][:, :, order] for k, v in problem.seam_terms.items()},
        place_value=None if problem.place_value is None else problem.place_value[order],
        balance_load=None if problem.balance_load is None else problem.balance_load[order],
    )
    one, other = search_layouts(problem, n_best=1)[0], search_layouts(shuffled, n_best=1)[0]
    assert one.score.total == pytest.approx(other.score.total)


@settings(max_examples=10, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    plan=PLANS,
    target=st.booleans(),
    cells_n=st.sampled_from([0, 16]),
    rules=st.sampled_from([(), (Rule("place", ("b2",), place=1), Rule("together", ("b0", "b3")))]),
)
def test_bound_under_exact_under_local(
    seed: int, plan: str, target: bool, cells_n: int, rules: tuple[Rule, ...]
) -> None:
    """The plain programme knows no bound, the narrow front lives by it: they must agree, task by task."""
    table = open_table(replace(random_problem(7, seed, plan=plan, target=target), rules=rules))
    _, local = search_local(table, seed=seed, kicks_n=3)
    totals = []
    for task in list_tasks(table):
        exact = search_exact(task)[1]
        reach = min(exact, 100.0) ** 0.5
        bound = bound_tops(task, local, prices=free_prices(task), rounds_n=15, cells_n=cells_n, reach=reach)
        assert bound.value <= exact + 1e-9
        for width_n in (40, 100_000):
            missed = search_narrow(task, bound, np.inf, width_n=width_n)
            assert missed.least <= exact + 1e-4
            assert missed.total >= exact - 1e-9
        assert missed.total == pytest.approx(exact)
        totals.append(exact)
    assert min(totals) <= local + 1e-9
    found = search_proven(table)
    assert found.complete
    assert found.total == pytest.approx(min(totals))


def test_same_seed_same_layouts_and_nothing_given_is_changed() -> None:
    problem = random_problem(8, 4)
    before = copy.deepcopy(problem)
    first, second = search_layouts(problem), search_layouts(problem)
    assert [x.placements for x in first] == [x.placements for x in second]
    for name in ("seam_cost", "pose_cost", "width_mm"):
        np.testing.assert_array_equal(getattr(problem, name), getattr(before, name))


def test_the_best_few_share_at_most_half_their_seams() -> None:
    layouts = search_layouts(random_problem(8, 2), n_best=3)
    assert len(layouts) == 3

    def seams(placements: tuple[Placement, ...]) -> set[tuple[Placement, Placement]]:
        ways = (placements, tuple(turn(p) for p in placements[::-1]))
        return {(a, b) for way in ways for a, b in pairwise(way)}

    for k, one in enumerate(layouts):
        for other in layouts[:k]:
            shared = len(seams(one.placements) & seams(other.placements)) / 2
            assert shared <= MOST_SHARED_FRAC * 7
    assert layouts[0].proven_optimal
    assert not any(x.proven_optimal for x in layouts[1:])
    assert all(x.remarks for x in layouts[1:])


def test_a_pile_too_large_for_the_plain_programme_is_proven() -> None:
    problem = random_problem(19, 3, poses_n=2, whole_top=False)
    table = open_table(problem)
    found = search_one(table)
    assert found.complete
    assert found.bound == pytest.approx(found.total)


def test_suggested_change_helps_as_much_as_it_says() -> None:
    problem = random_problem(8, 6)
    top = random_top(problem, 1, 8)
    change = suggest_change(problem, top)
    assert change is not None
    gain = score_layout(problem, top).total - score_layout(problem, change.layout.placements).total
    assert gain == pytest.approx(change.gain)
    assert gain > 0
    assert suggest_change(problem, search_layouts(problem, n_best=1)[0].placements) is None


def test_finishing_round_keeps_what_is_locked() -> None:
    problem = random_problem(7, 8)
    locked = {0: Placement("b3", Pose("B", True)), 4: Placement("b1", Pose("A", False))}
    done = finish_around(problem, locked)
    assert {k: done.placements[k] for k in locked} == locked


def test_sixteen_boards_are_scored_within_20_ms() -> None:
    problem = random_problem(16, 1)
    top = random_top(problem, 1, 16)
    score_layout(problem, top)
    start = time.perf_counter()
    for _ in range(20):
        score_layout(problem, top)
    assert (time.perf_counter() - start) / 20 < 0.02
