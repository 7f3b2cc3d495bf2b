"""Boards of the rack brought into a job: what they carry along, and which are chosen for a top."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import streamlit as st

from grainmatch.errors import LayoutError
from grainmatch.face.edits import Edits, add_mark
from grainmatch.report.record import write_boards
from grainmatch.store import Job, Shop
from grainmatch.ui import desk
from grainmatch.ui.hand_marks import edits_of, keep_edits
from grainmatch.ui.rack import choose_boards, free_boards, take_boards
from grainmatch.ui.stock import read_stock
from tests.face.marks import box
from tests.score.boards import make_board
from tests.ui.pages import open_page, press


@pytest.fixture(autouse=True)
def words_in_mm(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(desk, "units", lambda: "mm")
    yield
    st.cache_resource.clear()


@pytest.fixture
def bench(shop: Shop, tmp_path: Path) -> Job:
    """A bench job without boards; on the rack lie short, thick and long boards, dark ones and pale ones."""
    home = shop.add_job("Yard")
    boards = []
    for k in range(16):
        grey = 60 + k if k % 2 else 180 + k
        rgb = np.full((150, 345 if k < 12 else 225, 3), grey, dtype=np.uint8)
        boards.append(replace(make_board(str(k), rgb), thickness_mm=40.0 if k in (10, 11) else 27.0))
    write_boards(tmp_path / "yard", boards)
    sha256 = shop.add_set(tmp_path / "yard")
    shop.put_boards(home.id, [(b.id, sha256, b.id) for b in boards])
    return shop.add_job("Bench", {"top_mm": [200.0, 250.0], "thickness_mm": 27.0})


def test_boards_are_chosen_for_the_top_and_it_is_said_how(shop: Shop, bench: Job) -> None:
    choice = choose_boards(shop, bench, read_stock(shop, bench))
    keys = [int(b.id_in_set) for b in choice.boards]
    assert len(keys) == 4, "375 mm, half again the width, of boards 100 mm wide"
    assert len({k % 2 for k in keys}) == 1, "all dark or all pale"
    assert max(keys) < 10, "none too short or too thick"
    assert choice.words == (
        "Brought in 4 of 16 free boards; 10 are long enough and of this thickness, narrowed by tone."
    )


def test_what_was_said_of_a_board_comes_along(shop: Shop, bench: Job) -> None:
    (home,) = [j for j in shop.list_jobs() if j.name == "Yard"]
    keep_edits(shop, home.id, "3", "A", add_mark(Edits(), "knot", box(10, 10, 30, 30)))
    take_boards(shop, bench, [b for b in free_boards(shop, bench) if b.id_in_set in ("3", "4")])
    now = shop.read_job(bench.id)
    assert [b.board_id for b in shop.list_boards(bench.id)] == ["R1", "R2"]
    assert [m.kind for m in edits_of(now.details["boards"]["R1"])["A"].added] == ["knot"]
    assert "R2" not in now.details["boards"]


def test_a_job_with_wood_enough_or_a_rack_without_is_told_so(shop: Shop, bench: Job) -> None:
    long = shop.update_job(bench.id, details={"top_mm": [2000.0, 250.0]})
    with pytest.raises(LayoutError, match="No free board on the rack is 2000 mm long and about 27 mm thick"):
        choose_boards(shop, long, read_stock(shop, long))
    bench = shop.update_job(bench.id, details={"top_mm": [200.0, 250.0]})
    take_boards(shop, bench, choose_boards(shop, bench, read_stock(shop, bench)).boards)
    with pytest.raises(LayoutError, match="wood enough"):
        choose_boards(shop, bench, read_stock(shop, bench))


def test_one_press_brings_them_in(shop: Shop, bench: Job) -> None:
    shop.write_setting("last_job", bench.id)
    app = press(open_page("boards"), "Choose boards for this top")
    assert not app.exception
    assert len(shop.list_boards(bench.id)) == 4
    assert any("Brought in 4 of 16" in i.value for i in app.info)
