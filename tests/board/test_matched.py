"""A hairline fainter than the growth rings beside it is told from them, and placed between samples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from grainmatch.board.matched import look_for_hairlines
from grainmatch.board.seamline import WALL_LIGHT, place_seam, slot_light
from grainmatch.board.tonestep import follow_step

ROWS, COLUMNS = 300, 128
SLANT = 0.35
"""A camera that looks across the seam 19 degrees off upright."""
RING_COLOUR = np.array([0.4, 0.8, 1.1])
"""How much darker late wood is in red, green and blue, against each other."""


def _figure(rng: np.random.Generator, rows: int, columns: int) -> np.ndarray:
    """Log light (rows, columns, 3) of rings 7 rows apart that slant a little, and noise."""
    row, column = np.mgrid[:rows, :columns].astype(float)
    ring = np.sin((row + 0.08 * column) * 2 * np.pi / 7)
    noise = rng.normal(0, 0.02, (rows, columns, 3))
    return np.asarray(0.15 * ring[..., None] * RING_COLOUR + noise, dtype=np.float32)


def _dip(distance: np.ndarray, depth: float) -> np.ndarray:
    return np.asarray(-depth * np.exp(-0.5 * (distance / 0.8) ** 2), dtype=np.float32)


def test_a_faint_hairline_says_more_than_strong_rings() -> None:
    looks = _figure(np.random.default_rng(2), ROWS, COLUMNS)
    rings = np.ptp(looks.mean(axis=(1, 2)))
    looks += _dip(np.arange(ROWS) - 140.0, 0.05)[:, None, None]
    seen = look_for_hairlines(looks, np.ones((ROWS, COLUMNS), dtype=bool))
    said = seen.say.mean(axis=1)
    assert rings < 0.4
    assert int(said.argmax()) == 140
    away = np.abs(np.arange(ROWS) - 140) > 8
    assert said[140] > 4 * np.abs(said[away]).max()


def test_nothing_is_said_where_no_wood_lies_on_both_sides() -> None:
    looks = _figure(np.random.default_rng(3), ROWS, COLUMNS)
    wood = np.zeros((ROWS, COLUMNS), dtype=bool)
    wood[:9] = True
    assert not look_for_hairlines(looks, wood).told.any()


@pytest.mark.parametrize("middle", [-1.3, 0.4, 2.2, 6.6])
def test_a_seam_is_placed_to_a_fraction_of_a_pixel_and_none_is_made_up(middle: float) -> None:
    rng = np.random.default_rng(4)
    t = np.arange(-24.0, 24.0, 0.5)
    logs = _figure(rng, len(t), 64).transpose(1, 0, 2)
    seen = np.ones(64, dtype=bool)
    assert place_seam(np.exp(logs), t, seen, SLANT) is None
    place = place_seam(np.exp(logs + _dip(t - middle, 0.08)[:, None]), t, seen, SLANT)
    assert place is not None
    assert place.kind == "seam"
    assert place.offset_px.mean() == pytest.approx(middle, abs=0.25)  # less half the gap
    assert 0 < place.sigma_px < 0.5


def test_a_seam_tells_how_wide_a_gap_would_take_its_light() -> None:
    t = np.arange(-24.0, 24.0, 0.5)
    logs = _figure(np.random.default_rng(5), len(t), 64).transpose(1, 0, 2)
    seen = np.ones(64, dtype=bool)
    told = []
    for dark_px in (0.4, 1.8):  # a gap that lets 17 % of the light through, blurred by a pixel
        missing = 0.83 * (ndtr(t + dark_px / 2) - ndtr(t - dark_px / 2))
        place = place_seam(np.exp(logs) * (1 - missing)[:, None].astype(np.float32), t, seen, SLANT)
        assert place is not None
        told.append(place.gap_px)
    assert told == pytest.approx([0.4, 1.8], abs=0.3)


@pytest.mark.parametrize("slant", [0.4, 0.8, 1.5])
def test_light_in_a_slot_is_that_of_the_rays_that_leave_it(slant: float) -> None:
    """Against rays cast from the seen part of the wall by Lambert's cosine law."""
    rng = np.random.default_rng(6)
    seen_down = rng.uniform(0, 1 / slant, 200_000)  # in gap widths
    out = np.sqrt(rng.uniform(size=200_000))  # square root: cosine-weighted about the wall's normal
    up = np.sqrt(1 - out**2) * np.sin(rng.uniform(0, 2 * np.pi, 200_000))
    open_share = (up > seen_down * out).mean() / (up > 0).mean()
    assert slot_light(slant) == pytest.approx(WALL_LIGHT * open_share, rel=0.03)
    assert slot_light(0.0) < slot_light(slant) < WALL_LIGHT


def test_a_border_of_tones_is_followed_when_straight_and_not_when_it_wanders() -> None:
    x, rows = np.arange(32.0), np.arange(-6.0, 7.0)
    straight, wandering = 0.02 * x + 0.3, 2.0 * np.sin(x / 4)

    def border(at: np.ndarray) -> np.ndarray:
        return np.asarray(np.clip((rows[None, :] - at[:, None]) / 2 + 0.5, 0, 1))

    found = follow_step(border(straight), x, np.zeros(32))
    assert found is not None
    assert found == pytest.approx((0.3, 0.02), abs=0.05)
    assert follow_step(border(wandering), x, np.zeros(32)) is None
    assert follow_step(3 * border(straight), x, np.zeros(32)) is None  # no two woods differ so much
