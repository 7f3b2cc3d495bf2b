"""Medians by sorting."""

from __future__ import annotations

import statistics

import numpy as np
import pytest

from grainmatch.ranks import median


@pytest.mark.parametrize("shape", [(1,), (2,), (7, 4), (6, 5, 3)])
@pytest.mark.parametrize("kind", [np.float32, np.float64, np.int64])
def test_median_is_numpys_to_the_last_bit(shape: tuple[int, ...], kind: type[np.generic]) -> None:
    """Checked against numpy.median, and against Python's own statistics.median."""
    values = (1000 * np.random.default_rng(len(shape)).normal(size=shape)).astype(kind)
    assert median(values) == np.median(values)
    assert float(median(values)) == pytest.approx(statistics.median(values.ravel().tolist()))
    for axis in range(-1, len(shape)):
        ours, theirs = median(values, axis, keepdims=True), np.median(values, axis, keepdims=True)
        assert np.array_equal(ours, theirs)
        assert ours.dtype == theirs.dtype


def test_median_leaves_what_it_is_given_as_it_was() -> None:
    values = np.array([3.0, 1.0, 2.0])
    median(values)
    assert values.tolist() == [3.0, 1.0, 2.0]
