"""Which of many lines to follow over which rows, when each of them costs something to begin."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def best_stretches(gain: NDArray[np.floating[Any]], cost: float) -> list[tuple[int, int, int]]:
    """The stretches (line, first row, row after the last), in order and apart, in which the gains (rows,
    lines), less the cost of each stretch, add up to most (Viterbi, IEEE Trans. Inform. Theory 13(2), 1967).
    """
    rows, lines = gain.shape
    on, off = np.full(lines, -np.inf), 0.0
    begun = np.zeros((rows, lines), dtype=bool)
    leaving = [(0, False)] * (
        rows + 1
    )  # before each row: the line that had gained most, and whether to leave it
    for row in range(rows + 1):
        best = int(on.argmax())
        leaving[row] = best, bool(on[best] > off)
        off = max(off, float(on[best]))
        if row < rows:
            begun[row] = off - cost > on
            on = np.where(begun[row], off - cost, on) + gain[row]
    stretches: list[tuple[int, int, int]] = []
    row = rows
    while row > 0:
        line, leave = leaving[row]
        if not leave:
            row -= 1
            continue
        first = int(np.flatnonzero(begun[:row, line])[-1])
        stretches.append((line, first, row))
        row = first
    return stretches[::-1]
