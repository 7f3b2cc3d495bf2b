"""Cuts of the glued panel and what is left over."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import LayoutError
from grainmatch.glueup.trim import CORNERS, EDGES, KERF_MM, ROUGH_END_MM, plan_trim
from grainmatch.model import Face, Mark
from grainmatch.report.top import draw_top
from tests.wood.boards import make_board, make_layout

THREE = [make_board(i, width_mm=150) for i in "abc"]


def box_mark(x: float, y: float, *, length: float = 10, width: float = 8) -> Mark:
    return Mark("knot", np.array([[x, y], [x + length, y], [x + length, y + width], [x, y + width]]))


def test_cut_is_centred_and_losses_add_up() -> None:
    plan = plan_trim(make_layout(*"abc", slide_mm={"b": 30.0}), THREE, (1700.0, 430.0))
    assert plan.panel_mm == (1880, 450)
    assert plan.cut_mm == (75, 10, 1775, 440)
    a, b, c = plan.boards
    assert (a.left_mm, a.right_mm, a.upper_mm, a.lower_mm) == (75, 75, 10, 0)
    assert (b.left_mm, b.right_mm, b.slide_mm) == (45, 105, 30)
    assert (c.upper_mm, c.lower_mm) == (0, 10)
    assert plan.lost_frac == pytest.approx(1 - 1.7 * 0.43 / (1.85 * 0.45))
    assert plan.warnings == ()


def test_without_a_size_the_top_is_what_all_boards_reach() -> None:
    plan = plan_trim(make_layout(*"abc", slide_mm={"b": 30.0, "c": -20.0}), THREE)
    assert plan.cut_mm == (50, 0, 1850, 450)
    assert min(min(t.left_mm, t.right_mm) for t in plan.boards) == 0


def test_layouts_own_size_is_used() -> None:
    plan = plan_trim(make_layout(*"abc", top_mm=(1600.0, 400.0)), THREE)
    assert (plan.cut_mm[2] - plan.cut_mm[0], plan.cut_mm[3] - plan.cut_mm[1]) == (1600, 400)


def test_short_boards_and_a_narrow_panel_are_said_so() -> None:
    boards = [*THREE[:2], replace(THREE[2], length_mm=1650.0)]
    plan = plan_trim(make_layout(*"abc"), boards, (1700.0, 500.0))
    text = " ".join(plan.warnings)
    assert "Board c falls 25 mm short" in text
    assert "450 mm of the 500 mm" in text


def test_spare_pieces_come_with_their_place_on_the_board() -> None:
    boards = [
        make_board("a", width_mm=150, length_mm=2400),
        make_board("b", width_mm=150),
        make_board("spare"),
    ]
    layout = make_layout("a", "b", slide_mm={"a": 200.0}, rip_mm={"b": (0.0, 40.0)})
    plan = plan_trim(layout, boards, (1700.0, 255.0))
    kept = {(p.board_id, p.kind): p for p in plan.spare if p.keep}
    end = kept["a", "end"]
    # board a reaches from -1000 to 1400 about the middle; the rough cut is at 850 + 25
    assert end.length_mm == pytest.approx(1400 - 850 - ROUGH_END_MM - KERF_MM)
    assert end.from_left_mm == pytest.approx(2400 - end.length_mm)
    strip = kept["b", "edge"]
    assert (strip.width_mm, strip.from_upper_mm) == (40 - KERF_MM, 150 - 40 + KERF_MM)
    assert kept["spare", "whole board"].length_mm == 1850


@given(st.booleans(), st.booleans(), st.floats(-300, 300), st.floats(0, 60), st.floats(0, 60))
def test_spare_pieces_lie_on_their_board_and_off_the_top(flip, turn, slide, upper, lower) -> None:  # type: ignore[no-untyped-def]
    board = make_board("a", width_mm=200, length_mm=2600)
    layout = make_layout(
        "a",
        flip="a" if flip else "",
        turn="a" if turn else "",
        slide_mm={"a": slide},
        rip_mm={"a": (upper, lower)},
    )
    plan = plan_trim(layout, [board], (1800.0, 60.0))
    for piece in plan.spare:
        assert -1e-6 <= piece.from_left_mm <= 2600 - piece.length_mm + 1e-6
        assert -1e-6 <= piece.from_upper_mm <= 200 - piece.width_mm + 1e-6
    assert sum(p.length_mm * p.width_mm for p in plan.spare) + 1800 * 60 <= 2600 * 200


def test_turned_and_flipped_boards_leave_the_other_end_and_edge() -> None:
    boards = [make_board("a", width_mm=150, length_mm=2400)]

    def end_at(**pose: str) -> float:
        layout = make_layout("a", slide_mm={"a": 200.0}, **pose)
        return next(p for p in plan_trim(layout, boards, (1700.0, 150.0)).spare if p.keep).from_left_mm

    assert end_at() == end_at(flip="a") > 0
    assert end_at(turn="a") == end_at(turn="a", flip="a") == 0


def test_marks_left_in_the_top_are_named() -> None:
    marks = {("a", "A"): [box_mark(900, 70), box_mark(20, 70)], ("b", "B"): [box_mark(900, 70)]}
    plan = plan_trim(make_layout(*"abc", turn="a"), THREE, (1700.0, 430.0), marks=marks)  # type: ignore[arg-type]
    (words,) = plan.marks_left_in
    # turned: a knot 900 to 910 mm from the board's left end lies 940 mm from the panel's and 865 mm
    # from the top's
    assert words == "knot 10 x 8 mm on board a, 865 mm from the top's left end."
    assert plan_trim(make_layout(*"abc"), THREE).assumptions


def test_edges_and_corners_have_plain_names() -> None:
    assert all(option.words.endswith(".") for option in (*EDGES, *CORNERS))
    assert len({o.name for o in (*EDGES, *CORNERS)}) == len(EDGES) + len(CORNERS)


@pytest.mark.parametrize("size", [(0.0, 400.0), (1700.0, float("nan")), (1e9, 3.0)])
def test_impossible_size_is_refused(size: tuple[float, float]) -> None:
    with pytest.raises(LayoutError):
        plan_trim(make_layout(*"abc"), THREE, size)


def test_a_mark_that_is_ripped_off_does_not_stay_in_the_top() -> None:
    marks = {("b", "A"): [box_mark(900, 5)]}
    whole, ripped = (
        plan_trim(make_layout(*"abc", rip_mm=rip), THREE, (1700.0, 400.0), marks=marks)  # type: ignore[arg-type]
        for rip in ({}, {"b": (30.0, 0.0)})
    )
    assert len(whole.marks_left_in) == 1
    assert ripped.marks_left_in == ()


def test_a_mark_across_the_cut_begins_at_the_tops_end() -> None:
    marks = {("b", "A"): [box_mark(70, 50, length=20)]}  # the cut is at 75
    plan = plan_trim(make_layout(*"abc"), THREE, (1700.0, 400.0), marks=marks)  # type: ignore[arg-type]
    assert plan.marks_left_in == ("knot 20 x 8 mm on board b, 0 mm from the top's left end.",)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("rip_mm", [0.0, 9.0, 15.0, 20.0])  # none grazes a spot by half a pixel
def test_what_is_said_to_stay_in_the_top_is_what_the_picture_shows(turned: bool, rip_mm: float) -> None:
    """Dark spots along the bowed edge of a crooked board: a straight rip takes some and leaves others."""
    length, width, bow = 1000.0, 120.0, 12.0
    x = np.linspace(5.0, 5.0 + length, 41)
    upper = 20.0 + 0.01 * x + bow * (1 - (2 * (x - 5.0) / length - 1) ** 2)
    edges = [np.column_stack([x, upper + down]) for down in (0.0, width)]
    rgb = np.full((160, 1010, 3), 220, np.uint8)
    marks = []
    for at in (40, 300, 500, 700, 960):
        y = round(float(np.interp(at, x, upper))) + 8
        rgb[y : y + 4, at : at + 10] = 0
        marks.append(box_mark(at, y, width=4))
    face = Face("A", rgb, np.ones((160, 1010), np.bool_), 1.0, edges[0], edges[1])
    board = replace(make_board("a", width_mm=width, length_mm=length), faces=(face,))
    layout = make_layout(
        "a", turn="a" if turned else "", rip_mm={"a": (0.0, rip_mm) if turned else (rip_mm, 0.0)}
    )
    picture = draw_top(layout, [board], px_per_mm=1.0, numbers=False, seams=False)
    dark = np.flatnonzero((picture < 100).all(axis=2).any(axis=0))
    seen = [int(run[0]) for run in np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1) if len(run)]
    plan = plan_trim(layout, [board], marks={("a", "A"): marks})
    said = sorted(int(words.split(", ")[1].split()[0]) for words in plan.marks_left_in)
    assert said == pytest.approx(seen, abs=1.5)


def test_a_board_short_at_both_ends_is_not_told_to_slide() -> None:
    boards = [*THREE[:2], replace(THREE[2], length_mm=1600.0)]
    (words,) = plan_trim(make_layout(*"abc"), boards, (1700.0, 400.0)).warnings
    assert words == (
        "Board c falls 50 mm short of the left cut and 50 mm short of the right cut: take a longer board, or "
        "make the top shorter."
    )
    (slid,) = plan_trim(make_layout(*"abc", slide_mm={"c": -90.0}), THREE, (1700.0, 400.0)).warnings
    assert slid == "Board c falls 15 mm short of the right cut: slide it, or make the top shorter."


def test_a_board_slid_beside_the_top_keeps_its_own_ends() -> None:
    plan = plan_trim(make_layout(*"abc", slide_mm={"b": 2500.0}), THREE, (1700.0, 400.0))
    assert plan.rough_mm["b"] == (2500, 4350)
    assert all(end > start for start, end in plan.rough_mm.values())
    assert all(0 <= p.from_left_mm <= 1850 - p.length_mm for p in plan.spare)
