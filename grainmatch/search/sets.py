"""Sets of boards as bits of a number, many at a time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainmatch.search.evaluate import EPSILON_MM, Floats
from grainmatch.search.task import Task

MOST_BOARDS_N = 63
Masks = NDArray[np.uint64]


def holds(masks: Masks, board: int) -> NDArray[np.bool_]:
    """Which sets hold a board."""
    return np.asarray((masks >> np.uint64(board)) & np.uint64(1), dtype=bool)


def sum_over(masks: Masks, value: Floats) -> Floats:
    """Sum of a value a board over each set."""
    total = np.zeros(len(masks))
    for board in np.flatnonzero(value):
        total += value[board] * holds(masks, int(board))
    return total


def makes_top(task: Task, masks: Masks) -> NDArray[np.bool_]:
    """Which sets are a whole top: all that must be in it, the asked width, and no board to spare."""
    done = np.ones(len(masks), dtype=bool)
    for index in np.flatnonzero(task.must):
        done &= holds(masks, int(index))
    target = task.table.problem.target_width_mm
    if target is not None:
        width = sum_over(masks, task.table.width_mm)
        narrowest = np.full(len(masks), np.inf)
        for board, its in enumerate(task.table.width_mm):
            narrowest = np.where(holds(masks, board), np.minimum(narrowest, its), narrowest)
        done &= (width >= target - EPSILON_MM) & (width - narrowest < target - EPSILON_MM)
    return done


def waste_costs(task: Task, width_mm: Floats) -> Floats:
    """Price of the width beyond the asked one."""
    problem = task.table.problem
    if problem.target_width_mm is None:
        return np.zeros(len(width_mm))
    return problem.waste_per_mm * np.maximum(0.0, width_mm - problem.target_width_mm)


def parts_pair(task: Task, masks: Masks, last: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Where one of two boards that belong together is laid and buried without the other: last is the
    board below each set."""
    parted = np.zeros(np.broadcast_shapes(masks.shape, last.shape), dtype=bool)
    ids = task.table.problem.board_ids
    for rule in task.table.problem.rules:
        if rule.kind == "together":
            pair = [ids.index(b) for b in rule.boards[:2]]
            parted |= (holds(masks, pair[0]) ^ holds(masks, pair[1])) & ~np.isin(last, pair)
    return parted
