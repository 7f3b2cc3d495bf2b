"""The exact search against brute force over every order and pose."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations, product

import numpy as np
import pytest

from grainmatch.errors import LayoutError
from grainmatch.model import Rule
from grainmatch.search.best import search_layouts
from grainmatch.search.evaluate import open_table, total_costs
from grainmatch.search.prove import search_quickly
from tests.search.small import brute_force, random_problem


@pytest.mark.parametrize("plan", ["even", "drift", "mirror"])
def test_equals_brute_force_with_all_whole_top_terms(plan: str) -> None:
    problem = random_problem(4, seed=3, plan=plan)
    best = search_layouts(problem, n_best=1)[0]
    assert best.proven_optimal
    assert best.score.total == pytest.approx(brute_force(problem), abs=1e-9)


@pytest.mark.parametrize("plan", ["even", "drift", "mirror"])
def test_five_boards_in_four_poses_equal_all_122880_tops(plan: str) -> None:
    """total_costs is held against score_layout in test_laws.py."""
    problem = random_problem(5, seed=9, plan=plan)
    poses = np.array(list(product(range(4), repeat=5)))
    tops = np.concatenate([np.array(order) * 4 + poses for order in permutations(range(5))])
    least = total_costs(open_table(problem), tops).min()
    assert search_layouts(problem, n_best=1)[0].score.total == pytest.approx(least, abs=1e-9)


@pytest.mark.parametrize("plan", ["even", "drift", "mirror"])
def test_equals_brute_force_when_choosing_boards_for_a_width(plan: str) -> None:
    problem = random_problem(5, seed=5, poses_n=2, target=True, plan=plan)
    best = search_layouts(problem, n_best=1)[0]
    assert best.score.total == pytest.approx(brute_force(problem), abs=1e-9)


@pytest.mark.parametrize(
    "rules",
    [
        (Rule("place", ("b2",), place=0),),
        (Rule("together", ("b0", "b3")),),
        (Rule("place", ("b1",), place=2), Rule("together", ("b0", "b2"))),
    ],
)
def test_hard_rules_hold_and_the_rest_is_still_best(rules: tuple[Rule, ...]) -> None:
    problem = replace(random_problem(4, seed=7), rules=rules)
    best = search_layouts(problem, n_best=1)[0]
    assert best.score.total == pytest.approx(brute_force(problem), abs=1e-9)


def test_rules_that_cannot_be_kept_are_said() -> None:
    rules = (Rule("place", ("b0",), place=0), Rule("place", ("b1",), place=0))
    with pytest.raises(LayoutError):
        search_layouts(replace(random_problem(4, seed=1), rules=rules))


@pytest.mark.parametrize("target", [False, True])
def test_a_quick_answer_for_few_boards_is_the_best(target: bool) -> None:
    problem = random_problem(5, seed=31, poses_n=2, target=target)
    _, total = search_quickly(open_table(problem))
    assert total == pytest.approx(brute_force(problem), abs=1e-9)
