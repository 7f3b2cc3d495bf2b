"""Every page of the app, run without a browser."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from grainmatch.errors import StoreError
from grainmatch.face.edits import Edits, add_mark
from grainmatch.glueup.plan import plan_glueup
from grainmatch.model import Base, Layout, Placement, Progress, Score, Tools
from grainmatch.photo.camera import LAY_OR_SAY
from grainmatch.pipeline.gather import Failure, Measured
from grainmatch.report.record import layout_from_json, layout_to_json
from grainmatch.store import Job, Shop, open_shop, read_archive
from grainmatch.ui.base import fit_base, read_base
from grainmatch.ui.hand_marks import keep_edits
from grainmatch.ui.tools import read_tools
from tests.ui.conftest import make_boards
from tests.ui.pages import PATIENCE_S, open_page, press, start, words

APP = str(Path(__file__).parents[2] / "app.py")
PAGES = ("jobs", "photos", "boards", "proposals", "top", "preview", "papers")


@pytest.fixture(autouse=True)
def fresh_caches() -> Iterator[None]:
    """The open store is remembered for the process; each test has a home of its own."""
    yield
    st.cache_resource.clear()
    st.cache_data.clear()


def wait_for_proposals(app: AppTest, shop: Shop, job: Job) -> AppTest:
    end_s = time.monotonic() + PATIENCE_S
    while not shop.list_layouts(job.id, "proposal"):
        assert time.monotonic() < end_s, "no proposals in time"
        time.sleep(0.1)
        app.run()
    return app.run()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_without_boards_says_what_to_do(shop: Shop, name: str) -> None:
    job = shop.add_job("Empty")
    shop.write_setting("last_job", job.id)
    app = open_page(name)
    assert not app.exception
    assert app.title[0].value
    text = words(app)
    assert name == "jobs" or "Empty" in text
    if name not in ("jobs",):
        assert "yet" in text, "an empty page says what is missing"


@pytest.mark.parametrize("name", PAGES)
def test_a_page_with_boards_runs_without_a_fault(shop: Shop, job: Job, name: str) -> None:
    app = wait_for_proposals(open_page("proposals"), shop, job) if name in ("top", "preview") else None
    app = open_page(name)
    assert not app.exception
    assert not app.error, [e.value for e in app.error]


def test_proposals_come_by_themselves_and_one_is_saved(shop: Shop, job: Job) -> None:
    app = wait_for_proposals(open_page("proposals"), shop, job)
    assert "Proposal 1" in words(app)
    app = press(app, "Save this one")
    (saved,) = shop.list_layouts(job.id, "saved")
    assert saved.chosen
    layout = layout_from_json(saved.body)
    assert {p.board_id for p in layout.placements} <= {"1", "2", "3", "4"}
    assert layout.top_mm == (560.0, 300.0)
    app = press(open_page("proposals"), "Save this one")
    assert len(shop.list_layouts(job.id, "saved")) == 2, "earlier choices stay"
    app = open_page("proposals")
    assert "changed since" not in words(app)
    assert "asked for before" not in words(app)
    shop.update_job(job.id, details={"top_mm": [5000.0, 300.0]})
    assert "asked for before: 560 mm x 300 mm" in words(app.run())
    shop.update_job(job.id, details={"top_mm": [560.0, 300.0]})
    shown, area = layout.placements[0], np.array([[250.0, 20], [300, 20], [300, 60], [250, 60]])
    keep_edits(shop, job.id, shown.board_id, shown.pose.side_up, add_mark(Edits(), "keep out", area))
    app = app.run()
    assert "changed since" in words(app), "proposals older than a corrected mark say so"
    app = press(app, "Propose again with them")
    end_s = time.monotonic() + PATIENCE_S
    while "changed since" in words(app) and time.monotonic() < end_s:
        time.sleep(0.1)
        app.run()
    (first, *_) = shop.list_layouts(job.id, "proposal")
    sides = {p.board_id: p.pose.side_up for p in layout_from_json(first.body).placements}
    assert sides.get(shown.board_id) != shown.pose.side_up, "the area is out of sight"


def test_wishes_that_cannot_be_met_are_said_in_words(shop: Shop, job: Job) -> None:
    shop.update_job(job.id, details={"top_mm": [560.0, 5000.0]})
    app = open_page("proposals")
    end_s = time.monotonic() + PATIENCE_S
    while not app.error and time.monotonic() < end_s:
        time.sleep(0.1)
        app.run()
    assert len(app.error) == 1
    assert not app.exception


def edit_top(app: AppTest, job: Job, **changes: object) -> AppTest:
    """Send what the browser's view sends when the first board is changed."""
    bench = app.session_state[f"bench_{job.id}"]
    layout = bench.now.to_items()
    layout[0] |= changes
    step = {"seq": bench.seq + 1, "layout": layout}
    app.session_state["top_view"] = {"edit": {"rev": bench.rev, "seq": bench.seq + 1, "steps": [step]}}
    return app.run()


