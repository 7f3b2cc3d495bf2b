"""The score of a whole top: the sum every search minimises and every layout shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import LayoutError
from grainmatch.model import Placement, Problem, Score

Floats = NDArray[np.float64]


def score_layout(problem: Problem, placements: Sequence[Placement]) -> Score:
    """Score an arrangement, top to bottom; lower is better. Rules are not checked here.

    Raises LayoutError for a board that is not in the pile or a pose it cannot take.
    """
    board, pose = find_cards(problem, placements)
    terms: dict[str, float] = {}
    for name, alone in problem.pose_terms.items():
        _add(terms, name, float(alone[board, pose].sum()))
    for name, seam in problem.seam_terms.items():
        _add(terms, name, float(seam[board[:-1], pose[:-1], board[1:], pose[1:]].sum()))
    _add(terms, "even_tone", place_cost(problem, board, pose))
    _add(terms, "even_tone", balance_cost(problem, board))
    _add(terms, "waste", waste_cost(problem, board))
    look = problem.seam_cost if problem.seam_look is None else problem.seam_look
    seams = tuple(float(v) for v in look[board[:-1], pose[:-1], board[1:], pose[1:]])
    return Score(terms, float(sum(terms.values())), seams, _seam_reasons(problem, board, pose))


def _seam_reasons(problem: Problem, board: NDArray[np.intp], pose: NDArray[np.intp]) -> tuple[str, ...]:
    """The largest share of each seam's look."""
    names = list(problem.look_terms)
    if not names or len(board) < 2:
        return ()
    shares = np.array([problem.look_terms[n][board[:-1], pose[:-1], board[1:], pose[1:]] for n in names])
    return tuple(names[k] for k in shares.argmax(axis=0))


def find_cards(
    problem: Problem, placements: Sequence[Placement]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices (k,) of the boards and of the poses nearest to how they lie."""
    index = {board: k for k, board in enumerate(problem.board_ids)}
    boards, poses = [], []
    for placement in placements:
        if placement.board_id not in index:
            raise LayoutError(f"Board {placement.board_id} is not in the pile.", "Use boards of this job.")
        board = index[placement.board_id]
        boards.append(board)
        poses.append(_nearest_pose(problem, placement))
    return np.array(boards, dtype=np.intp), np.array(poses, dtype=np.intp)


def _nearest_pose(problem: Problem, placement: Placement) -> int:
    wanted = placement.pose
    alike = [
        p
        for p, pose in enumerate(problem.poses)
        if (pose.side_up, pose.turned) == (wanted.side_up, wanted.turned)
    ]
    if not alike:
        raise LayoutError(
            f"Board {placement.board_id} cannot lie with face {wanted.side_up} up.", "Choose its other face."
        )
    return min(alike, key=lambda p: abs(problem.poses[p].slide_mm - wanted.slide_mm))


def plan_of_place(plan: str, n: int) -> Floats:
    """Wanted lightness along a top of n boards, (n,), from -1 (darkest) to 1 (lightest)."""
    ramp = np.linspace(1.0, -1.0, n) if n > 1 else np.zeros(1)
    arch = 2 * np.abs(ramp) - 1
    return {"light to dark": ramp, "dark to light": -ramp, "dark middle": arch, "light middle": -arch}[plan]


def place_cost(problem: Problem, board: NDArray[np.intp], pose: NDArray[np.intp]) -> float:
    """How far each board's tone is from the plan at its place; the best of the allowed plans counts."""
    if problem.place_value is None or not problem.place_plans:
        return 0.0
    value = problem.place_value[board, pose]
    plans = [plan_of_place(plan, len(board)) for plan in problem.place_plans]
    return float(min(problem.place_weight * np.abs(value - plan).sum() for plan in plans))


def balance_cost(problem: Problem, board: NDArray[np.intp]) -> float:
    """Squared sum of the loads so far, charged at every seam; the best of the means and ways counts."""
    if problem.balance_load is None or len(board) < 2:
        return 0.0
    load, steps = problem.balance_load[board], np.arange(1, len(board))
    return float(
        min(
            ((np.cumsum(way)[:-1] - mean * steps) ** 2).sum()
            for way in (load, load[::-1])
            for mean in problem.balance_means
        )
    )


def waste_cost(problem: Problem, board: NDArray[np.intp]) -> float:
    """Width beyond the asked one."""
    if problem.target_width_mm is None:
        return 0.0
    return problem.waste_per_mm * max(0.0, float(problem.width_mm[board].sum()) - problem.target_width_mm)


def _add(terms: dict[str, float], name: str, value: float) -> None:
    if value:
        terms[name] = terms.get(name, 0.0) + value
