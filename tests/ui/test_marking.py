"""Marks of a face corrected by the maker: in the view, in the job, and when boards are measured anew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from grainmatch.face.edits import Edits, add_mark, apply_edits, edits_to_data, remove_mark
from grainmatch.geometry import Points
from grainmatch.model import Board, Face, Features, Mark, Side
from grainmatch.report.record import read_boards, write_boards
from grainmatch.store import Job, Shop
from grainmatch.ui import desk
from grainmatch.ui.boards_page import rename_board
from grainmatch.ui.bringing import check_details
from grainmatch.ui.carrying import carry_marks
from grainmatch.ui.hand_marks import edits_of, keep_edits, swap_sides, with_edits
from grainmatch.ui.marking import edits_from_shapes, shapes_of
from grainmatch.ui.outline_view import Shape
from grainmatch.ui.pricing import job_features
from grainmatch.ui.stock import Stock, read_stock
from tests.face.marks import box, read_with
from tests.faces import straight_face
from tests.ui.pages import open_page

SIZE = (800, 200)


def blank_face(side: Any = "A", *, length_mm: float = 400.0, width_mm: float = 100.0, **more: Any) -> Face:
    """A face at two pixels a millimetre, as large as SIZE unless told otherwise."""
    wood = np.full((round(2 * width_mm), round(2 * length_mm), 3), 150, np.uint8)
    return replace(straight_face(wood, side, px_per_mm=2.0), **more)


KNOT, CRACK = Mark("knot", box(100, 20, 120, 40)), Mark("crack", box(10, 50, 60, 53))


@pytest.fixture(autouse=True)
def words_in_mm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk, "units", lambda: "mm")


def read_of(shop: Shop, job: Job, board_id: str) -> dict[Side, Features]:
    """What is read from a board's faces, as corrected."""
    board = read_stock(shop, job).by_id[board_id]
    return {side: f for (_, side), f in job_features(shop, job, Stock((board,), frozenset(), ())).items()}


def seen(read: Features, edits: Edits) -> dict[str, tuple[str, bool]]:
    return {s.key: (s.kind, s.off) for s in shapes_of(blank_face(), read, edits, [], SIZE)}


def redraw(read: Features, edits: Edits, *add: Shape, **changes: dict[str, Any]) -> Edits:
    """What is corrected after the shapes named were changed, and others added."""
    shapes = shapes_of(blank_face(), read, edits, [], SIZE)
    drawn = [replace(s, **changes.get(s.key.replace("-", "_"), {})) for s in shapes]
    return edits_from_shapes(blank_face(), read, edits, [*drawn, *add], SIZE)[0]


def test_marks_are_listed_from_left_to_right_with_size_and_place() -> None:
    first, second = shapes_of(blank_face(), read_with(KNOT, CRACK), Edits(), [], SIZE)
    assert (first.tag, first.kind, first.note) == ("C1", "crack", "50 mm x 3 mm, 10 mm from the left end")
    assert (second.tag, second.fixed) == ("K2", True)
    assert second.corners[0] == (200.0, 40.0), "two picture pixels a millimetre"


def test_a_mark_is_taken_away_and_put_back() -> None:
    read = read_with(KNOT, CRACK)
    gone = redraw(read, Edits(), read_0={"off": True})
    assert [m.kind for m in apply_edits(read, gone).marks] == ["crack"]
    assert seen(read, gone) == {"read-0": ("knot", True), "read-1": ("crack", False)}
    assert not redraw(read, gone, read_0={"off": False})


def test_a_mark_read_as_another_kind_keeps_its_outline_and_can_be_had_back() -> None:
    read = read_with(KNOT, CRACK)
    renamed = redraw(read, Edits(), read_0={"kind": "pitch"})
    assert [m.kind for m in apply_edits(read, renamed).marks] == ["crack", "pitch"]
    np.testing.assert_array_equal(renamed.added[0].outline_mm, KNOT.outline_mm)
    shown = shapes_of(blank_face(), read, renamed, [], SIZE)
    assert {s.key for s in shown} == {"read-1", "new-1"}
    without = [s for s in shown if s.key != "new-1"]
    back, _ = edits_from_shapes(blank_face(), read, renamed, without, SIZE)
    assert seen(read, back) == {"read-0": ("knot", False), "read-1": ("crack", False)}


