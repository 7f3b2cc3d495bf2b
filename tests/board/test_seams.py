"""What counts as a separator, in drawn pictures of log light where what lies between boards is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainmatch.board import seams
from grainmatch.board.hairlines import Seam

ROWS, COLUMNS, LENGTH_ROWS = 300, 128, 1500.0
WOOD = np.ones((ROWS, COLUMNS), dtype=bool)


def picture(top: tuple[float, float], bottom: tuple[float, float], depth: float) -> NDArray[np.float32]:
    """Even wood with a band `depth` darker between two straight borders, left and right rows of each."""
    rows, share = np.arange(ROWS)[:, None], np.linspace(0, 1, COLUMNS)
    between = (rows > np.interp(share, [0, 1], top)) & (rows < np.interp(share, [0, 1], bottom))
    noise = np.random.default_rng(0).normal(0, 0.02, (ROWS, COLUMNS))
    return np.asarray(noise - depth * between, dtype=np.float32)


def separates(light: NDArray[np.float32], *, share: float = 1.0) -> bool:
    """Whether the band of 16 rows from row 138 down to row 153 is taken for what lies between two boards."""
    band = Seam(138.0, 15.0, 16.0, share, 0, COLUMNS - 1)
    return seams._is_separator(band, light, WOOD, LENGTH_ROWS)


def test_a_gap_that_closes_to_one_end_separates_boards() -> None:
    # As a slanted view shows it: dark side and shadow, wide on the left, slanting by a hundredth.
    assert separates(picture((128, 145), (148, 161), 0.4))


def test_a_streak_of_heartwood_does_not() -> None:
    assert not separates(picture((128, 145), (148, 161), 0.2))


def test_nor_does_what_breaks_off_or_not_all_columns_agree_with() -> None:
    gap = picture((128, 145), (148, 161), 0.4)
    assert not separates(gap, share=0.8)
    broken = gap.copy()
    broken[:, 96:] = gap[:96, 96:].mean()
    assert not separates(broken)


def test_between_a_hairline_and_a_gap_below_it_lies_the_side_that_shows_and_then_a_board() -> None:
    line, gap = (
        Seam(start, 0.0, height, 1.0, 0, COLUMNS - 1) for start, height in ((100.0, 1.0), (160.0, 16.0))
    )
    downward, upward = np.full(ROWS, 40.0), np.full(ROWS, -40.0)
    assert seams._side_between(line, gap, downward) == seams._side_between(gap, line, downward) == 40 - 16
    assert seams._side_between(line, gap, upward) == 0  # the side that shows is the lower board's
    assert seams._side_between(line, line, downward) == seams._side_between(gap, gap, downward) == 0
