"""Outlines corrected by hand: corners, moved edges, and what becomes of the boards."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from grainmatch.errors import BoardError
from grainmatch.model import Board
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.drawn import corners_of, measure_drawn, move_corners
from grainmatch.pipeline.gather import Measured
from grainmatch.ui.outline_view import Shape, read_shapes
from grainmatch.ui.outlines import FoundFace, faces_by_photo
from grainmatch.ui.redrawing import redraw_boards
from tests.ui.conftest import make_boards

SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0))


def bowed_outline(upper_n: int = 40, lower_n: int = 23, turn_rad: float = 0.2) -> tuple[Any, Any]:
    """A slanted board with bowed long edges; (outline, its true corners)."""
    x = np.linspace(0, 900, upper_n)
    upper = np.column_stack([x, 4 * np.sin(np.pi * x / 900)])
    x = np.linspace(905, 5, lower_n)
    lower = np.column_stack([x, 120 + 4 * np.sin(np.pi * x / 905)])
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    outline = np.vstack([upper, lower]) @ np.array([[c, s], [-s, c]]) + (300, 200)
    return outline, outline[[0, upper_n - 1, upper_n, upper_n + lower_n - 1]]


@pytest.mark.parametrize("turn_rad", [-0.7, 0.0, 0.2, 1.2])
def test_corners_are_found_whatever_the_slant_and_the_number_of_points(turn_rad: float) -> None:
    outline, corners = bowed_outline(turn_rad=turn_rad)
    assert corners_of(outline) == pytest.approx(corners)
    assert corners_of(corners) == pytest.approx(corners)


def test_moving_no_corner_moves_nothing_and_moving_one_leaves_the_far_edge() -> None:
    outline, corners = bowed_outline()
    assert move_corners(outline, corners) == pytest.approx(outline)
    moved = corners + np.array([[0, -6], [0, 0], [0, 0], [0, 0]])
    changed = move_corners(outline, moved)
    assert corners_of(changed) == pytest.approx(moved)
    assert changed[40:62] == pytest.approx(outline[40:62]), "the lower edge stays"
    middle = np.linalg.norm(changed[20] - outline[20])
    assert 2.5 < middle < 3.5, "half way along an edge, half the move"


def test_moving_all_corners_alike_shifts_the_whole_outline() -> None:
    outline, corners = bowed_outline()
    shift = np.array([7.0, -3.0])
    assert move_corners(outline, corners + shift) == pytest.approx(outline + shift)


def test_a_shape_without_four_corners_is_refused() -> None:
    with pytest.raises(BoardError, match="four corners"):
        corners_of([[0, 0], [10, 0], [5, 8]])


def test_outlines_set_by_hand_measure_like_those_found(demo: Measured, samples: Any, demo_truth: Any) -> None:
    name = "demo_boards_1_to_4_show.jpg"
    truth = demo_truth["photos"][name]["boards"]
    drawn = measure_drawn(
        read_photo(samples / name), [b["outline_px"][::-1] for b in truth], thickness_mm=27.0
    )
    for board, true in zip(drawn, truth, strict=True):
        assert board.length_mm == pytest.approx(true["length"], rel=0.002)
        assert board.start_width_mm == pytest.approx(true["width"], abs=1.0)
        assert board.sigma_width_mm > 0
    found = faces_by_photo(demo.boards)[name]
    assert [f.side for f in found] == ["A"] * 4


def face_of(board: Board) -> FoundFace:
    return FoundFace(board.id, "A", np.array(SQUARE))


def test_a_redrawn_show_face_brings_its_sizes_and_a_back_face_does_not() -> None:
    boards = make_boards()
    before = {f.key: f for f in map(face_of, boards)}
    fresh = replace(boards[3], length_mm=555.0, faces=boards[3].faces[:1])
    keys = set(before)
    out = redraw_boards(boards, before, keys, [Shape("1/A", SQUARE)], [fresh])
    assert (out[0].length_mm, out[0].id, len(out[0].faces)) == (555.0, "1", 2)
    out = redraw_boards(boards, {"1/B": before["1/A"]}, {"1/B"}, [Shape("1/B", SQUARE)], [fresh])
    assert out[0].length_mm == boards[0].length_mm


def test_removed_outlines_take_their_face_and_new_ones_make_a_board() -> None:
    boards = make_boards()
    before = {f.key: f for f in map(face_of, boards)}
    only_front = [replace(boards[0], faces=boards[0].faces[:1]), *boards[1:]]
    kept = set(before) - {"1/A", "2/A"}
    fresh = replace(boards[3], faces=boards[3].faces[:1], species="")
    out = redraw_boards(only_front, before, kept | {"new-1"}, [Shape("new-1", SQUARE)], [fresh])
    assert [b.id for b in out] == ["2", "3", "4", "5"], "1 had one face only and is gone"
    assert [f.side for f in out[0].faces] == ["A"], "what is left of 2 becomes its show face"
    assert out[-1].species == "black cherry"


@pytest.mark.parametrize(
    "odd",
    [
        None,
        {"rev": 2, "shapes": []},
        {"rev": 1, "shapes": [{"key": "9/A", "corners": SQUARE}]},
        {"rev": 1, "shapes": [{"key": "new-x", "corners": SQUARE}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": SQUARE[:3]}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": [(float("nan"), 0), *SQUARE[1:]]}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": [(-5, 0), *SQUARE[1:]]}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": SQUARE}] * 2},
        {"rev": 1},
    ],
)
def test_odd_shapes_from_the_browser_are_passed_over(odd: Any) -> None:
    assert read_shapes(odd, [Shape("1/A", SQUARE, "1 A")], rev=1, size_px=(100, 50)) is None
