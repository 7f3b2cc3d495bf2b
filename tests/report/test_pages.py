"""The pages carried to the clamps: every word of the plan is there, every clamp where it belongs."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from grainmatch.glueup.plan import plan_glueup
from grainmatch.model import Board, Cathedral, Features, Layout, Placement, Pose, Score, Side
from grainmatch.panel import Box, PlacedTop, place_top
from grainmatch.plans import (
    BoardTrim,
    Clamp,
    EdgeMark,
    Fastening,
    GlueUp,
    ShapeOption,
    Slot,
    SparePiece,
    Stage,
    TrimPlan,
)
from grainmatch.report.canvas import Drawing, Line, Polygon, Text
from grainmatch.report.cards import card_lines, draw_card
from grainmatch.report.fastening import flow_fastening
from grainmatch.report.flow import Flow
from grainmatch.report.measures import force_words, glue_words, restate, weight_words
from grainmatch.report.movement import flow_movement
from grainmatch.report.page import Column, fit_columns
from grainmatch.report.papers import Plans, draw_pages, write_papers
from grainmatch.report.pdf import text_width_mm
from grainmatch.report.pinup import planing_of
from grainmatch.report.place import board_name, rip_words, slide_words
from grainmatch.report.score_words import describe_proof, describe_score, describe_seam
from grainmatch.report.stages import draw_stage, flow_glueup
from grainmatch.report.top import draw_notes
from grainmatch.report.trimming import flow_trim
from grainmatch.units import LengthUnits
from grainmatch.wood.top import predict_top_year
from tests.report.fakes import STAMP, fake_board, fake_boards, fake_layout


@pytest.fixture(scope="module")
def boards() -> list[Board]:
    return fake_boards(px_per_mm=0.25)


@pytest.fixture(scope="module")
def placed(boards: list[Board]) -> PlacedTop:
    return place_top(fake_layout(), boards)


def fake_stage() -> Stage:
    return Stage(
        day=2, parts=(("3", "1"), ("7",), ("2",)), seams=(1, 2), length_mm=1900, width_mm=454, weight_kg=14,
        clamps=(Clamp(50, False, 2), Clamp(950, True, 1), Clamp(1850, False, 3)), spacing_mm=900,
        force_n=4448.22, pressure_mpa=1.2, wanted_mpa=(1.0, 1.4), glue_g=56.7, work_min=7, open_min=10,
        clamped_min=60, steps=("Close them: no gap over 0.15 mm.",),
        warnings=("The panel weighs about 30 kg.",),
    )  # fmt: skip


def fake_glueup() -> GlueUp:
    marks = tuple(EdgeMark(str(k), "A", k % 2 == 0) for k in range(1, 9))
    return GlueUp(
        (fake_stage(),), marks, 56.7, True, 7, ("3 pairs of battens 990 mm long.",),
        ("Joint on the same day.",), ("Clamps store force.", "Rags soaked with oil finish catch fire."),
        ("Board 6 is damp.",), ("A guess.",),
    )  # fmt: skip


def fake_trim(placed: PlacedTop) -> TrimPlan:
    panel, cut = placed.panel, placed.cut
    return TrimPlan(
        panel_mm=(panel.length_mm, panel.width_mm),
        cut_mm=(cut.left_mm, cut.top_mm + 5, cut.right_mm, cut.bottom_mm - 5),
        boards=tuple(
            BoardTrim(p.board.id, cut.left_mm - p.box.left_mm, p.box.right_mm - cut.right_mm, 0, 0, 0)
            for p in placed.boards
        ),
        rough_mm={p.board.id: (cut.left_mm - 25, cut.right_mm + 25) for p in placed.boards},
        spare=(
            SparePiece("4", "end", 300, 110, 27, 0, 0, True),
            SparePiece("4", "end", 50, 110, 27, 0, 0, False),
        ),
        lost_frac=0.21,
        marks_left_in=("knot 17 x 14 mm on board 3.",),
        warnings=("Board 5 falls 3 mm short of the left cut.",),
    )


def fake_fastening() -> Fastening:
    slots = (
        Slot("fastener 1", 60, True, 2.0, 1.7, 9.7, 10.0, 2.4),
        Slot("fastener 2", 425, False, 0.0, 0.0, 6.0, 6.0, 0.5),
    )
    return Fastening(
        "middle", 425.0, 5.0, slots, ("Fix the top along its middle.",),
        ("A frame stops 8.0 mm over the year.",), ("The base itself is taken not to move.", "said before"),
    )  # fmt: skip


def texts_of(drawing: Drawing) -> list[Text]:
    return [s for s in drawing.shapes if isinstance(s, Text)]


def words_of(pages: list[Drawing]) -> str:
    return " ".join(text.text for page in pages for text in texts_of(page))


@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_sentence_of_the_plans_is_on_the_pages(
    boards: list[Board], placed: PlacedTop, units: LengthUnits
) -> None:
    layout, glueup, trim = fake_layout(), fake_glueup(), fake_trim(placed)
    plans = Plans(predict_top_year(layout, boards), glueup, trim, fake_fastening())
    pages = draw_pages(layout, placed, plans, STAMP, paper="letter", units=units, features={})
    text = words_of(pages)
    stage = fake_stage()
    sentences = [
        *glueup.cautions, *glueup.steps, *glueup.warnings, *glueup.cauls, *glueup.assumptions, *stage.steps,
        *stage.warnings, *trim.warnings, *trim.marks_left_in, *layout.remarks, *fake_fastening().steps,
        *fake_fastening().warnings,
    ]  # fmt: skip
    for sentence in sentences:
        assert restate(sentence, units) in text
    assert " mm" not in text.replace("100 mm", "") or units == "mm"
    for page in pages:
        assert words_of([page]).count(STAMP.layout_id) >= 2


def test_steps_that_repeat_are_told_once(placed: PlacedTop) -> None:
    plan = replace(fake_glueup(), stages=(fake_stage(), fake_stage()))
    flow = Flow("a4", STAMP, "Gluing up")
    flow_glueup(flow, placed, plan, units="mm", rough_mm={})
    text = words_of(flow.pages)
    assert text.count("Close them: no gap") == 1
    assert "Then as in stage 1." in text
    assert text.count("The panel weighs about 30 kg.") == 2  # a warning is never saved


def test_clamps_stand_where_the_plan_puts_them(placed: PlacedTop) -> None:
    stage = fake_stage()
    rough = {p.board.id: (100.0, 2000.0) for p in placed.boards}
    drawing = draw_stage(placed, stage, 186.0, units="mm", rough_mm=rough)
    boxes = [s for s in drawing.shapes if isinstance(s, Polygon) and s.colour == (110, 110, 110)]
    left = min(x for box in boxes for x, _ in box.points)
    right = max(x for box in boxes for x, _ in box.points)
    scale = (right - left) / 1900
    bars = [s for s in drawing.shapes if isinstance(s, Line) and s.points[0][0] == s.points[1][0]]
    places = sorted((line.points[0][0] - left) / scale for line in bars)
    assert places == pytest.approx([50, 950, 1850], abs=0.1)
    solid = [line for line in bars if not line.dash_mm]
    assert [(line.points[0][0] - left) / scale for line in solid] == pytest.approx([950], abs=0.1)
    seams = [s for s in drawing.shapes if isinstance(s, Line) and s.layer == "seams"]
    depths = sorted((line.points[0][1] - 9.0) / scale for line in seams)
    assert depths == pytest.approx([placed.boards[k].box.bottom_mm for k in (1, 2)], abs=0.1)


def test_a_single_clamp_is_spoken_of_as_one(placed: PlacedTop) -> None:
    alone = replace(fake_stage(), clamps=(Clamp(950, False, 1),))
    flow = Flow("a4", STAMP, "Gluing up")
    flow_glueup(flow, placed, replace(fake_glueup(), stages=(alone,)), units="mm", rough_mm={})
    text = words_of(flow.pages)
    assert "1 clamp in the middle, about 4.4 kN each" in text
    assert "900 mm" not in text


def test_a_top_of_one_board_is_spoken_of_as_one(boards: list[Board], tmp_path: Path) -> None:
    layout = Layout((Placement("1"),), Score({}, 0.0))
    placed = place_top(layout, boards)
    plans = Plans(predict_top_year(layout, boards))
    pages = draw_pages(layout, placed, plans, STAMP, paper="a4", units="mm", features={})
    text = words_of(pages)
    assert "The top: 1 board, " in text
    assert "The only board." in text
    assert "Dashed: where the top is cut" not in text  # nothing is cut off, so no dashed line is drawn
    written = write_papers(tmp_path, layout, boards, strips=True, made_on=STAMP.made_on)
    assert "strips.pdf" not in [path.name for path in written]  # there is no seam to lay a strip along


@pytest.mark.parametrize("name", ["8", "WMW", "walnut offcut no. 3 of 12", "BOARD OFF THE GATE"])
def test_a_name_keeps_to_its_place(name: str) -> None:
    """On its card, over the picture and on the stage, however long or wide it is."""
    boards = [fake_board(name, px_per_mm=0.2), fake_board("2", px_per_mm=0.2)]
    layout = Layout((Placement(name, Pose("B", True)), Placement("2")), Score({}, 0.0))
    placed = place_top(layout, boards)
    card = draw_card(placed, placed.boards[0], STAMP, (93.0, 66.0), units="mm", features={})
    ends = {t.text: t.at[0] + text_width_mm(t.text, t.size_mm, bold=t.bold) for t in texts_of(card)}
    beside = min(t.at[0] for t in texts_of(card) if t.text in ("face B up", "turned end for end"))
    assert ends[board_name(name)] < beside
    assert ends["turned end for end"] < 93.0 - 3.0
    notes = draw_notes(placed, placed.panel)
    tag, label, letter = notes.shapes[1], *texts_of(notes)[:2]
    assert isinstance(tag, Polygon)
    assert label.at[0] + text_width_mm(label.text, label.size_mm, bold=True) < letter.at[0]
    assert letter.at[0] < max(x for x, _ in tag.points)
    stage = plan_glueup(layout, boards).stages[0]
    drawing = draw_stage(placed, stage, 186.0, units="mm", rough_mm={})
    (shown,) = (t for t in texts_of(drawing) if t.text == f"{board_name(name)} B")
    half = text_width_mm(shown.text, shown.size_mm, bold=True) / 2
    start, end = shown.at[0] - half, shown.at[0] + half
    assert shown.size_mm == 4.0
    bars = sorted(s.points[0][0] for s in drawing.shapes if isinstance(s, Line) and s.layer == "drawing")
    under = drawing.shapes[drawing.shapes.index(shown) - 1]
    tagged = isinstance(under, Polygon) and min(x for x, _ in under.points) < start
    assert tagged or bars[0] < start < end < bars[1]
    assert 1.0 < start < end < 185.0


def test_columns_give_room_to_words_that_need_it() -> None:
    columns = [Column("Board", 12.0), Column("Length", 30.0), Column("Slide", 28.0)]
    assert fit_columns(columns, [["1", "1900 mm", "none"]]) == columns
    assert fit_columns(columns, []) == columns
    long = "walnut offcut no. 3"
    fitted = fit_columns(columns, [["1", "1900 mm", "none"], [long, "1900 mm", "none"]])
    assert sum(c.width_mm for c in fitted) == pytest.approx(70.0)
    assert fitted[0].width_mm > text_width_mm(long, 3.3) + 2.0
    assert all(c.width_mm > text_width_mm(c.heading, 3.3, bold=True) + 2.0 for c in fitted)
    longer = fit_columns(columns, [[5 * long, "1900 mm", "none"]])  # more than there is: shared out
    assert sum(c.width_mm for c in longer) == pytest.approx(70.0)


def test_widths_stand_on_the_card_as_the_board_lies() -> None:
    board = fake_board("1", px_per_mm=0.2, start_mm=140, end_mm=125)
    layout = Layout((Placement("1", Pose("A", True)),), Score({}, 0.0))
    placed = place_top(layout, [board])
    lines = card_lines(placed, placed.boards[0], units="mm", features={})
    assert "125.0 mm wide at the left end, 140.0 mm at the right one." in lines[1]
    assert "off the upper edge 0.0 mm / 7.5 mm" in lines[2]  # left end / right end, as it lies too


@pytest.mark.parametrize(
    ("low_mm", "high_mm", "words"),
    [
        (1.0, 2.5, "1.0 mm to 2.5 mm"),
        (-2.5, -1.0, "1.0 mm to 2.5 mm"),
        (-0.8, 1.3, "0.8 mm narrower to 1.3 mm wider"),  # boards of unlike moisture
    ],
)
def test_a_range_of_movement_that_goes_both_ways_says_so(
    boards: list[Board], placed: PlacedTop, low_mm: float, high_mm: float, words: str
) -> None:
    year = predict_top_year(fake_layout(), boards)
    width = replace(year.seasons[0].width, low_mm=low_mm, high_mm=high_mm)
    year = replace(year, seasons=(replace(year.seasons[0], width=width), *year.seasons[1:]))
    flow = Flow("a4", STAMP, "Movement")
    flow_movement(flow, placed, year, units="mm")
    assert words in [t.text for page in flow.pages for t in texts_of(page)]


def test_short_boards_are_said_to_be_short(placed: PlacedTop) -> None:
    trim = fake_trim(placed)
    short = replace(trim, boards=(replace(trim.boards[0], left_mm=-4.0), *trim.boards[1:]))
    flow = Flow("a4", STAMP, "Size")
    flow_trim(flow, placed, short, units="mm")
    assert "4 mm too short" in words_of(flow.pages)


@pytest.mark.parametrize("off_mm", [0.1, 0.3, 0.5, 0.6, 0.78, 0.8, 3.0])
def test_no_length_to_cut_off_or_slide_reads_as_nought(off_mm: float) -> None:
    for units in ("mm", "in"):
        words = [rip_words((off_mm, off_mm), units), slide_words(-off_mm, units)]
        assert not [w for w in words if re.match(r"0(\"|\.0 mm| mm)", w)], words


def test_edges_and_corners_are_named_with_their_usual_sizes(placed: PlacedTop) -> None:
    flow = Flow("a4", STAMP, "Size")
    eased = ShapeOption("eased edge", "A small rounding.", (1.5, 3.0))
    bark = ShapeOption("bark edge", "Kept.", (0, 0))
    trim = replace(fake_trim(placed), edge_options=(eased,), corner_options=(bark,))
    flow_trim(flow, placed, trim, units="mm")
    text = words_of(flow.pages)
    assert "Eased edge. A small rounding. Usual: 1.5 to 3 mm." in text
    assert text.endswith("Bark edge. Kept.")


def test_what_was_said_before_is_not_said_twice() -> None:
    flow = Flow("a4", STAMP, "Fastening")
    flow_fastening(flow, fake_fastening(), width_mm=850, units="in", said=("said before",))
    text = words_of(flow.pages)
    assert "said before" not in text
    assert "not to move" in text
    assert '3/8"' in text  # the slot of 9.7 mm: 24.4/64, the nearest 64th is 3/8


@pytest.mark.parametrize(
    ("metric", "imperial"),
    [
        (
            "no gap over 0.15 mm.",
            'no gap over 0.006".',
        ),  # Wengert gives 0.002 to 0.006 in. as 0.05 to 0.15 mm
        ("a knot 25.4 x 50.8 mm, far", 'a knot 1" x 2", far'),
        ("Leave 200 to 300 mm apart", 'Leave 7 7/8" to 11 13/16" apart'),
        ("it weighs 45.36 kg now", "it weighs 100 lb now"),  # a US hundredweight
        ("650 kg/m3 at 12 %", "650 kg/m3 at 12 %"),
        ("0.7 to 1.0 MPa on 1.0 MPa", "102 to 145 psi on 145 psi"),
        ("below 13 °C", "below 55 °F"),  # the glue guides' pair of figures
        ("9 grams, 3 mmol, 2 mm2", "9 grams, 3 mmol, 2 mm2"),
    ],
)
def test_sentences_are_restated_for_readers_of_inches(metric: str, imperial: str) -> None:
    assert restate(metric, "in") == imperial
    assert restate(metric, "mm") == metric


def test_forces_and_weights_use_the_published_factors() -> None:
    """Factors of NIST SP 811 appendix B.8, recalled; 1 kip is 4.448222 kN, 1 lb is 16 oz."""
    assert force_words(4448.222, "in") == "1000 lbf"
    assert force_words(4448.222, "mm") == "4.4 kN"
    assert glue_words(453.59237, "in") == "16.0 oz"
    assert weight_words(10, "in") == "22 lb"


def planed(*, arches: Literal[-1, 0, 1], bark_up: Side | None, side: Side, turned: bool) -> int:
    cells = np.zeros((1, 1))
    features = Features(
        1, 20, cells, cells, np.zeros((1, 1, 3)), cells, cells, np.zeros(3), 0.0,
        cathedral=Cathedral(np.zeros((2, 2)), arches, 0.9),
    )  # fmt: skip
    board = replace(fake_boards(px_per_mm=0.1)[0], bark_side=bark_up)
    layout = Layout((Placement("1", Pose(side, turned)),), Score({}, 0.0))
    item = place_top(layout, [board]).boards[0]
    return planing_of(item, {("1", side): features})


def test_the_planing_arrow_turns_with_the_board_and_swaps_with_the_bark_side() -> None:
    """Heart side up: towards the arches' tips; bark side up: against them (common practice, no source)."""
    assert planed(arches=1, bark_up="B", side="A", turned=False) == 1
    assert planed(arches=1, bark_up="A", side="A", turned=False) == -1
    assert planed(arches=1, bark_up="A", side="A", turned=True) == 1
    assert planed(arches=-1, bark_up="A", side="B", turned=False) == -1
    assert planed(arches=1, bark_up=None, side="A", turned=False) == 0
    assert planed(arches=0, bark_up="A", side="A", turned=False) == 0


