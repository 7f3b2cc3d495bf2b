"""Files of every released version open; the fixtures under tests/fixtures are never changed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from grainmatch.errors import StoreError
from grainmatch.report.record import layout_from_json, read_boards, read_layout
from grainmatch.report.top import draw_png
from grainmatch.store import open_shop, read_archive

FIXTURES = Path(__file__).parent / "fixtures"
VERSIONS = sorted(FIXTURES.glob("version_*"))


def test_there_is_a_fixture() -> None:
    assert VERSIONS


@pytest.mark.parametrize("version", VERSIONS, ids=lambda p: p.name)
def test_boards_and_layout_open_and_draw(version: Path) -> None:
    boards = read_boards(version / "boards")
    layout = read_layout(version / "layout.json")
    assert {p.board_id for p in layout.placements} <= {b.id for b in boards}
    assert draw_png(layout, boards, long_side_px=200).startswith(b"\x89PNG")


@pytest.mark.parametrize("version", VERSIONS, ids=lambda p: p.name)
def test_a_job_file_comes_in_whole(version: Path, tmp_path: Path) -> None:
    shop = open_shop(tmp_path)
    job_id = read_archive(shop, (version / "job.zip").read_bytes())
    layouts = shop.list_layouts(job_id)
    assert layouts
    assert all(layout_from_json(saved.body).placements for saved in layouts)
    assert shop.list_boards(job_id)


def test_a_newer_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "boards"
    shutil.copytree(VERSIONS[-1] / "boards", folder)
    text = (
        (folder / "boards.json").read_text("utf-8").replace('"schema_version": 1', '"schema_version": 99', 1)
    )
    assert "99" in text
    (folder / "boards.json").write_text(text, "utf-8")
    with pytest.raises(StoreError, match="newer grainmatch"):
        read_boards(folder)
    assert (folder / "boards.json").read_text("utf-8") == text
