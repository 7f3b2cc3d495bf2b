"""A bare number typed in the app has the unit the user works in, and no field rounds what was left alone."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pytest
from streamlit.testing.v1 import AppTest

from grainmatch.model import Base, Layout, Placement, Score, Tools
from grainmatch.report.record import layout_to_json
from grainmatch.store import Job, Shop
from grainmatch.ui.base import read_base
from grainmatch.ui.shape import draw_shape
from grainmatch.ui.tools import read_tools
from grainmatch.wood.top import predict_top_year
from tests.ui.conftest import make_boards
from tests.ui.pages import open_page, press, words

LENGTH_FIELDS: Mapping[str, tuple[str, ...]] = {
    "jobs": ("Size of the top", "Thickness"),
    "photos": ("Thickness",),
    "papers": ("Screws", "Fasteners", "Widest", "Width of its jaw", "Batten", "Planer", "Jointer"),
}


def type_in(app: AppTest, label: str, text: str) -> None:
    next(t for t in app.text_input if t.label.startswith(label)).set_value(text)


@pytest.fixture
def saved(shop: Shop, job: Job) -> Job:
    """A job with a saved layout, so that its papers can be asked for."""
    layout = Layout((Placement("1"), Placement("2")), Score({}, 0.0))
    shop.choose_layout(job.id, shop.add_layout(job.id, layout_to_json(layout), name="Mine").id)
    return job


@pytest.mark.parametrize(("units", "named"), [("mm", "in mm"), ("in", "in inches")])
def test_every_field_for_a_length_says_its_unit(shop: Shop, saved: Job, units: str, named: str) -> None:
    shop.write_setting("units", units)
    for page, fields in LENGTH_FIELDS.items():
        labels = [t.label for t in open_page(page).text_input]
        for field in fields:
            (label,) = (x for x in labels if x.startswith(field))
            assert label.endswith(named)


def test_bare_numbers_are_inches_for_who_works_in_inches(shop: Shop, job: Job) -> None:
    shop.write_setting("units", "in")
    app = open_page("jobs")
    next(t for t in app.text_input if t.placeholder == "Kitchen table").set_value("Desk")
    type_in(app, "Size of the top", "67 x 33-1/2")
    type_in(app, "Thickness", "1-1/16")
    press(app, "Begin")
    begun = next(j for j in shop.list_jobs() if j.id != job.id)
    # An inch is 25.4 mm by definition (international yard and pound agreement, 1959).
    assert begun.details["top_mm"] == pytest.approx([67 * 25.4, 33.5 * 25.4])
    assert begun.details["thickness_mm"] == pytest.approx(17 / 16 * 25.4)


def test_a_thickness_in_the_wrong_unit_is_refused_where_it_is_typed(shop: Shop, job: Job) -> None:
    shop.write_setting("units", "in")
    app = open_page("jobs")
    type_in(app, "Thickness", "27")
    press(app, "Begin")
    assert "685.8 mm is not possible" in words(app).replace("\\", "")
    assert "On the rack" in words(app), "the rest of the page stays"
    assert [j.id for j in shop.list_jobs()] == [job.id]


def test_what_is_left_as_shown_is_not_rounded_to_the_sixteenth(shop: Shop, saved: Job) -> None:
    base, tools = Base(screw_mm=5.0, places_mm=(80.0, 425.0)), Tools(clamp_reach_mm=1000.0)
    shop.update_job(
        saved.id, details={"base": {"screw_mm": 5.0, "places_mm": [80.0, 425.0]}, "thickness_mm": 28.0}
    )
    shop.write_setting("tools", {"clamp_reach_mm": 1000.0})
    shop.write_setting("units", "in")
    assert not [b for b in open_page("photos").button if b.label == "Measure again with these"]
    app = open_page("papers")
    type_in(app, "Fasteners", '3 1/8"; 16 3/4"; 30-1/2')
    press(app, "Keep with this job")
    kept = read_base(shop.read_job(saved.id))
    assert (kept.screw_mm, kept.places_mm) == (base.screw_mm, (80.0, 425.0, 30.5 * 25.4))
    press(open_page("papers"), "Keep for all jobs")
    assert read_tools(shop) == tools


def test_what_the_year_does_is_written_in_the_units_at_hand() -> None:
    layout = Layout((Placement("1"), Placement("2")), Score({}, 0.0))
    year = predict_top_year(layout, make_boards())
    metric, inches = (draw_shape(year, thickness_mm=27.0, units=units) for units in ("mm", "in"))
    assert "mm out of flat" in metric
    assert " mm" not in inches
    assert re.search(r'width [+-]\d+/\d+"', inches)