def test_an_edit_in_the_top_view_is_scored_kept_undone_and_redone(shop: Shop, job: Job) -> None:
    wait_for_proposals(open_page("proposals"), shop, job)
    app = open_page("top")
    start = app.session_state[f"bench_{job.id}"].now
    flipped = "B" if start.placements[0].pose.side_up == "A" else "A"
    app = edit_top(app, job, side=flipped)
    assert not app.exception
    (working,) = shop.list_layouts(job.id, "working")
    kept = json.loads(working.body)["layout"]
    assert kept["placements"][0]["side_up"] == flipped
    assert kept["score"]["total"] > 0
    app = press(app, "Undo")
    assert app.session_state[f"bench_{job.id}"].now == start
    app = press(app, "Redo")
    assert app.session_state[f"bench_{job.id}"].now.placements[0].pose.side_up == flipped


def test_the_rest_is_finished_round_a_locked_board(shop: Shop, job: Job) -> None:
    wait_for_proposals(open_page("proposals"), shop, job)
    app = open_page("top")
    app = edit_top(app, job, locked=True, turned=True, slide_mm=15.0)
    held = app.session_state[f"bench_{job.id}"].now.placements[0]
    app = press(app, "Finish the rest for me")
    assert not app.exception
    assert app.session_state[f"bench_{job.id}"].now.placements[0] == held


def test_one_change_that_helps_is_done_and_the_locked_board_stays(shop: Shop, job: Job) -> None:
    wait_for_proposals(open_page("proposals"), shop, job)
    app = open_page("top")
    bench = app.session_state[f"bench_{job.id}"]
    worse = "B" if bench.now.placements[0].pose.side_up == "A" else "A"
    app = edit_top(app, job, side=worse)
    before = json.loads(shop.list_layouts(job.id, "working")[0].body)["layout"]["score"]["total"]
    app = press(app, "Better by one change")
    after = json.loads(shop.list_layouts(job.id, "working")[0].body)["layout"]["score"]["total"]
    assert after < before
    app = edit_top(app, job, locked=True)
    held = app.session_state[f"bench_{job.id}"].now.placements[0]
    app = press(app, "Better by one change")
    assert not app.exception
    assert app.session_state[f"bench_{job.id}"].now.placements[0] == held


def test_a_layout_in_work_waits_for_the_next_visit(shop: Shop, job: Job) -> None:
    wait_for_proposals(open_page("proposals"), shop, job)
    edited = edit_top(open_page("top"), job, slide_mm=22.0).session_state[f"bench_{job.id}"].now
    assert edited.placements[0].pose.slide_mm == 22.0
    assert open_page("top").session_state[f"bench_{job.id}"].now == edited


