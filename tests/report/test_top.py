"""The picture of the top shows the right wood, the right way round, in the right place."""

from __future__ import annotations

import numpy as np
import pytest

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Face, Layout, Placement, Pose, Score
from grainmatch.panel import place_top
from grainmatch.report.canvas import Text
from grainmatch.report.place import rip_words
from grainmatch.report.top import draw_notes, draw_top, draw_wood
from tests.report.fakes import fake_board, fake_boards, fake_layout


def ramp_board(board_id: str = "1", *, px_per_mm: float = 1.0) -> Board:
    """A 400 x 100 mm board whose red grows with x and green with y, 5 mm of bench around it."""
    w, h = round(410 * px_per_mm), round(110 * px_per_mm)
    y, x = (np.indices((h, w)) + 0.5) / px_per_mm
    rgb = np.stack([x / 2, 2 * y, np.full_like(x, 40)], axis=-1).astype(np.uint8)
    inside = (x > 5) & (x < 405) & (y > 5) & (y < 105)
    edges = [np.array([[5.0, e], [405.0, e]]) for e in (5.0, 105.0)]
    face = Face("A", rgb, inside, px_per_mm, edges[0], edges[1])
    return Board(board_id, 400, 100, 100, 25, 0, (face,))


def layout_of(*placements: Placement, top_mm: tuple[float, float] | None = None) -> Layout:
    return Layout(placements, Score({}, 0.0), top_mm=top_mm)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("px_per_mm", [0.5, 1.0, 2.0])
def test_each_point_of_the_top_shows_the_point_of_the_face_that_lies_there(
    turned: bool, px_per_mm: float
) -> None:
    board = ramp_board()
    layout = layout_of(Placement("1", Pose("A", turned), (10.0, 4.0)))
    picture = draw_wood(place_top(layout, [board]), place_top(layout, [board]).panel, px_per_mm=px_per_mm)
    assert picture.shape == (round(86 * px_per_mm), round(400 * px_per_mm), 3)
    for x_mm, y_mm in [(50.0, 20.0), (200.0, 43.0), (350.0, 70.0)]:
        seen = picture[int(y_mm * px_per_mm), int(x_mm * px_per_mm)].astype(float)
        # From the board's upper left corner as it lies; turning by 180 degrees mirrors both.
        u, v = x_mm, y_mm + 10.0
        face_x, face_y = (400 - u + 5, 100 - v + 5) if turned else (u + 5, v + 5)
        assert seen[0] == pytest.approx(face_x / 2, abs=1.5)
        assert seen[1] == pytest.approx(2 * face_y, abs=3.0)


def test_a_board_that_lies_askew_in_its_image_is_drawn_level() -> None:
    """Wood above a sloping edge is dark, below light: the drawn strip must hold no bench."""
    w, h, slope = 400, 120, 0.02
    y, x = np.indices((h, w)) + 0.5
    upper, lower = 10 + slope * x, 90 + slope * x
    inside = (y > upper) & (y < lower)
    rgb = np.where(inside[..., None], np.uint8(180), np.uint8(0)).repeat(3, axis=2)
    ends = np.array([0.0, 400.0])
    edges = [np.column_stack([ends, level + slope * ends]) for level in (10, 90)]
    face = Face("A", rgb, inside, 1.0, edges[0], edges[1])
    board = Board("1", 398, 79, 79, 25, 0, (face,))
    placed = place_top(layout_of(Placement("1")), [board])
    picture = draw_wood(placed, placed.panel, px_per_mm=1.0)
    assert (picture[2:-2, 4:-4] == 180).all()


