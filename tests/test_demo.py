"""The demo job against what its renderer knew (sample_images/truth.json)."""

from __future__ import annotations

from typing import Any

import pytest

from grainmatch.model import Board
from grainmatch.pipeline.gather import Measured


def true_boards(truth: dict[str, Any]) -> list[dict[str, Any]]:
    photos = truth["photos"]
    first, second = photos["demo_boards_1_to_4_show.jpg"], photos["demo_boards_5_to_8_show.jpg"]
    return [*first["boards"], *second["boards"]]


def test_all_sixteen_faces_become_eight_boards(demo: Measured) -> None:
    assert [b.id for b in demo.boards] == [str(n) for n in range(1, 9)]
    assert all([f.side for f in b.faces] == ["A", "B"] for b in demo.boards)
    assert not demo.failures


def test_sizes(demo: Measured, demo_truth: dict[str, Any]) -> None:
    for board, true in zip(demo.boards, true_boards(demo_truth), strict=True):
        assert board.start_width_mm == pytest.approx(true["width"], abs=1.0)
        assert board.end_width_mm == pytest.approx(true["width"], abs=1.0)
        assert board.length_mm == pytest.approx(true["length"], rel=0.002)
        assert 0 < board.sigma_width_mm < 1.0
        assert 0 < board.sigma_length_mm < 0.002 * board.length_mm


def pith_is_below(true: dict[str, Any]) -> bool:
    """The truth counts the pith's depth from the show face, positive into the board."""
    return float(true["pith"][1]) > 0


def test_bark_side_from_the_ends(demo: Measured, demo_truth: dict[str, Any]) -> None:
    ends = demo_truth["photos"]["demo_ends_left.jpg"]["boards"]
    for board, true in zip(demo.boards, ends, strict=True):
        assert board.end_grain is not None, board.id
        if board.end_grain.bark_side is not None:
            assert board.end_grain.bark_side == ("A" if pith_is_below(true) else "B"), board.id
    assert sum(b.end_grain is not None and b.end_grain.bark_side is not None for b in demo.boards) >= 7


def knots_on_show_face(board: Board, demo: Measured) -> int:
    return sum(m.kind == "knot" for m in demo.features[board.id, "A"].marks)


def test_knots(demo: Measured, demo_truth: dict[str, Any]) -> None:
    for board, true in zip(demo.boards, true_boards(demo_truth), strict=True):
        assert knots_on_show_face(board, demo) == len(true["knots"]), board.id


def test_inputs_are_named_in_the_faces(demo: Measured) -> None:
    assert demo.boards[0].faces[0].photo == "demo_boards_1_to_4_show.jpg"
    assert demo.boards[7].faces[1].photo == "demo_boards_5_to_8_back.jpg"