def test_an_edit_in_one_browser_reaches_the_other(shop: Shop, job: Job) -> None:
    wait_for_proposals(open_page("proposals"), shop, job)
    phone, laptop = open_page("top"), open_page("top")
    edit_top(phone, job, slide_mm=31.0)
    laptop.run()
    bench = laptop.session_state[f"bench_{job.id}"]
    assert bench.now.placements[0].pose.slide_mm == 31.0
    assert bench.past, "and can be undone there"


def test_the_boards_page_lists_every_size_with_its_plus_minus(shop: Shop, job: Job) -> None:
    app = open_page("boards")
    table = app.dataframe[0].value
    assert list(table["board"]) == ["1", "2", "3", "4"]
    assert table["left width"][1] == "96.0 ± 0.2 mm"
    shop.write_setting("units", "in")
    table = open_page("boards").dataframe[0].value
    assert table["left width"][1].startswith('3 3/4"'), "96 mm is 3.78 in, nearest sixteenth 3 3/4"


def test_what_the_maker_says_of_a_board_is_kept_and_used(shop: Shop, job: Job) -> None:
    app = open_page("boards")
    next(t for t in app.text_input if t.label == "Species").set_value("hard maple")
    next(n for n in app.number_input if n.label.startswith("Moisture")).set_value(7.5)
    press(app, "Keep")
    row = open_page("boards").dataframe[0].value.iloc[0]
    assert (row["species"], row["moisture"]) == ("hard maple", "7.5 %")


@pytest.fixture
def saved(shop: Shop, job: Job) -> Job:
    """A job with a saved layout of two boards, 214 mm wide."""
    layout = Layout((Placement("1"), Placement("2")), Score({}, 0.0))
    shop.choose_layout(job.id, shop.add_layout(job.id, layout_to_json(layout), name="Mine").id)
    return job


def test_the_shop_s_tools_are_kept_for_all_jobs_and_the_plan_follows_them(
    shop: Shop, saved: Job, tmp_path: Path
) -> None:
    app = open_page("papers")
    next(n for n in app.number_input if n.label.startswith("Clamps")).set_value(1)
    next(t for t in app.text_input if t.label.startswith("Widest opening")).set_value("150 mm")
    next(t for t in app.text_input if t.label.startswith("Planer")).set_value("6in")
    press(app, "Keep for all jobs")
    tools = read_tools(shop)
    assert (tools.clamps_n, tools.clamp_reach_mm, tools.jointer_width_mm) == (1, 150.0, None)
    assert tools.planer_width_mm == pytest.approx(152.4), "an inch is 25.4 mm by definition"
    layout = layout_from_json(shop.list_layouts(saved.id, "saved")[0].body)
    said = plan_glueup(layout, make_boards(), tools=tools).stages[0].warnings
    assert any("the clamps reach 150 mm" in words for words in said)
    shop.write_setting("tools", {"clamps_n": -3})
    assert read_tools(shop) == Tools(), "what cannot be is passed over"


def test_the_base_is_kept_with_the_job_and_impossible_places_are_said_in_words(
    shop: Shop, saved: Job
) -> None:
    app = open_page("papers")
    places = next(t for t in app.text_input if t.label.startswith("Fasteners"))
    places.set_value("here and there")
    press(app, "Keep with this job")
    assert app.error
    assert "base" not in shop.read_job(saved.id).details
    next(t for t in app.text_input if t.label.startswith("Fasteners")).set_value("20; 100; 900")
    next(s for s in app.selectbox if s.label.startswith("The top is held")).set_value("upper edge")
    press(app, "Keep with this job")
    base = read_base(shop.read_job(saved.id))
    assert base == Base("upper edge", places_mm=(20.0, 100.0, 900.0))
    layout = layout_from_json(shop.list_layouts(saved.id, "saved")[0].body)
    assert fit_base(base, layout, tuple(make_boards())).places_mm == (20.0, 100.0)


def test_units_are_chosen_once_for_all_pages(shop: Shop, job: Job) -> None:
    app = open_page("jobs")
    app.segmented_control[0].set_value("in").run()
    assert shop.read_setting("units") == "in"


