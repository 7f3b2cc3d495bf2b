"""Spare pieces go back on the rack as boards, with their own part of the picture."""

from dataclasses import replace

import numpy as np
import pytest

from grainmatch.errors import BoardError
from grainmatch.glueup.spare import cut_spare_board
from grainmatch.glueup.trim import plan_trim
from grainmatch.model import Board
from tests.faces import straight_face
from tests.wood.boards import make_board, make_layout

PX_PER_MM = 0.5


def painted_board() -> Board:
    """2400 x 150 mm; red tells the place along, green the place across, on face A and, flipped, on B."""
    height, width = round(150 * PX_PER_MM), round(2400 * PX_PER_MM)
    rgb = np.zeros((height, width, 3), np.uint8)
    rgb[..., 0] = np.linspace(0, 240, width)
    rgb[..., 1] = np.linspace(0, 240, height)[:, None]
    board = make_board("a", width_mm=150, length_mm=2400, rings=(10.0, 90.0))
    a = straight_face(rgb, px_per_mm=PX_PER_MM)
    return replace(board, faces=(a, replace(a, side="B", rgb=rgb[::-1])))


@pytest.mark.parametrize("flip", ["", "a"])
@pytest.mark.parametrize("turn", ["", "a"])
def test_end_piece_keeps_its_own_wood(flip: str, turn: str) -> None:
    board = painted_board()
    layout = make_layout("a", flip=flip, turn=turn, slide_mm={"a": 200.0}, rip_mm={"a": (50.0, 0.0)})
    pieces = [p for p in plan_trim(layout, [board], (1700.0, 100.0)).spare if p.keep]
    assert {p.kind for p in pieces} == {"end", "edge"}
    for number, piece in enumerate(pieces):
        spare = cut_spare_board(board, piece, new_id=f"a-{number}")
        assert (spare.length_mm, spare.width_mm) == (piece.length_mm, piece.width_mm)
        for side in ("A", "B"):
            face = spare.face(side)
            assert face is not None
            along, across = face.rgb[..., 0].mean() / 240 * 2400, face.rgb[..., 1].mean() / 240 * 150
            assert along == pytest.approx(piece.from_left_mm + piece.length_mm / 2, abs=15)
            assert across == pytest.approx(piece.from_upper_mm + piece.width_mm / 2, abs=3)


def test_rings_stay_where_they_are_in_the_wood() -> None:
    board = painted_board()
    layout = make_layout("a", rip_mm={"a": (50.0, 0.0)})
    strip = next(p for p in plan_trim(layout, [board], (1700.0, 100.0)).spare if p.kind == "edge")
    spare = cut_spare_board(board, strip, new_id="strip")
    assert spare.end_grain is not None
    # pith 85 mm from the upper edge of the board (its middle and 10), the strip's middle 23.5 mm from it
    assert spare.end_grain.pith_across_mm == pytest.approx(85 - strip.width_mm / 2)


def test_piece_of_another_board_is_refused() -> None:
    board = painted_board()
    piece = plan_trim(make_layout("b"), [make_board("b", width_mm=150)], (900.0, 150.0)).spare[0]
    with pytest.raises(BoardError):
        cut_spare_board(board, piece, new_id="x")