def test_a_drawn_mark_is_kept_where_it_was_drawn() -> None:
    new = Shape("new-1", tuple(map(tuple, 2 * box(300, 5, 330, 25))), kind="keep out")
    edits = redraw(read_with(KNOT), Edits(), new)
    assert edits.added[0].box_mm == (300, 5, 330, 25)
    assert redraw(read_with(KNOT), edits).added[0].box_mm == (300, 5, 330, 25), "looking changes nothing"


def test_what_was_taken_away_stays_so_when_it_is_read_again() -> None:
    gone = remove_mark(Edits(), KNOT)
    later = redraw(read_with(CRACK), gone, read_0={"off": True})
    assert [m.kind for m in later.removed] == ["knot", "crack"]
    assert not apply_edits(read_with(KNOT, CRACK), later).marks


# --- kept with the job ---------------------------------------------------------------------------

OLD_DETAILS = Path(__file__).parents[1] / "fixtures" / "version_1" / "details_with_areas.json"


def test_areas_kept_by_the_first_release_are_marks_now(shop: Shop, job: Job) -> None:
    """The fixture holds the details of a job as the first release kept them."""
    details = json.loads(OLD_DETAILS.read_text("utf-8"))
    check_details(details)
    old = shop.update_job(job.id, details=details)
    (area,) = [m for m in read_of(shop, old, "2")["B"].marks if m.kind == "keep out"]
    assert area.box_mm == (120.5, 10.0, 180.5, 42.0)
    new = keep_edits(shop, job.id, "2", "A", add_mark(Edits(), "knot", box(1, 1, 9, 9)))
    said = new.details["boards"]["2"]
    assert "keep_out" not in said
    assert said["species"] == "black cherry"
    assert {side: [m.kind for m in e.added] for side, e in edits_of(said).items()} == {
        "A": ["knot"],
        "B": ["keep out"],
    }
    check_details(dict(new.details))