def test_a_new_job_is_begun_with_its_benches(shop: Shop) -> None:
    app = open_page("jobs")
    next(t for t in app.text_input if t.placeholder == "Kitchen table").set_value("Garden table")
    next(t for t in app.text_input if t.label.startswith("Size")).set_value("1800 x 900")
    next(n for n in app.number_input if n.label.startswith("Benches")).set_value(2)
    press(app, "Begin")
    begun = {j.name: j.details.get("top_mm") for j in shop.list_jobs() if j.name.startswith("Garden")}
    assert begun == {
        "Garden table": [1800.0, 900.0],
        "Garden table, bench 1": None,
        "Garden table, bench 2": None,
    }


def test_a_size_that_cannot_be_read_is_said_in_words(shop: Shop, job: Job) -> None:
    app = open_page("jobs")
    next(t for t in app.text_input if t.placeholder == "Kitchen table").set_value("Odd")
    next(t for t in app.text_input if t.label.startswith("Size")).set_value("big")
    app = press(app, "Begin")
    assert "not a length and a width" in app.error[0].value
    assert "Odd" not in [j.name for j in shop.list_jobs()]


class FakeMeasuring:
    """Stands in for the measuring of photos: one photo is bad, the others give four boards."""

    def __init__(self) -> None:
        self.names: list[str] = []

    def __call__(self, paths: list[Path], *, progress: Progress, **_: object) -> Measured:
        self.names = [p.name for p in paths]
        progress(1, 2, paths[0].name)
        failures = tuple(
            Failure(p.name, "It is no photo.", "Leave it out.") for p in paths if "bad" in p.name
        )
        return Measured(tuple(make_boards()), {}, ("Two boards look alike.",), failures)


def test_uploaded_photos_are_kept_measured_and_one_bad_one_stops_nothing(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, samples: Path
) -> None:
    measuring = FakeMeasuring()
    monkeypatch.setattr("grainmatch.pipeline.pile.photos_to_boards", measuring)
    job = shop.add_job("New", {"thickness_mm": 27.0})
    shop.write_setting("last_job", job.id)
    app = open_page("photos")
    good = (samples / "demo_ends_left.jpg").read_bytes()
    app.file_uploader[0].set_value([("show.jpg", good, "image/jpeg"), ("bad.jpg", b"text", "image/jpeg")])
    app.run()
    wait_for_proposals(app, shop, job)
    assert [(p.name, p.state) for p in shop.list_photos(job.id)] == [
        ("show.jpg", "measured"),
        ("bad.jpg", "failed"),
    ]
    assert measuring.names == ["show.jpg", "bad.jpg"]
    assert len(shop.list_boards(job.id)) == 4
    assert "It is no photo. Leave it out." in words(open_page("photos"))
    assert "Two boards look alike." in words(open_page("boards"))


def test_a_top_too_long_for_the_boards_leads_from_the_photos_to_where_it_is_asked(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, samples: Path
) -> None:
    monkeypatch.setattr("grainmatch.pipeline.pile.photos_to_boards", FakeMeasuring())
    job = shop.add_job("Long", {"thickness_mm": 27.0, "top_mm": [5000.0, 300.0]})
    shop.write_setting("last_job", job.id)
    shop.add_photo(job.id, "show.jpg", (samples / "demo_ends_left.jpg").read_bytes())
    app, end_s = open_page("photos"), time.monotonic() + PATIENCE_S
    while not app.error and time.monotonic() < end_s:
        assert "Ask for another size of top" not in [link.proto.label for link in app.get("page_link")]
        time.sleep(0.1)
        app.run()
    assert "No board is 5000 mm long" in app.error[0].value
    shop.write_setting("units", "in")
    assert 'No board is 196 7/8" long' in app.run().error[0].value
    assert "Ask for another size of top" in [link.proto.label for link in app.get("page_link")]


