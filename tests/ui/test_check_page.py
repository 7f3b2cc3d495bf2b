"""The dry-fit page on the demo job's own photo, without a browser."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from grainmatch.model import Layout, Placement, Pose, Score
from grainmatch.pipeline.gather import Measured
from grainmatch.report.record import layout_to_json, write_boards
from grainmatch.store import open_shop
from tests.ui.pages import open_page, words


def test_a_turned_board_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, demo: Measured, dry_fit_photo: bytes
) -> None:
    monkeypatch.setenv("GRAINMATCH_HOME", str(tmp_path / "home"))
    shop = open_shop()
    shop.write_setting("units", "in")
    job = shop.add_job("Table", {"thickness_mm": 27.0})
    boards = [replace(b, faces=b.faces[:1]) for b in demo.boards[:4]]
    write_boards(tmp_path / "set", boards, pngs=demo.pngs)
    sha256 = shop.add_set(tmp_path / "set")
    shop.put_boards(job.id, [(b.id, sha256, b.id) for b in boards])

    slides_mm = {"1": -14.9, "2": 10.8, "3": -14.6, "4": -0.8}  # truth.json
    slides_mm["3"] += 2 * 25.4
    placements = tuple(Placement(k, Pose("A", k == "2", slide)) for k, slide in slides_mm.items())
    shop.add_layout(job.id, layout_to_json(Layout(placements, Score({}, 0.0))), name="Mine")

    page = open_page("dry-fit")
    page.file_uploader[0].set_value([("bench.jpg", dry_fit_photo, "image/jpeg")])
    page.run()
    assert not page.exception
    assert "Board 2 is turned end for end" in words(page)
    # To a sixteenth or so: places are told against each other, and this one moves what they lie by.
    assert re.search(r'Board 3 is slid (1 15/16|2|2 1/16)" to the left', words(page))
    assert "take another photo" in words(page)


def test_without_a_layout_it_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRAINMATCH_HOME", str(tmp_path / "home"))
    open_shop().add_job("Table", {"thickness_mm": 27.0})
    page = open_page("dry-fit")
    assert not page.exception
    assert "No layout saved yet" in words(page)