def test_boards_stack_without_gap_and_slide_to_the_right() -> None:
    boards = [ramp_board("1"), ramp_board("2"), ramp_board("3")]
    layout = layout_of(Placement("1"), Placement("2", Pose(slide_mm=30)), Placement("3", rip_mm=(5, 15)))
    placed = place_top(layout, boards)
    assert [p.box.top_mm for p in placed.boards] == [0, 100, 200]
    assert [p.box.left_mm for p in placed.boards] == [0, 30, 0]
    assert placed.panel.width_mm == 280
    assert placed.panel.length_mm == 430
    assert (placed.cut.left_mm, placed.cut.right_mm) == (30, 400)


def test_the_cut_is_the_size_asked_for_centred_on_the_top() -> None:
    boards = fake_boards()
    placed = place_top(fake_layout(), boards)
    assert placed.cut.length_mm == pytest.approx(1700)
    assert placed.cut.width_mm == pytest.approx(850)
    third = placed.boards[0]  # slide 0: its middle is the top's middle
    assert (third.box.left_mm + third.box.right_mm) / 2 == pytest.approx(
        (placed.cut.left_mm + placed.cut.right_mm) / 2
    )


def test_a_missing_board_and_a_board_ripped_to_nothing_are_refused() -> None:
    with pytest.raises(LayoutError, match="board 9"):
        place_top(layout_of(Placement("9")), [ramp_board()])
    with pytest.raises(LayoutError, match="ripped to nothing"):
        place_top(layout_of(Placement("1", rip_mm=(60, 50))), [ramp_board()])
    with pytest.raises(LayoutError, match="too large"):
        draw_top(layout_of(Placement("1")), [ramp_board()], px_per_mm=1e4)


def test_a_face_without_a_photo_is_hatched_not_invented() -> None:
    board = ramp_board()
    shown = draw_top(layout_of(Placement("1", Pose("B"))), [board], px_per_mm=1.0, numbers=False, seams=False)
    assert (shown[..., 0] == shown[..., 2]).all()


def test_numbers_and_seams_are_drawn_over_the_wood_and_wetting_darkens() -> None:
    boards, layout = fake_boards(), fake_layout()
    bare = draw_top(layout, boards, px_per_mm=0.5, numbers=False, seams=False)
    noted = draw_top(layout, boards, px_per_mm=0.5)
    wet = draw_top(layout, boards, px_per_mm=0.5, numbers=False, seams=False, look="wetted", trimmed=True)
    assert bare.shape == noted.shape
    assert (bare != noted).any()
    assert wet.mean() < bare.mean() - 10
    assert wet.shape == (425, 850, 3)


def test_tapered_boards_are_ripped_to_their_narrow_end() -> None:
    board = fake_board("1", start_mm=130, end_mm=110, length_mm=600)
    placed = place_top(layout_of(Placement("1")), [board])
    assert placed.panel.width_mm == 110


def test_a_rip_is_told_as_a_saw_is_set() -> None:
    assert rip_words((0.0, 0.04), "mm") == "nothing"
    assert rip_words((1.5, 1.6), "mm") == "1.6 mm"
    assert rip_words((1.5, 8.0), "mm") == "1.5 mm / 8.0 mm"
    assert rip_words((0.0, 25.4), "in") == '0" / 1"'


def test_on_a_small_picture_letters_are_as_large_as_boards_allow_and_long_names_lose_their_middle() -> None:
    boards = [ramp_board("12"), ramp_board("from the old barn"), ramp_board("from the old mill")]
    placed = place_top(layout_of(*(Placement(b.id) for b in boards)), boards)
    written = draw_notes(placed, placed.panel, label_share=0.75, label_n=7).shapes
    sizes_mm = {(s.layer, s.text): s.size_mm for s in written if isinstance(s, Text)}
    names = {text for layer, text in sizes_mm if layer == "numbers"}
    assert names == {"12", "fro…arn", "fro…ill"}
    assert sizes_mm["faces", "A"] >= 0.75 * sizes_mm["numbers", "12"]
    usual = {s.text for s in draw_notes(placed, placed.panel).shapes if isinstance(s, Text)}
    assert usual == {"12", "from the old barn", "from the old mill", "A"}, "papers have room for them"
