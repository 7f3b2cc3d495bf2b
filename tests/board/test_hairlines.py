"""Where the ends of boards jump, one ends beside another: told from the ends alone, sides and all."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from grainmatch.board.hairlines import SURE_JUMPS, _jumps, _place_dip, find_hairlines
from grainmatch.board.stops import Stops

ROWS, SEAM = 400, 200
LEVEL = np.zeros(1)


def stops(left: tuple[float, float], right: tuple[float, float], *, side_mm: float, lean: float) -> Stops:
    """Two boards, a row a mm, that start at `left` and stop at `right`, the upper one's side seen below it.

    The side's corner runs inward by lean mm a mm until it meets the lower board or its own foot.
    """
    rows = np.arange(ROWS)
    down = rows + 1.0 - SEAM
    shown = np.where((down > 0) & (down <= side_mm), lean * down, np.inf)
    ends = []
    for (upper, lower), outward in ((left, -1), (right, 1)):
        farther = max(outward * (upper - lower), 0.0)
        end = np.where(down > 0, float(lower), float(upper))
        past = lower + outward * np.clip(farther - shown, 0, None)
        noise = np.random.default_rng(0).normal(0, 0.2, ROWS)
        ends.append(np.where((down > 0) & (down <= side_mm), past, end) + noise)
    inward = np.full(ROWS, lean * side_mm)
    return Stops((ends[0], ends[1]), np.full(ROWS, side_mm), (inward, inward), 1)


def worth(told: Stops) -> NDArray[np.float64]:
    """What each level line gains by the jumps."""
    return np.asarray(_jumps(told, LEVEL, ROWS, 1.0)[0])


@pytest.mark.parametrize(("side_mm", "lean"), [(0.0, 0.0), (24.0, 0.0), (24.0, 0.8)])
def test_boards_whose_ends_jump_are_told_apart_at_the_seam_not_at_the_foot(
    side_mm: float, lean: float
) -> None:
    # The upper board sticks out on the right and lies back on the left.
    gain = worth(stops((20, 8), (1030, 1000), side_mm=side_mm, lean=lean))
    assert gain.max() >= SURE_JUMPS
    assert abs(int(gain.argmax()) - SEAM) <= 3
    far = np.abs(np.arange(ROWS) - SEAM) > 6
    assert gain[far].max() < SURE_JUMPS


def test_neither_the_side_of_one_board_nor_ends_out_of_square_are_jumps() -> None:
    level = stops((10, 10), (1000, 1000), side_mm=24.0, lean=0.8)
    assert worth(level).max() == 0
    slanted = 0.02 * np.arange(ROWS)
    ends = (level.ends_mm[0] + slanted, level.ends_mm[1] + slanted)
    assert worth(Stops(ends, level.side_mm, level.inward_mm, 1)).max() == 0


def test_a_seam_that_does_not_show_is_found_by_its_ends_and_not_without() -> None:
    plain = np.random.default_rng(1).normal(0, 0.02, (ROWS, 128)).astype(np.float32)
    wood = np.ones((ROWS, 128), dtype=bool)

    def found(told: Stops) -> list[float]:
        looks = np.repeat(plain[..., None], 3, axis=2)
        lines = find_hairlines(plain, looks, wood, rows_per_mm=1.0, length_rows=1000.0, stops=told)
        return [line.start + line.drop / 2 for line in lines]

    assert found(stops((20, 8), (1030, 1000), side_mm=0.0, lean=0.0))[0] == pytest.approx(SEAM, abs=4)
    assert found(stops((10, 10), (1000, 1000), side_mm=0.0, lean=0.0)) == []


@pytest.mark.parametrize(
    ("tint", "tone", "dark", "kept"),
    [
        ((1.0, 1.0, 1.0), 0.15, 0.08, True),
        ((0.4, 1.0, 1.6), 0.35, 0.17, True),
        ((1.0, 1.0, 1.0), 0.6, 0.0, False),
    ],
)
def test_a_hairline_between_boards_of_unlike_tone_is_one_and_the_border_of_shade_is_none(
    tint: tuple[float, float, float], tone: float, dark: float, kept: bool
) -> None:
    off = (np.arange(41) - 20.0)[:, None, None]
    step, dip = ndtr(off / 0.8), np.exp(-0.5 * (off / 0.8) ** 2)
    wander = np.random.default_rng(2).normal(0, 0.15 * tone, (41, 128, 1))
    looks = (tone * step * np.array(tint) - dark * dip + wander).astype(np.float32)
    light, rows, columns = looks.mean(axis=2), np.full(128, 20), np.arange(128)
    place = 20.5, 0.0
    assert _place_dip(looks, light, rows, columns, place, alone=True) == (place if kept else None)
    assert _place_dip(looks, light, rows, columns, place, alone=False) != place
