"""One lamp over the bench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grainmatch.photo.lamp import Lamp


def test_slopes_of_the_light_equal_central_differences() -> None:
    lamp = Lamp(300.0, -200.0, 1500.0, 0.3, (50.0, 20.0))
    places = np.random.default_rng(0).uniform(-900, 900, (7, 2))
    exact = lamp.log_light_slopes(places)
    for k, field in enumerate(("x_mm", "y_mm", "height_mm", "around_frac")):
        after, before = (
            replace(lamp, **{field: getattr(lamp, field) + step}).log_light(places) for step in (1e-4, -1e-4)
        )
        assert exact[:, k] == pytest.approx((after - before) / 2e-4, rel=1e-4, abs=1e-9)


def test_light_falls_off_by_the_cube_of_the_cosine() -> None:
    """Lambert 1760: inverse square times the cosine on the bench, cos^3 of the angle from straight below."""
    for height in (1000.0, 2000.0):
        lamp = Lamp(0.0, 0.0, height, 0.0, (0.0, 0.0))
        angles = np.radians([0.0, 30.0, 45.0, 60.0])
        places = np.column_stack([height * np.tan(angles), np.zeros(4)])
        assert lamp.direct(places) == pytest.approx(np.cos(angles) ** 3)