def test_marks_go_along_when_a_board_is_renamed_and_turned_over(
    shop: Shop, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(desk, "the_shop", lambda: shop)
    pitch = add_mark(Edits(), "pitch", box(300, 30, 340, 50))
    keep_edits(shop, job.id, "3", "B", pitch)
    rename_board(shop.read_job(job.id), "3", "knotty")
    now = shop.read_job(job.id)
    read = read_of(shop, now, "knotty")
    assert sum(m.kind == "pitch" for m in read["B"].marks) == 1
    said = dict(now.details["boards"])
    said["knotty"] = with_edits(said["knotty"] | {"swap_faces": True}, swap_sides(edits_of(said["knotty"])))
    now = shop.update_job(job.id, details={"boards": said})
    over = read_of(shop, now, "knotty")
    assert [m.box_mm for m in over["A"].marks] == [m.box_mm for m in read["B"].marks]


@pytest.fixture
def app(shop: Shop, job: Job) -> Iterator[AppTest]:
    yield open_page("boards")
    st.cache_resource.clear()
    st.cache_data.clear()


def _boards_page() -> None:
    from grainmatch.ui.site import show_site

    show_site(open_on="boards")


def test_the_boards_page_keeps_what_the_browser_sends_at_once(shop: Shop, job: Job, app: AppTest) -> None:
    name = f"marks_{job.id}_1_A"
    read = read_of(shop, job, "1")["A"]
    assert read.marks, "the drawn board has a knot"
    shapes: list[dict[str, Any]] = [{"key": f"read-{k}", "kind": m.kind} for k, m in enumerate(read.marks)]
    shapes[0]["off"] = True
    shapes.append({"key": "new-1", "kind": "crack", "corners": box(20, 50, 80, 55).tolist()})
    app.session_state[f"{name}_view"] = {"drawn": {"rev": app.session_state[name].rev, "shapes": shapes}}
    app = app.run()
    assert not app.exception
    now = shop.read_job(job.id)
    edits = edits_of(now.details["boards"]["1"])["A"]
    assert [m.kind for m in edits.added] == ["crack"]
    assert edits.removed[0].kind == read.marks[0].kind
    corrected = read_of(shop, now, "1")["A"]
    assert len(corrected.marks) == len(read.marks)
    assert any(f"{len(read.marks)} mark" in c.value for c in app.caption)
    keep_edits(shop, job.id, "1", "A", Edits())
    app = app.run()
    assert not shop.read_job(job.id).details["boards"]["1"].get("marks"), "an old answer is not taken again"


def test_another_show_face_takes_its_marks_along(shop: Shop, job: Job, app: AppTest) -> None:
    keep_edits(shop, job.id, "1", "B", add_mark(Edits(), "stain", box(20, 20, 60, 50)))
    next(c for c in app.checkbox if c.label == "Make the other face the show face").check()
    app = next(b for b in app.button if b.label == "Keep").click().run()
    assert not app.exception
    now = shop.read_job(job.id)
    assert now.details["boards"]["1"]["swap_faces"]
    read = read_of(shop, now, "1")
    assert [m.box_mm for m in read["A"].marks if m.kind == "stain"] == [(20, 20, 60, 50)]
    assert "stain" not in {m.kind for m in read["B"].marks}


# --- measured anew -------------------------------------------------------------------------------

CORNERS = np.array([[100.0, 50.0], [900.0, 60.0], [890.0, 260.0], [110.0, 250.0]])


def at_share(along: float, across: float) -> Points:
    """A place in the photo, as shares of the board's outline."""
    upper, lower = (CORNERS[a] + along * (CORNERS[b] - CORNERS[a]) for a, b in ((0, 1), (3, 2)))
    return np.asarray(upper + across * (lower - upper))


def outlined(board_id: str, outline: Any, **size: float) -> Board:
    face = blank_face(photo="p.jpg", outline_px=np.asarray(outline, dtype=np.float64), **size)
    length_mm, width_mm = face.lower_edge_mm[-1]
    return Board(board_id, length_mm, width_mm, width_mm, 27.0, 0.0, (face,))


@pytest.fixture
def marked(shop: Shop, tmp_path: Path) -> Job:
    """A job with one board on a photo; a knot was added to it, and an area at its far end."""
    made = shop.add_job("Shelf", {"photo_names": {"p.jpg": "sha"}})
    write_boards(tmp_path / "set", [outlined("1", CORNERS)])
    shop.put_boards(made.id, [("oak", shop.add_set(tmp_path / "set"), "1")])
    edits = add_mark(add_mark(Edits(), "knot", box(90, 10, 110, 30)), "keep out", box(380, 70, 400, 100))
    return keep_edits(shop, made.id, "oak", "A", edits)


def carried(shop: Shop, job: Job, *boards: Board, names: tuple[str, ...] = ("oak",)) -> Any:
    """Boxes of the added marks by board, once these boards are measured from the photo."""
    rows = [(name, "new set", b.id) for name, b in zip(names, boards, strict=True)]
    said = carry_marks(shop, job, boards, rows, {"p.jpg": "sha"})
    return {
        n: [(m.kind, *np.round(m.box_mm)) for m in edits_of(said[n]).get("A", Edits()).added] for n in said
    }


def test_marks_stay_when_nothing_moved(shop: Shop, marked: Job) -> None:
    found = carried(shop, marked, outlined("1", CORNERS))
    assert found == {"oak": [("knot", 90, 10, 110, 30), ("keep out", 380, 70, 400, 100)]}


def test_marks_turn_with_the_ends(shop: Shop, marked: Job) -> None:
    found = carried(shop, marked, outlined("1", CORNERS[[2, 3, 0, 1]]))
    assert found == {"oak": [("knot", 290, 70, 310, 90), ("keep out", 0, 0, 20, 30)]}


def test_a_shorter_outline_drops_what_lies_beyond_it(shop: Shop, marked: Job) -> None:
    half = [CORNERS[0], at_share(0.5, 0), at_share(0.5, 1), CORNERS[3]]
    ((kind, left, top, right, bottom),) = carried(shop, marked, outlined("1", half, length_mm=200.0))["oak"]
    assert kind == "knot"
    assert (left, top, right, bottom) == pytest.approx((90, 10, 110, 30), abs=2.5)


def halves() -> tuple[Board, Board]:
    """The board ripped in two: what lies above and below its middle."""
    upper = [CORNERS[0], CORNERS[1], at_share(1, 0.5), at_share(0, 0.5)]
    lower = [at_share(0, 0.5), at_share(1, 0.5), CORNERS[2], CORNERS[3]]
    return outlined("1", upper, width_mm=50.0), outlined("2", lower, width_mm=50.0)


def test_boards_joined_to_one_have_the_marks_of_both(shop: Shop, tmp_path: Path) -> None:
    made = shop.add_job("Shelf", {"photo_names": {"p.jpg": "sha"}})
    write_boards(tmp_path / "set", halves())
    sha256 = shop.add_set(tmp_path / "set")
    shop.put_boards(made.id, [("1", sha256, "1"), ("2", sha256, "2")])
    keep_edits(shop, made.id, "1", "A", add_mark(Edits(), "knot", box(90, 10, 110, 30)))
    job = keep_edits(shop, made.id, "2", "A", add_mark(Edits(), "pitch", box(200, 20, 230, 30)))
    first, second = carried(shop, job, outlined("1", CORNERS), names=("1",))["1"]
    assert (first[0], second[0]) == ("knot", "pitch")
    assert first[1:] == pytest.approx((90, 10, 110, 30), abs=2.5)
    assert second[1:] == pytest.approx((200, 70, 230, 80), abs=2.5)


def test_each_half_of_a_split_board_has_its_marks(shop: Shop, marked: Job) -> None:
    upper, lower = halves()
    found = carried(shop, marked, upper, lower, names=("oak", "5"))
    assert [m[0] for m in found["oak"]] == ["knot"]
    ((_, left, top, *_),) = found["5"]
    assert (left, top) == pytest.approx((380, 20), abs=2.5)


def test_without_a_place_in_a_photo_marks_go_by_the_name(shop: Shop, marked: Job, tmp_path: Path) -> None:
    bare = replace(outlined("1", CORNERS), faces=(blank_face(),))
    write_boards(tmp_path / "bare", [bare])
    shop.put_boards(marked.id, [("oak", shop.add_set(tmp_path / "bare"), "1")])
    assert len(carried(shop, marked, bare)["oak"]) == 2
    assert read_boards(tmp_path / "bare")[0].faces[0].outline_px is None


def test_marks_of_a_photo_that_is_gone_do_not_go_to_another_board_of_that_name(
    shop: Shop, marked: Job
) -> None:
    rows = [("oak", "new set", "1")]
    other = replace(outlined("1", CORNERS), faces=(blank_face(photo="q.jpg", outline_px=CORNERS),))
    said = carry_marks(shop, marked, [other], rows, {"q.jpg": "another"})
    assert not edits_of(said["oak"])


def test_marks_that_make_no_sense_are_refused_when_a_job_comes_in() -> None:
    marks = edits_to_data(add_mark(Edits(), "knot", box(0, 0, 5, 5)))
    check_details({"boards": {"1": {"marks": {"A": marks}}}})
    several: tuple[Any, ...] = ({"A": {"added": [{"kind": "bug"}]}}, {"C": marks}, {"A": []})
    for bad in several:
        with pytest.raises(Exception, match=r"makes no sense|drawn by hand"):
            check_details({"boards": {"1": {"marks": bad}}})
