"""A problem as a flat list of cards: one card is one board in one pose it can take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.model import Problem

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Cards:
    """M cards. board, pose (M,): indices into the problem. alone (M,): cost of lying in the top. seam (M, M):
    cost of the first lying above the second, inf where both are one board. turned (M,): the same card
    end for end, -1 when that is not allowed."""

    board: NDArray[np.intp]
    pose: NDArray[np.intp]
    alone: Floats
    seam: Floats
    turned: NDArray[np.intp]
    boards_n: int


def deal_cards(problem: Problem) -> Cards:
    """All boards in all poses that are allowed."""
    board, pose = np.nonzero(np.isfinite(problem.pose_cost))
    seam = problem.seam_cost[board, pose][:, board, pose].copy()
    seam[board[:, None] == board[None, :]] = np.inf
    index = {(int(b), int(p)): k for k, (b, p) in enumerate(zip(board, pose, strict=True))}
    turn_of = problem.turn_of or tuple(range(len(problem.poses)))
    turned = [index.get((int(b), turn_of[int(p)]), -1) for b, p in zip(board, pose, strict=True)]
    return Cards(
        board,
        pose,
        problem.pose_cost[board, pose],
        seam,
        np.array(turned, dtype=np.intp),
        len(problem.board_ids),
    )
