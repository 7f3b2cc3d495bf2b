"""What belongs to a board though it looks like the bench, and what lies between boards."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import Backdrop, fit_backdrop
from grainmatch.board.solid import find_solid
from grainmatch.model import Mask

SIZE = (600, 800)
BENCH, PALE, RED = (120, 120, 120), (150, 138, 120), (150, 100, 70)
PX_MM = 1.0
STRIP = slice(300, 312), slice(150, 650)
"""Rows and columns of what looks like the bench, as wide as a gap or as sapwood."""


def backdrop_with(above: tuple[int, int, int], below: tuple[int, int, int], tinted: bool = False) -> Backdrop:
    """Wood above and below a strip of bench; tinted: with light of the wood's colour on it in places."""
    rng = np.random.default_rng(1)
    picture = np.full((*SIZE, 3), BENCH, dtype=np.float64)
    picture[220:300, STRIP[1]], picture[312:400, STRIP[1]] = above, below
    if tinted:
        for start in range(160, 640, 80):
            picture[STRIP[0], start : start + 12] = (132, 120, 108)
    picture += rng.normal(0, 1.5, picture.shape)
    return fit_backdrop(np.clip(np.rint(picture), 0, 255).astype(np.uint8))


def share(solid: Mask) -> float:
    return float(solid[303:309, STRIP[1]].mean())  # nearer to its rims wood is blurred into it


def test_a_strip_of_the_bench_s_colour_in_wood_near_it_is_wood() -> None:
    assert share(find_solid(backdrop_with(PALE, PALE), PX_MM)) > 0.95


def test_a_strip_of_the_bench_s_colour_between_wood_of_another_is_bench() -> None:
    assert share(find_solid(backdrop_with(RED, RED), PX_MM)) < 0.05


def test_light_thrown_into_a_gap_makes_no_wood_of_it() -> None:
    assert share(find_solid(backdrop_with(RED, RED, tinted=True), PX_MM)) < 0.25


def test_where_ends_tell_of_wood_all_that_is_lit_is_wood() -> None:
    backdrop = backdrop_with(RED, RED)
    between: NDArray[np.bool_] = np.zeros(SIZE, dtype=bool)
    between[420:500, STRIP[1]] = True
    assert find_solid(backdrop, PX_MM, between)[425:495, 160:640].all()
    assert not find_solid(backdrop, PX_MM)[425:495, 160:640].any()
