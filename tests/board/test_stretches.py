"""Lines followed in turn, against every way of doing so."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from grainmatch.board.stretches import best_stretches

Stretch = tuple[int, int, int]


def every_way(rows: int, lines: int, first: int = 0) -> Iterator[list[Stretch]]:
    """All sets of stretches that lie apart or meet, from row `first` on."""
    yield []
    for start in range(first, rows):
        for stop in range(start + 1, rows + 1):
            for line in range(lines):
                for rest in every_way(rows, lines, stop):
                    yield [(line, start, stop), *rest]


def worth(gain: NDArray[np.float64], cost: float, stretches: list[Stretch]) -> float:
    return sum(float(gain[first:stop, line].sum()) - cost for line, first, stop in stretches)


def test_no_other_stretches_gain_more() -> None:
    rng = np.random.default_rng(5)
    for _ in range(40):
        gain = rng.normal(0.0, 1.0, (5, 2))
        cost = float(rng.uniform(0.05, 1.5))
        found = best_stretches(gain, cost)
        assert all(a[2] <= b[1] for a, b in pairwise(found))
        best = max(worth(gain, cost, each) for each in every_way(*gain.shape))
        assert worth(gain, cost, found) >= best - 1e-9


def test_where_nothing_gains_nothing_is_followed() -> None:
    assert best_stretches(np.full((6, 3), -0.1), 0.2) == []


def test_two_lines_that_meet_are_both_followed() -> None:
    gain = np.full((20, 4), -1.0)
    gain[2:9, 1] = gain[9:17, 3] = 1.0
    assert best_stretches(gain, 0.5) == [(1, 2, 9), (3, 9, 17)]