def test_scores_are_told_from_the_largest_share_down() -> None:
    lines = describe_score(Score({"knots": 0.5, "tone_match": 3.0, "new_term": 0.1}, 3.6, (0.2, 1.3)))
    assert lines[0].startswith("Score 3.60")
    assert lines[1] == "Most of it: colour steps at the seams (3.00)."
    assert lines[3] == "A little: new term (0.10)."
    assert "seam 1 shows least (hard to find) and seam 2 most (stands out)" in lines[4]


def test_the_worst_seam_is_told_with_its_reason() -> None:
    score = Score({"knots": 0.5}, 0.5, (0.2, 1.3), ("line_flow", "hide_sapwood"))
    assert describe_score(score)[-1].endswith("seam 2 most (stands out: sapwood along it).")
    quiet = Score({"knots": 0.5}, 0.5, (0.2, 0.5), ("line_flow", "hide_sapwood"))
    assert describe_score(quiet)[-1].endswith("seam 2 most (quiet).")


def test_seams_that_are_all_alike_are_not_told_apart_by_one_word() -> None:
    lines = describe_score(Score({"tone_match": 1.0}, 1.0, seams=(2.0, 3.0, 2.5)))
    assert lines[-1] == "Every seam: stands out; from the upper edge, seam 2 shows most."
    assert describe_score(Score({}, 0.0)) == ["Score 0.00; lower is better."]
    assert [describe_seam(v) for v in (0.0, 0.5, 0.8, 1.0, 2.0)] == [
        "hard to find", "quiet", "visible", "as if by chance", "stands out",
    ]  # fmt: skip


def test_only_a_proof_is_called_one() -> None:
    layout = fake_layout()
    assert "ruled out" in describe_proof(layout)
    assert "5 %" in describe_proof(replace(layout, proven_optimal=False, bound=6.27))
    assert "may exist" in describe_proof(replace(layout, proven_optimal=False, bound=None))


def test_a_trim_plan_moves_the_cut_on_every_drawing(boards: list[Board], placed: PlacedTop) -> None:
    cut = Box(*fake_trim(placed).cut_mm)
    assert place_top(fake_layout(), boards, cut=cut).cut == cut
