"""The command line as a person meets it: exit codes, two sentences for a fault, the rest still done."""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grainmatch import cli
from grainmatch.cli import main
from grainmatch.model import Photo
from grainmatch.options import make_parser, read_arguments
from grainmatch.photo.pose import KnownBoard, KnownPaper
from grainmatch.pipeline.gather import Measured
from grainmatch.pipeline.measure import read_bench_photo
from grainmatch.synth import SheetPlace, aim_camera, draw_scene, grow_board
from tests.phone import as_jpeg

SIZE_PX = (1600, 1200)
FIXTURES = Path(__file__).parent / "fixtures"


def scene(**options: Any) -> bytes:
    boards = [grow_board(seed=s, length_mm=900.0 + 11 * s, width_mm=110.0 + 9 * s) for s in (1, 2, 3)]
    camera = aim_camera(size_px=SIZE_PX, eye_mm=(0.0, 60.0, 1000.0))
    options.setdefault("sheet", SheetPlace(centre_mm=(-250.0, 330.0)))
    return as_jpeg(draw_scene(boards, camera=camera, size_px=SIZE_PX, **options).photo)


@pytest.fixture
def one_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Photos are read here, not in processes that import everything anew."""
    monkeypatch.setattr(cli, "PROCESSES", 1)


@pytest.fixture(scope="session")
def good_jpeg() -> bytes:
    return scene()


@pytest.fixture(scope="session")
def back_jpeg() -> bytes:
    return scene(side="B")


def empty_bench() -> bytes:
    rng = np.random.default_rng(3)
    noise = rng.normal(150, 4, (SIZE_PX[1], SIZE_PX[0], 3)).clip(0, 255).astype(np.uint8)
    return as_jpeg(Photo("empty.jpg", noise, 1200.0))


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    code = main([str(w) for w in words])
    out = capsys.readouterr()
    return code, out.out, out.err


def measure(capsys: pytest.CaptureFixture[str], out: Path, *words: str | Path) -> tuple[int, str, str]:
    return run(capsys, "measure", *words, "--thickness", "27mm", "--out", out)


def test_measure_arrange_papers(
    tmp_path: Path, good_jpeg: bytes, back_jpeg: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "pile_show.jpg").write_bytes(good_jpeg)
    (tmp_path / "pile_back.jpg").write_bytes(back_jpeg)
    code, out, err = measure(capsys, tmp_path / "boards", tmp_path, "--species", "cherry", "--json")
    assert code == 0, err
    document = json.loads(out)
    assert [b["id"] for b in document["boards"]] == ["1", "2", "3"]
    for board, seed in zip(document["boards"], (1, 2, 3), strict=True):
        assert board["length_mm"] == pytest.approx(900 + 11 * seed, rel=0.004)
        assert board["start_width_mm"] == pytest.approx(110 + 9 * seed, abs=1.5)
        assert board["back"] is not None
        assert (tmp_path / "boards" / board["face"]).is_file()
    assert "[2/2]" in err

    out_folder = tmp_path / "layouts"
    asked = ["--top", "850x330mm", "--best", "2", "--json"]
    code, out, err = run(capsys, "arrange", tmp_path / "boards", *asked, "--out", out_folder)
    assert code == 0, err
    layouts = json.loads(out)["layouts"]
    assert len(layouts) == 2
    assert {p["board_id"] for p in layouts[0]["placements"]} == {"1", "2", "3"}
    assert layouts[0]["score"]["total"] <= layouts[1]["score"]["total"]

    code, out, err = run(
        capsys, "papers", tmp_path / "layouts" / "layout_1.json", "--out", tmp_path / "papers"
    )
    assert code == 0, err
    written = [Path(line) for line in out.splitlines()]
    assert any(p.suffix == ".pdf" and p.read_bytes().startswith(b"%PDF") for p in written)


def test_marks_corrected_by_hand_are_arranged_and_papered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    boards, marks = tmp_path / "boards", tmp_path / "marks.json"
    shutil.copytree(FIXTURES / "version_1" / "boards", boards)
    asked = ["--top", "280x100mm", "--best", "1"]
    arrange: list[str | Path] = ["arrange", boards, *asked, "--out", tmp_path / "out"]

    def sides(*more: str | Path) -> dict[str, str]:
        code, out, err = run(capsys, *arrange, "--json", *more)
        assert code == 0, err
        return {p["board_id"]: p["side_up"] for p in json.loads(out)["layouts"][0]["placements"]}

    board_id, side = next(iter(sides().items()))
    area = {"kind": "keep out", "outline_mm": [[90, 20], [150, 20], [150, 40], [90, 40]]}
    marks.write_text(json.dumps({"schema_version": 1, "boards": {board_id: {side: {"added": [area]}}}}))
    assert sides("--marks", marks).get(board_id) != side, "the area is out of sight"
    papers: list[str | Path] = ["papers", tmp_path / "out" / "layout_1.json", "--out", tmp_path / "papers"]
    assert run(capsys, *papers)[0] == 0
    for text in ('{"schema_version": 1, "boards": {}}', '{"schema_version": 1, "boards": {"99": {}}}', "{"):
        marks.write_text(text)
        code, _, err = run(capsys, *papers)
        assert code == 3
        assert err.count("\n") == 2, "what is wrong, and what to do"
    code, _, err = run(capsys, *arrange, "--marks", tmp_path / "nowhere.json")
    assert (code, err.count("\n")) == (3, 2)


@pytest.mark.usefixtures("one_process")
def test_bad_photos_do_not_stop_the_others(
    tmp_path: Path, good_jpeg: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = {
        "text.jpg": b"this is not a picture",
        "empty.jpg": b"",
        "garbage.png": bytes(range(256)) * 8,
        "cut.jpg": good_jpeg[: len(good_jpeg) // 2],
    }
    for name, content in {**bad, "good.jpg": good_jpeg}.items():
        (tmp_path / name).write_bytes(content)
    code, out, err = measure(capsys, tmp_path / "b", tmp_path, "--json")
    assert code == 3
    assert len(json.loads(out)["boards"]) == 3
    for name in bad:
        (line,) = [line for line in err.splitlines() if line.startswith(f"{name}: ")]
        assert line.count(". ") >= 1, "one sentence on what, one on how"
    assert "4 photos could not be used" in err
    assert "Traceback" not in err


@pytest.mark.usefixtures("one_process")
def test_no_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bare.jpg").write_bytes(scene(sheet=None))
    code, _, err = measure(capsys, tmp_path / "b", tmp_path / "bare.jpg")
    assert code == 3
    assert "sheet" in err
    found = read_bench_photo(tmp_path / "bare.jpg", thickness_mm=27.0, known=KnownBoard(length_mm=911.0))
    assert found.failure is None
    assert found.by_typed_size


class MeasuringSeen:
    """Stands in for the measuring and keeps what it was told to go by."""

    def __init__(self) -> None:
        self.told: dict[str, Any] = {}

    def __call__(self, photos: list[Path], **told: Any) -> Measured:
        self.told = told
        return Measured((), {}, by_typed_size=("a.jpg", "b.jpg"))


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> MeasuringSeen:
    fake = MeasuringSeen()
    monkeypatch.setattr("grainmatch.pipeline.pile.photos_to_boards", fake)
    return fake


def test_a_size_can_be_said_for_one_photo_alone(
    tmp_path: Path, seen: MeasuringSeen, capsys: pytest.CaptureFixture[str]
) -> None:
    names = tmp_path / "a.jpg", tmp_path / "b.jpg", tmp_path / "c.jpg"
    code, _, err = measure(
        capsys, tmp_path / "b", *names, "--known-length", "1500mm", "--known-length", "b.jpg=1820mm",
        "--known-board", "b.jpg=2", "--known-paper", "c.jpg=a4",
    )  # fmt: skip
    assert code == 0
    assert seen.told["known"] == KnownBoard(length_mm=1500.0)
    assert seen.told["known_in"] == {
        "b.jpg": KnownBoard(length_mm=1820.0, place=2), "c.jpg": KnownPaper("a4")
    }  # fmt: skip
    assert "show no sheet" not in err, "b.jpg has a size of its own"
    measure(capsys, tmp_path / "b", *names, "--known-width", "140mm", "--known-board", "b.jpg=3")
    assert seen.told["known_in"] == {"b.jpg": KnownBoard(width_mm=140.0, place=3)}


def test_one_size_that_gave_the_scale_of_two_photos_is_said(
    tmp_path: Path, seen: MeasuringSeen, capsys: pytest.CaptureFixture[str]
) -> None:
    photos = tmp_path / "a.jpg", tmp_path / "b.jpg"
    _, _, err = measure(capsys, tmp_path / "b", *photos, "--known-length", "35-7/8", "--units", "in")
    assert seen.told["known"] == KnownBoard(length_mm=35.875 * 25.4)
    assert 'a.jpg, b.jpg): in each of them board 1 counted as 35 7/8" long' in err
    assert "--known-length b.jpg=LENGTH" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--known-length", "z.jpg=1500mm"], "'z.jpg' is none of the photos"),
        (["--known-length", "a.jpg=long"], "The length 'long' cannot be read"),
        (["--known-length", "1500mm", "--known-paper", "a4"], "Both a page of paper and a board's size"),
        (["--known-paper", "a5"], "'a5' is no paper"),
        (["--known-length", "1500mm", "--px-per-mm", "2"], "--px-per-mm gives the scale already"),
        (["--known-board", "2"], "nothing says its size"),
        (["--known-length", "1500mm", "--known-board", "0"], "'0' is not a board's number"),
        (["--known-length", "1500mm", "--known-board", "9" * 5000], "is not a board's number"),
    ],
)
def test_what_nothing_can_go_by_is_refused(
    words: list[str], said: str, tmp_path: Path, seen: MeasuringSeen, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = measure(capsys, tmp_path / "b", tmp_path / "a.jpg", *words)
    assert code == 2
    assert said in err
    assert len(err.strip().splitlines()) == 2
    assert not seen.told


def test_a_bare_number_has_the_unit_that_was_asked_for() -> None:
    # An inch is 25.4 mm by definition (international yard and pound agreement, 1959).
    inches = read_arguments(["buy", "--top", "67x33-1/2", "--thickness", "1", "--units", "in"])
    assert (inches.top, inches.thickness) == (pytest.approx((67 * 25.4, 33.5 * 25.4)), 25.4)
    assert read_arguments(["wood", "cherry", "--width", "33", "--units", "in"]).width == 33 * 25.4
    assert read_arguments(["wood", "cherry", "--units", "in"]).width == 1000.0
    arrange = ["arrange", "b", "--out", "o", "--top", "1700x850"]
    assert read_arguments(arrange).top == (1700.0, 850.0)
    assert read_arguments([*arrange, "--units", "in"]).top == pytest.approx((1700 * 25.4, 850 * 25.4))


def test_empty_bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.jpg").write_bytes(empty_bench())
    code, _, err = run(
        capsys, "measure", tmp_path / "bench.jpg", "--thickness", "27", "--out", tmp_path / "b"
    )
    assert code == 3
    assert "bench.jpg" in err


@pytest.mark.parametrize(
    "words",
    [
        ["measure", "x.jpg", "--thickness", "five", "--out", "b"],
        ["measure", "x.jpg", "--thickness", "0", "--out", "b"],
        ["measure", "x.jpg", "--thickness", "5000mm", "--out", "b"],
        ["measure", "x.jpg", "--thickness", "27", "--species", "unobtainium", "--out", "b"],
        ["measure", "--thickness", "27", "--out", "b"],
        ["arrange", "b", "--top", "wide", "--out", "o"],
        ["arrange", "b", "--best", "0", "--out", "o"],
        ["sheet", "--paper", "a5", "--out", "x.pdf"],
        ["sheet", "--number", "-1", "--out", "x.pdf"],
        ["wood", "unobtainium"],
        ["buy", "--top", "1700x850mm", "--thickness", "200mm"],
        ["buy", "--top", "1700x850mm", "--thickness", "25mm", "--waste", "nan"],
        ["buy", "--top", "1700x850mm", "--thickness", "25mm", "--waste", "much"],
        ["nonsense"],
        [],
    ],
)
def test_wrong_use_is_exit_2_in_two_sentences(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, *words)
    assert code == 2
    assert out == ""
    what, how = err.strip().splitlines()
    assert what.endswith((".", "?"))
    assert how.endswith((".", "?"))
    assert list(tmp_path.iterdir()) == []


def test_every_option_of_every_command_says_what_it_is_for() -> None:
    (commands,) = (a for a in make_parser()._actions if isinstance(a, argparse._SubParsersAction))
    assert commands.choices.keys() == cli._COMMANDS.keys()
    for command in commands.choices.values():
        assert command.description
        assert all(action.help for action in command._actions), command.prog


def test_a_layout_of_a_newer_version_is_refused_and_untouched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "layout.json"
    path.write_text(json.dumps({"schema_version": 99, "placements": []}))
    before = path.read_bytes()
    code, _, err = run(capsys, "papers", path, "--out", tmp_path / "p")
    assert code == 3
    assert "newer" in err
    assert path.read_bytes() == before


def test_a_missing_folder_is_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "arrange", tmp_path / "nowhere", "--out", tmp_path / "o")
    assert code == 3
    assert len(err.strip().splitlines()) == 2


def test_sheet_is_a_pdf(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "sheet", "--out", tmp_path / "sheet.pdf")
    assert code == 0
    assert out == ""
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_what_to_buy(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(
        capsys, "buy", "--top", "1700x850mm", "--thickness", "27mm", "--waste", "25%", "--json"
    )
    assert code == 0
    assert json.loads(out)["board_feet"] == 26


def test_a_wood_of_the_users_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "woods.toml"
    own.write_text('[[species]]\nname = "garden pear"\nradial_per_pct = 0.0015\ntangential_per_pct = 0.003\n')
    monkeypatch.setenv("GRAINMATCH_SPECIES", str(own))
    code, out, _ = run(capsys, "wood", "garden pear")
    assert code == 0
    assert out.startswith("garden pear")
