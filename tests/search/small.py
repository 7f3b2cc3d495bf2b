"""Made-up problems and their brute-force answer."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np

from grainmatch.model import Placement, Pose, Problem
from grainmatch.score.top import score_layout

POSES = (Pose("A", False), Pose("A", True), Pose("B", False), Pose("B", True))
TURN_OF = (1, 0, 3, 2)


def random_problem(
    n: int, seed: int, *, poses_n: int = 4, whole_top: bool = True, target: bool = False, plan: str = "even"
) -> Problem:
    """Random costs with the symmetry of real ones: the top walked round costs the same."""
    rng = np.random.default_rng(seed)
    turn = np.array(TURN_OF[:poses_n])
    seam = rng.uniform(0, 1, (n, poses_n, n, poses_n))
    walked = seam[:, turn][:, :, :, turn].transpose(2, 3, 0, 1)
    seam = (seam + walked) / 2
    alone = np.repeat(rng.uniform(0, 0.5, (n, poses_n // 2)), 2, axis=1)
    width = rng.uniform(60, 180, n)
    value = np.repeat(rng.normal(0, 0.7, (n, poses_n // 2)), 2, axis=1)
    load = rng.normal(0, 0.5, n)
    even = whole_top and plan == "even"
    plans = {"drift": ("light to dark", "dark to light"), "mirror": ("dark middle", "light middle")}
    return Problem(
        board_ids=tuple(f"b{k}" for k in range(n)),
        poses=POSES[:poses_n],
        width_mm=width,
        pose_cost=alone,
        seam_cost=seam,
        n_pick=None if target else n,
        target_width_mm=float(width.sum() * 0.6) if target else None,
        pose_terms={"knots": alone},
        seam_terms={"line_flow": seam},
        place_value=value if whole_top and plan != "even" else None,
        place_weight=0.6,
        place_plans=plans.get(plan, ()),
        balance_load=(load - load.mean()) if even else None,
        balance_means=((-0.3, 0.0, 0.3) if target else (0.0,)) if even else (),
        waste_per_mm=0.004,
        turn_of=TURN_OF[:poses_n],
    )


def keeps_rules(problem: Problem, order: tuple[int, ...], poses: tuple[int, ...]) -> bool:
    """Whether a top is allowed, read straight from the rules' definitions."""
    if problem.n_pick is not None and len(order) != problem.n_pick:
        return False
    if not all(np.isfinite(problem.pose_cost[b, p]) for b, p in zip(order, poses, strict=True)):
        return False
    width = problem.width_mm[list(order)]
    target = problem.target_width_mm
    if target is not None and (width.sum() < target or width.sum() - width.min() >= target):
        return False
    ids = [problem.board_ids[k] for k in order]
    for rule in problem.rules:
        if rule.kind == "place" and (len(ids) <= rule.place or ids[rule.place] != rule.boards[0]):
            return False
        if rule.kind == "include" and rule.boards[0] not in ids:
            return False
        if rule.kind == "together":
            if not all(b in ids for b in rule.boards):
                return False
            if abs(ids.index(rule.boards[0]) - ids.index(rule.boards[1])) != 1:
                return False
    return True


def brute_force(problem: Problem) -> float:
    """The least total over every choice, order and pose."""
    n = len(problem.board_ids)
    best = np.inf
    for k in range(1, n + 1) if problem.n_pick is None else [problem.n_pick]:
        for order in permutations(range(n), k):
            for poses in product(range(len(problem.poses)), repeat=k):
                if not keeps_rules(problem, order, poses):
                    continue
                placements = [
                    Placement(problem.board_ids[b], problem.poses[p])
                    for b, p in zip(order, poses, strict=True)
                ]
                best = min(best, score_layout(problem, placements).total)
    return best
