"""Light in the gap between two boards, against what is known of such enclosures."""

from __future__ import annotations

import numpy as np
import pytest

from grainmatch.board.seamline import slot_light
from grainmatch.errors import BoardError
from grainmatch.synth.slot import seen_light, wall_light


@pytest.mark.parametrize("gap", [0.02, 0.3, 1.0, 5.0])
def test_black_walls_get_what_the_mouth_sends_them(gap: float) -> None:
    """The view of a long wall to the mouth beside it: (1 + g - sqrt(1 + g^2)) / 2 of the wall's own height
    (two plates at a right angle: a table of view factors in any text on heat transfer; from memory)."""
    border, light = wall_light(gap, wood_throws=0.0, bench_throws=0.0)
    mean = float(light @ np.diff(border))
    assert mean == pytest.approx((1 + gap - np.hypot(1, gap)) / 2, rel=0.02)


@pytest.mark.parametrize("gap", [0.02, 1.0, 50.0])
def test_white_walls_are_as_bright_as_the_sky(gap: float) -> None:
    """Nothing is lost where nothing is swallowed, so light is even throughout (Kirchhoff's cavity)."""
    assert wall_light(gap, wood_throws=1.0, bench_throws=1.0)[1] == pytest.approx(1.0, abs=1e-9)


def test_an_open_side_gets_half_the_sky_and_a_little_of_the_bench() -> None:
    assert float(seen_light(np.array(np.inf), np.array(0.0), np.array(1.0))) == pytest.approx(0.55, abs=0.005)


@pytest.mark.parametrize("slant", [0.2, 0.4, 0.8])
def test_what_a_hairline_shows_is_what_its_reading_expects(slant: float) -> None:
    """Two rooms reckon it apart: the drawing with the light that walls throw to each other, the reading by a
    formula for what comes in straight."""
    gap = np.array(0.015)
    drawn = float(seen_light(gap, np.array(0.0), gap / slant))
    assert slot_light(slant) == pytest.approx(drawn, abs=0.06)


def test_a_gap_needs_a_width() -> None:
    with pytest.raises(BoardError, match="gap needs a width"):
        wall_light(0.0)
