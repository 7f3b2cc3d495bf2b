"""The whole top over a year."""

from dataclasses import replace

import numpy as np
import pytest

from grainmatch.errors import LayoutError, WoodError
from grainmatch.model import Pose
from grainmatch.wood.cup import join_arcs, measure_out_of_flat_mm
from grainmatch.wood.moisture import ROOMS, Room, Season
from grainmatch.wood.shrinkage import predict_width_change_mm
from grainmatch.wood.species import find_species
from grainmatch.wood.top import ASSUMED_PITH_MM, predict_arc_in_pose, predict_top_year, rings_in_pose
from tests.wood.boards import make_board, make_layout

PILE = [make_board(str(i), rings=(8.0 * i - 20, 90.0 + 10 * i), moisture_pct=8.0) for i in range(1, 7)]
ALL = "123456"


def test_alternate_rings_are_flatter_where_the_pith_is_near() -> None:
    # with the pith far away both are flat to a fraction of a millimetre and neither always wins
    near = [make_board(i, width_mm=150, rings=(0.0, 70.0), moisture_pct=8.0) for i in ALL]
    same = predict_top_year(make_layout(*ALL), near)
    alternate = predict_top_year(make_layout(*ALL, flip="246"), near)
    assert alternate.worst.out_of_flat_mm < same.worst.out_of_flat_mm
    assert any("loose top" in text for text in same.assumptions)


def test_quartersawn_top_stays_flat_and_moves_less() -> None:
    plain = predict_top_year(make_layout(*ALL), PILE)
    quarter = predict_top_year(
        make_layout(*ALL), [make_board(i, rings=(400.0, 13.6), moisture_pct=8.0) for i in ALL]
    )
    assert quarter.worst.out_of_flat_mm < 0.05 * plain.worst.out_of_flat_mm
    assert quarter.width_swing_mm < 0.65 * plain.width_swing_mm


def test_order_and_pose_do_not_change_the_width() -> None:
    one = predict_top_year(make_layout(*ALL), PILE)
    other = predict_top_year(make_layout(*"531264", flip="135", turn="26"), PILE)
    for a, b in zip(one.seasons, other.seasons, strict=True):
        assert a.width.change_mm == pytest.approx(b.width.change_mm, rel=1e-9)


def test_top_walked_round_keeps_its_shape() -> None:
    here = predict_top_year(make_layout(*"315264", flip="52", turn="1"), PILE)
    there = predict_top_year(make_layout(*"462513", flip="52", turn="32564"), PILE)
    for a, b in zip(here.seasons, there.seasons, strict=True):
        assert a.out_of_flat_mm == pytest.approx(b.out_of_flat_mm, rel=1e-9)


def test_plain_sawn_boards_far_from_the_pith_move_as_the_handbook_says() -> None:
    # Wood Handbook eq. 13-2, six boards of 120 mm as one of 720 mm
    boards = [make_board(i, rings=(0.0, 1e5), moisture_pct=8.0) for i in ALL]
    room = Room("two", (Season("dry", 21, 35), Season("damp", 21, 55)))
    year = predict_top_year(make_layout(*ALL), boards, room=room)
    for season in year.seasons:
        expected = predict_width_change_mm(
            width_mm=720, species="cherry", from_pct=8.0, to_pct=season.moisture_pct
        )
        assert season.width.change_mm == pytest.approx(expected, rel=1e-4)
        assert season.out_of_flat_mm < 0.01


def test_boards_of_nothing_known_still_get_an_answer_with_its_assumptions() -> None:
    boards = [make_board(i, species="") for i in ALL]
    year = predict_top_year(make_layout(*ALL), boards)
    text = " ".join(year.assumptions)
    assert "Species not given" in text
    assert "Rings of board 3 not known" in text
    assert "unmeasured moisture" in text
    assert year.width_swing_mm > 0
    assert year.worst.width.low_mm < year.worst.width.change_mm < year.worst.width.high_mm


def test_bark_side_set_by_hand_beats_the_end_that_was_read() -> None:
    board = replace(PILE[0], bark_side="B")
    rings, assumption = rings_in_pose(board, Pose())
    assert rings is not None
    assert rings.depth_mm == -ASSUMED_PITH_MM
    assert "by hand" in assumption
    agreeing, nothing = rings_in_pose(replace(PILE[0], bark_side="A"), Pose())
    assert agreeing is not None
    assert (agreeing.depth_mm, nothing) == (100.0, "")


def test_arcs_for_the_search_are_those_of_the_year() -> None:
    layout = make_layout(*"315264", flip="52", turn="16", rip_mm={"5": (9.0, 2.0)})
    season = predict_top_year(layout, PILE).seasons[0]
    by_id = {b.id: b for b in PILE}
    arcs = [
        predict_arc_in_pose(
            by_id[p.board_id],
            p.pose,
            species=find_species("cherry"),
            from_pct=8.0,
            to_pct=season.moisture_pct,
            rip_mm=p.rip_mm,
        )
        for p in layout.placements
    ]
    across, rise = join_arcs(arcs)
    np.testing.assert_allclose(rise, season.rise_mm)
    assert float(measure_out_of_flat_mm(across, rise)) == pytest.approx(season.out_of_flat_mm)


def test_errors_in_words() -> None:
    with pytest.raises(LayoutError):
        predict_top_year(make_layout("1", "9"), PILE)
    with pytest.raises(LayoutError):
        predict_top_year(make_layout("1", rip_mm={"1": (70.0, 60.0)}), PILE)
    with pytest.raises(WoodError):
        predict_top_year(make_layout("x"), [make_board("x", species="unobtainium")])


def test_moisture_warnings_reach_the_year() -> None:
    boards = [replace(b, moisture_pct=7.0 + float(b.id)) for b in PILE]
    assert len(predict_top_year(make_layout(*ALL), boards, room=ROOMS["heated and dry"]).warnings) == 2
