"""Steps whose place is known, before light that stays even and light that fades as down a gap.

The gap's light comes from the drawing's own model of it, which knows what its walls throw to each other and
was not made from what the fit expects.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from grainmatch.board.steps import StepPlaces, StepShape, find_misfits, fit_shape
from grainmatch.synth.slot import wall_light

T_PX = np.arange(-12.0, 16.0, 0.5)
STATIONS = 32
SHIFTS = np.arange(-2.0, 2.01, 0.25)
TRUE_PX = 0.3
SEEN = np.ones(STATIONS, dtype=bool)
SLANT, GAP, HEIGHT_PX = 0.3, 0.5, 20.0
"""A sight a little aslant into a gap half as wide as its sides are high, which are this high in the plane
of the photo."""


def _places(light: np.ndarray, noise: float = 1.0, gap_px: float = 0.0) -> StepPlaces:
    """light (n,), the face's being 60 times the figure."""
    rng = np.random.default_rng(4)
    plain = 60 * light[None, :, None] + noise * rng.normal(size=(STATIONS, len(T_PX), 3))
    flat = np.zeros(STATIONS)
    return StepPlaces(
        plain.astype(np.float32), T_PX, flat, SHIFTS, flat + gap_px, np.full((2, STATIONS), np.inf)
    )


def _gap_light() -> np.ndarray:
    """Face, and beyond TRUE_PX its neighbour's shaded side, drawn finely and blurred by 0.7 px."""
    fine = np.arange(-16.0, 20.0, 0.01)
    border, share = wall_light(GAP)
    depth = (fine - TRUE_PX) / (SLANT * HEIGHT_PX)
    side = np.interp(depth, (border[1:] + border[:-1]) / 2, share)
    return np.asarray(np.interp(T_PX, fine, gaussian_filter1d(np.where(fine < TRUE_PX, 1.0, side), 70)))


def _placed(places: StepPlaces, shape: StepShape) -> float:
    cost = find_misfits(places, np.arange(STATIONS), np.full(STATIONS, shape.blur_px), shape).mean(axis=0)
    at = int(cost.argmin())
    bend = np.polyfit(SHIFTS[at - 1 : at + 2], cost[at - 1 : at + 2], 2)
    return float(-bend[1] / (2 * bend[0]))


def test_light_that_fades_is_known_and_no_longer_draws_the_edge_outward() -> None:
    places = _places(_gap_light())
    even, fades = fit_shape(places, SEEN), fit_shape(places, SEEN, (SLANT * GAP * HEIGHT_PX,))
    assert np.isinf(even.fade_px)
    assert np.isfinite(fades.fade_px)
    assert _placed(places, even) > TRUE_PX + 0.5
    # A seventh of that is left: walls throw each other more light near the mouth than the formula has it.
    assert _placed(places, fades) == pytest.approx(TRUE_PX, abs=0.1)


@pytest.mark.parametrize("side", [0.25, 0.5, 0.75])
def test_light_that_stays_even_is_left_even(side: float) -> None:
    places = _places(1 - (1 - side) * ndtr((T_PX - TRUE_PX) / 0.7))
    shape = fit_shape(places, SEEN, (1.0, 3.0, 6.0))
    assert shape.fade_px == np.inf
    assert shape.blur_px == pytest.approx(0.7)
    assert _placed(places, shape) == pytest.approx(TRUE_PX, abs=0.05)


def test_misfits_are_those_of_least_squares() -> None:
    """Against NumPy's solver; but for what the levels' ridge costs, the same at every place."""
    light = 1 - 0.3 * ndtr((T_PX - TRUE_PX) / 0.7) - 0.4 * ndtr((T_PX - TRUE_PX - 4) / 0.7)
    places = _places(light, gap_px=4.0)
    found = find_misfits(places, np.array([5]), np.array([0.7]), StepShape(0.7))[0]
    reach = 2.5 + 0.7 + 2.0
    use = np.abs(T_PX - 2) <= 2 + reach
    y = places.plain[5, use].astype(float)
    true = []
    for shift in SHIFTS:
        first, second = (ndtr((T_PX[use] - shift - on) / 0.7) for on in (0.0, 4.0))
        basis = np.column_stack([np.ones(use.sum()), first, second])
        true.append(np.linalg.lstsq(basis, y)[1].sum() / use.sum())
    np.testing.assert_allclose(found - found.min(), np.array(true) - min(true), atol=0.05)
