"""Sums along lines against plain sums, and laws of the small pieces."""

from __future__ import annotations

import numpy as np
import pytest

from grainmatch.board.lines import sum_along_lines


def test_level_and_steep_lines_are_summed() -> None:
    rng = np.random.default_rng(0)
    image = rng.random((40, 16)).astype(np.float32)
    sums, drop = sum_along_lines(image)
    level = int(np.flatnonzero(drop == 0)[0])
    np.testing.assert_allclose(sums[level], image.sum(axis=1), rtol=1e-5)
    for fall in (-15, 15):
        i = int(np.flatnonzero(drop == fall)[0])
        rows = 20 + np.sign(fall) * np.arange(16)
        assert sums[i, 20] == pytest.approx(
            float(image[rows.clip(0, 39), np.arange(16)][rows < 40].sum()), rel=1e-5
        )


def test_the_brightest_line_is_the_one_drawn() -> None:
    image = np.zeros((60, 32), np.float32)
    columns = np.arange(32)
    image[np.rint(20 + 9 * columns / 31).astype(int), columns] = 1
    sums, drop = sum_along_lines(image)
    i, r = np.unravel_index(int(sums.argmax()), sums.shape)
    assert abs(drop[i] - 9) <= 1
    assert abs(r - 20) <= 1


def test_columns_must_be_a_power_of_two() -> None:
    with pytest.raises(ValueError, match="power of two"):
        sum_along_lines(np.zeros((8, 12), np.float32))
