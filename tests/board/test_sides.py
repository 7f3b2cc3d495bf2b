"""Gaps that a slanted view fills with a board's upright side: a drawn strip, and a drawn photo."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.board.segment import find_boards
from grainmatch.board.sides import find_sides
from grainmatch.pipeline.measure import scale_photo
from grainmatch.synth.render import SheetPlace
from grainmatch.synth.scene import aim_camera, draw_scene
from grainmatch.synth.solid import grow_board

SAPWOOD, HEARTWOOD = np.log((0.75, 0.55, 0.3)), np.log((0.5, 0.25, 0.12))
SIDE_ROWS = 12


def _strip(shade: float, side_rows: int = SIDE_ROWS) -> NDArray[np.float32]:
    """Log light (160, 128, 3): sapwood, from row 60 on its side in shade, heartwood with a ring."""
    rng = np.random.default_rng(0)
    looks = np.tile(SAPWOOD, (160, 128, 1)) + rng.normal(0, 0.02, (160, 128, 1))
    looks[60 : 60 + side_rows] += np.log(shade)
    looks[60 + side_rows :] += HEARTWOOD - SAPWOOD
    ring = 110 + np.rint(6 * np.sin(np.arange(128) / 15)).astype(int)
    for k in range(3):
        looks[ring + k, np.arange(128)] -= 0.3
    return looks.astype(np.float32)


def _find(looks: NDArray[np.float32], side_rows: float) -> list[float]:
    wood = np.ones(looks.shape[:2], dtype=bool)
    seams = find_sides(looks, wood, np.full(len(looks), side_rows), length_rows=900.0)
    assert all(s.height == abs(side_rows) for s in seams)
    return [s.start for s in seams]


def test_a_side_as_dark_as_the_next_board_is_seen_by_its_foot() -> None:
    shade = float(np.exp(HEARTWOOD.mean() - SAPWOOD.mean()))  # no darker than the board beyond
    (middle,) = _find(_strip(shade), SIDE_ROWS)
    assert middle == pytest.approx(60 + SIDE_ROWS / 2, abs=1.5)


def test_where_the_next_board_hides_the_foot_what_shows_of_the_side_lies_above_it() -> None:
    looks, shown = _strip(0.55), 6
    looks[60 + shown :] = SAPWOOD - 1.2 + np.random.default_rng(1).normal(0, 0.02, (94, 128, 1))
    foot = 60 + shown + SIDE_ROWS
    looks[foot : foot + 2] -= 0.3  # where a side that began at the dark board would end, late wood
    wood = np.ones(looks.shape[:2], dtype=bool)
    seams = find_sides(looks, wood, np.full(len(looks), float(SIDE_ROWS)), length_rows=900.0)
    assert seams[0].start - seams[0].height / 2 == pytest.approx(60, abs=1.5)
    assert seams[0].start + seams[0].height / 2 == pytest.approx(60 + shown, abs=1.5)


def test_seen_from_the_other_way_the_side_shows_above() -> None:
    (middle,) = _find(_strip(0.5)[::-1], -SIDE_ROWS)
    assert middle == pytest.approx(100 - SIDE_ROWS / 2, abs=1.5)


@pytest.mark.parametrize("other_rows", [5, 20])
def test_lines_at_another_distance_are_no_side(other_rows: int) -> None:
    assert _find(_strip(0.5, other_rows), SIDE_ROWS) == []


def test_a_streak_of_heartwood_as_wide_as_a_side_is_none() -> None:
    looks = _strip(1.0)
    looks[60 : 60 + SIDE_ROWS] += (HEARTWOOD - SAPWOOD).astype(np.float32)
    looks[60 + SIDE_ROWS :] += (SAPWOOD - HEARTWOOD).astype(np.float32)
    assert _find(looks, SIDE_ROWS) == []


def test_where_no_side_shows_none_is_found() -> None:
    assert _find(_strip(0.5), 0.5) == []


def test_boards_that_only_a_side_parts_are_found_one_by_one() -> None:
    boards = [grow_board(seed=430 + i, length_mm=1200, width_mm=110 + 20 * i) for i in range(3)]
    size = (1600, 1200)
    camera = aim_camera(size_px=size, eye_mm=(-185.7, 522.6, 1416.0))
    sheet = SheetPlace((-346.0, -420.4), yaw_deg=8)
    scene = draw_scene(boards, camera=camera, sheet=sheet, size_px=size, seed=13)
    assert len(find_boards(scale_photo(scene.photo, 27.0))) == 3
