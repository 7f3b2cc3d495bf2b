"""A photo without the printed sheet is told what to go by, under the photo that asks for it."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from grainmatch.errors import StoreError
from grainmatch.model import Progress
from grainmatch.photo.camera import LAY_OR_SAY
from grainmatch.photo.pose import KnownBoard, KnownPaper, KnownScale
from grainmatch.pipeline.gather import Failure, Measured
from grainmatch.store import Job, Shop
from grainmatch.ui.bringing import check_details
from grainmatch.ui.scales import keep_scale, scale_of
from tests.ui.conftest import make_boards
from tests.ui.pages import PATIENCE_S, open_page, press


class FakeMeasuring:
    """Stands in for the measuring: photos named `bare` need to be told what to go by."""

    def __init__(self) -> None:
        self.known_in: Mapping[str, KnownScale] = {}

    def __call__(
        self, paths: list[Path], *, progress: Progress, known_in: Mapping[str, KnownScale], **_: object
    ) -> Measured:
        self.known_in = dict(known_in)
        lost = [p.name for p in paths if p.name.startswith("bare") and p.name not in known_in]
        failures = tuple(Failure(name, "No reference sheet was found.", LAY_OR_SAY) for name in lost)
        return Measured(tuple(make_boards()), {}, (), failures)


@pytest.fixture
def measuring(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeMeasuring]:
    fake = FakeMeasuring()
    monkeypatch.setattr("grainmatch.pipeline.pile.photos_to_boards", fake)
    yield fake
    st.cache_resource.clear()
    st.cache_data.clear()


@pytest.fixture
def bare(shop: Shop, job: Job, measuring: FakeMeasuring, samples: Path) -> Job:
    """The job with one photo that has a sheet and one that failed for lack of it."""
    good = (samples / "demo_ends_left.jpg").read_bytes()
    shop.add_photo(job.id, "sheet.jpg", good, state="measured")
    lost = shop.add_photo(job.id, "bare.jpg", good + b"\0")
    shop.set_photo_state(job.id, lost.sha256, "failed", f"No reference sheet was found. {LAY_OR_SAY}")
    return job


def lost_photo(shop: Shop, job: Job) -> str:
    return next(p.sha256 for p in shop.list_photos(job.id) if p.name == "bare.jpg")


def choose(app: AppTest, way: str) -> AppTest:
    (choice,) = (s for s in app.selectbox if s.label == "Go by")
    return choice.set_value(way).run()


def type_size(app: AppTest, text: str) -> AppTest:
    field = next(t for t in app.text_input if t.label.startswith(("Its length", "Its width")))
    return field.set_value(text).run()


def wait_until_measured(shop: Shop, job: Job) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while any(p.state != "measured" for p in shop.list_photos(job.id)):
        assert time.monotonic() < end_s, "not measured in time"
        time.sleep(0.05)


def test_a_board_s_length_is_said_where_it_is_asked_for(
    shop: Shop, bare: Job, measuring: FakeMeasuring
) -> None:
    shop.write_setting("units", "in")
    app = choose(open_page("photos"), "length")
    app = type_size(app, "71-5/8in")
    place = next(n for n in app.number_input if n.label == "It is board number")
    app = place.set_value(2).run()
    app = press(app, 'Measure by board 2, 71 5/8" long')
    assert not app.exception
    wait_until_measured(shop, bare)
    said = KnownBoard(length_mm=71.625 * 25.4, place=2)
    assert measuring.known_in == {"bare.jpg": said}
    assert scale_of(shop.read_job(bare.id), lost_photo(shop, bare)) == said
    check_details(dict(shop.read_job(bare.id).details))
    # What was said stays in view, and to the sixteenth shown does not count as typed anew.
    app = open_page("photos")
    assert [t.value for t in app.text_input if t.label == "Its length, in inches"] == ['71 5/8"']
    assert not [b for b in app.button if b.label.startswith("Measure by")]


@pytest.mark.parametrize("typed", ["0 mm", "long", "71-5/8", "1e9 mm"])
def test_a_size_that_is_none_is_said_in_words(shop: Shop, bare: Job, typed: str) -> None:
    app = type_size(choose(open_page("photos"), "width"), typed)
    assert not app.exception
    assert typed in app.error[0].value.replace("\\", "")
    assert not [b for b in app.button if b.label.startswith("Measure by")]
    assert "scales" not in shop.read_job(bare.id).details


def test_a_plain_page_is_said_and_taken_back(shop: Shop, bare: Job, measuring: FakeMeasuring) -> None:
    press(choose(open_page("photos"), "a4"), "Measure by a plain A4 sheet")
    wait_until_measured(shop, bare)
    assert measuring.known_in == {"bare.jpg": KnownPaper("a4")}
    press(choose(open_page("photos"), ""), "Measure by the printed sheet")
    end_s = time.monotonic() + PATIENCE_S
    while [p.state for p in shop.list_photos(bare.id)] != ["measured", "failed"]:
        assert time.monotonic() < end_s
        time.sleep(0.05)
    assert measuring.known_in == {}


@pytest.mark.parametrize(
    "said",
    [{"paper": "a7"}, {"length_mm": 0}, {"width_mm": "wide"}, {}, {"length_mm": 900, "place": "x"}],
)
def test_a_job_file_that_goes_by_nothing_is_refused(said: dict[str, object]) -> None:
    with pytest.raises(StoreError, match="goes by"):
        check_details({"scales": {"f" * 64: said}})


def test_what_was_said_of_a_removed_photo_does_no_harm(
    shop: Shop, bare: Job, measuring: FakeMeasuring
) -> None:
    sha256 = lost_photo(shop, bare)
    keep_scale(shop, bare, sha256, KnownPaper("letter"))
    shop.remove_photo(bare.id, sha256)
    assert not open_page("photos").exception