@pytest.mark.parametrize("name", ["boards", "proposals"])
def test_when_no_photo_gave_a_board_the_photos_that_say_why_are_the_way_on(
    shop: Shop, samples: Path, name: str
) -> None:
    job = shop.add_job("New", {"thickness_mm": 27.0})
    shop.write_setting("last_job", job.id)
    assert "No boards yet" in words(open_page(name))
    photo = shop.add_photo(job.id, "bench.jpg", (samples / "demo_ends_left.jpg").read_bytes())
    torn = shop.add_photo(job.id, "torn.jpg", b"text")
    bare = shop.add_photo(job.id, "bare.jpg", (samples / "demo_ends_left.jpg").read_bytes() + b"\0")
    shop.set_photo_state(job.id, photo.sha256, "failed", "No boards were found in bench.jpg.")
    shop.set_photo_state(job.id, torn.sha256, "failed", "torn.jpg is damaged.")
    shop.set_photo_state(job.id, bare.sha256, "failed", f"No reference sheet was found. {LAY_OR_SAY}")
    shop.update_job(job.id, details={"photo_names": {p.name: p.sha256 for p in (photo, torn, bare)}})
    app = open_page(name)
    assert "None of the 3 photos gave a board" in words(app)
    assert "See what to do about the photos" in [link.proto.label for link in app.get("page_link")]
    if name == "boards":
        (choice,) = (s for s in app.selectbox if s.label == "Photo")
        assert choice.options == ["bench.jpg"], "the only one in which outlines drawn by hand help"
        assert "Add each that lies there" in words(app)
        labels = [link.proto.label for link in open_page("photos").get("page_link")]
        assert labels.count("Outline the boards by hand") == 1


@pytest.mark.parametrize("name", ["boards", "proposals"])
def test_a_page_that_needs_boards_has_waiting_photos_measured(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, samples: Path, name: str
) -> None:
    monkeypatch.setattr("grainmatch.pipeline.pile.photos_to_boards", FakeMeasuring())
    job = shop.add_job("New", {"thickness_mm": 27.0})
    shop.write_setting("last_job", job.id)
    shop.add_photo(job.id, "show.jpg", (samples / "demo_ends_left.jpg").read_bytes())
    app = open_page(name)
    assert "being measured" in words(app) or shop.list_boards(job.id)
    assert "No boards yet" not in words(app)
    wait_for_proposals(app, shop, job)
    assert len(shop.list_boards(job.id)) == 4


def test_a_store_from_a_newer_version_is_said_in_words_and_left_alone(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "newer"
    open_shop(home).close()
    data = bytearray((home / "grainmatch.db").read_bytes())
    data[60:64] = (99).to_bytes(4, "big")
    (home / "grainmatch.db").write_bytes(data)
    monkeypatch.setenv("GRAINMATCH_HOME", str(home))
    app = open_page("proposals")
    assert "newer version" in app.error[0].value
    assert (home / "grainmatch.db").read_bytes() == bytes(data)
    with pytest.raises(StoreError):
        open_shop(home)


def test_app_py_opens_on_the_demo_job_and_begins_to_measure_it(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("grainmatch.pipeline.pile.photos_to_boards", FakeMeasuring())
    app = start(AppTest.from_file(APP, default_timeout=PATIENCE_S))
    assert not app.exception
    (job,) = shop.list_jobs()
    assert "demo" in job.name
    assert len(shop.list_photos(job.id)) == 5
    end_s = time.monotonic() + PATIENCE_S
    while not shop.list_boards(job.id) and time.monotonic() < end_s:
        time.sleep(0.1)
    assert len(shop.list_boards(job.id)) == 4


def test_an_exported_job_opens_in_another_home(shop: Shop, job: Job, tmp_path: Path) -> None:
    from grainmatch.store import write_archive

    write_archive(shop, job.id, tmp_path / "job.zip")
    other = open_shop(tmp_path / "other")
    new_id = read_archive(other, (tmp_path / "job.zip").read_bytes())
    assert json.loads(json.dumps(dict(other.read_job(new_id).details))) == dict(job.details)
    other.close()
