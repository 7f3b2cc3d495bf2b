"""Whatever is typed, in a field or on the command line, gives a right value or two sentences."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from grainmatch.board.ends import is_ends_photo
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.measure import scale_photo
from grainmatch.ui.arrangement import Workbench, read_items
from grainmatch.ui.outline_view import Shape, read_shapes
from grainmatch.units import parse_length_mm, parse_size_mm
from tests import strategies
from tests.hard_use.cases import Yard
from tests.hard_use.job import bench_photo, small_boards
from tests.hard_use.pictures import good_pictures
from tests.hard_use.verdict import judge, judge_command

BOARDS = {b.id: b for b in small_boards()}
SHAPE = Shape("1/A", ((0.0, 0.0), (9.0, 0.0), (9.0, 5.0), (0.0, 5.0)))


@given(strategies.typed_lengths())
def test_any_typed_length(text: str) -> None:
    judge(lambda: parse_length_mm(text))


@given(strategies.typed_sizes())
def test_any_typed_size(text: str) -> None:
    judge(lambda: parse_size_mm(text))


@given(strategies.good_lengths())
def test_a_well_typed_length_is_what_it_says(pair: tuple[str, float]) -> None:
    text, mm = pair
    assert parse_length_mm(text) == pytest.approx(mm, rel=1e-12)


@given(strategies.browser_items())
def test_any_placements_from_a_browser(items: object) -> None:
    arrangement = read_items(items, BOARDS)
    if arrangement is not None:
        for p in arrangement.placements:
            assert p.board_id in BOARDS
            assert sum(p.rip_mm) < BOARDS[p.board_id].width_mm


@given(strategies.json_values())
def test_any_answer_from_a_browser(answer: object) -> None:
    arrangement = read_items([{**_item("1"), "locked": False}], BOARDS)
    assert arrangement is not None
    bench = Workbench(arrangement)
    assert not bench.take(answer, BOARDS)
    assert not bench.take({"rev": bench.rev, "steps": answer}, BOARDS)
    bench.take({"rev": bench.rev, "steps": [{"seq": 1, "layout": answer}]}, BOARDS)
    assert bench.now == arrangement
    assert read_shapes(answer, [SHAPE], rev=1, size_px=(10, 10)) is None
    read_shapes({"rev": 1, "shapes": answer}, [SHAPE], rev=1, size_px=(10, 10))
    read_shapes({"rev": 1, "shapes": [{"key": "new-1", "corners": answer}]}, [SHAPE], rev=1, size_px=(10, 10))


def _item(board_id: str) -> dict[str, object]:
    return {"id": board_id, "side": "A", "turned": False, "slide_mm": 0.0, "rip_mm": [0.0, 0.0]}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, yard: Yard) -> Path:
    """A folder with boards, a layout, a picture without boards and a text."""
    folder = tmp_path_factory.mktemp("desk")
    boards, layout = yard.made
    shutil.copytree(boards, folder / "boards")
    shutil.copy(layout, folder / "layout.json")
    (folder / "photo.jpg").write_bytes(good_pictures()["jpeg"])
    (folder / "text.txt").write_text("hello")
    return folder


@given(argv=strategies.command_lines())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_command_line(desk: Path, monkeypatch: pytest.MonkeyPatch, argv: list[str]) -> None:
    monkeypatch.chdir(desk)
    judge_command(argv)
    assert (desk / "text.txt").read_text() == "hello"


def test_a_thickness_far_too_small_is_no_fault() -> None:
    # By it, pieces of the photo a few columns long could be board ends: found by bench_fuzz.
    bench = scale_photo(read_photo(bench_photo(), name="photo.jpg"), 2.0)
    assert not is_ends_photo(bench, thickness_mm=2.0)
