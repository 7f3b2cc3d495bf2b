"""A rough edge's curve, of which neighbours and shadows spoil points."""

from __future__ import annotations

import numpy as np
import pytest

from grainmatch.board.curve import fit_curve


@pytest.mark.parametrize("spoilt_share", [0.0, 0.4])
def test_the_curve_is_what_plain_least_squares_finds_without_the_spoilt_points(spoilt_share: float) -> None:
    """Against numpy.polyfit of the points that are good."""
    rng = np.random.default_rng(1)
    x = np.linspace(-700.0, 700.0, 120)
    y = 80 + 0.01 * x + 6e-6 * x**2 + rng.normal(0, 0.2, len(x))
    spoilt = rng.random(len(x)) < spoilt_share
    seen = np.where(spoilt, y + rng.uniform(4, 40, len(x)), y)
    known = np.polyfit(x[~spoilt], y[~spoilt], 2)
    assert np.polyval(fit_curve(x, seen), x) == pytest.approx(np.polyval(known, x), abs=0.15)


def test_a_few_points_tell_a_place_and_no_way() -> None:
    assert fit_curve(np.arange(5.0), np.array([7.0, 7.1, 30.0, 6.9, 7.0])).tolist() == [0.0, 0.0, 7.0]
