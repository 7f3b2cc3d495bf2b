"""Files give back what was put in, and refuse what was not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.colour import srgb_to_lab
from grainmatch.errors import GrainmatchError, StoreError
from grainmatch.model import EndGrain, Features, Layout, Mark, Placement, Pose, Score
from grainmatch.report import schema
from grainmatch.report.record import (
    layout_from_json,
    layout_id,
    layout_to_json,
    read_boards,
    read_boards_record,
    read_layout,
    write_boards,
    write_layout,
)
from tests.report.fakes import fake_board, fake_layout

mm = st.floats(-5000, 5000, allow_nan=False)
rip = st.floats(0, 500, allow_nan=False)
finite = st.floats(allow_nan=False, allow_infinity=False)
words = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    ids = draw(st.lists(words, min_size=1, max_size=12, unique=True))
    placements = tuple(
        Placement(i, Pose(draw(st.sampled_from("AB")), draw(st.booleans()), draw(mm)), (draw(rip), draw(rip)))
        for i in ids
    )
    score = Score(
        draw(st.dictionaries(words, finite, max_size=8)),
        draw(finite),
        tuple(draw(st.lists(finite, max_size=11))),
    )
    top = draw(st.none() | st.tuples(st.floats(1, 9000), st.floats(1, 9000)))
    return Layout(
        placements, score, draw(st.booleans()), draw(st.none() | finite), top,
        draw(st.dictionaries(words, words, max_size=4)), tuple(draw(st.lists(words, max_size=3))),
    )  # fmt: skip


@given(layouts())
def test_a_layout_read_back_is_the_layout_written(layout: Layout) -> None:
    assert layout_from_json(layout_to_json(layout)) == layout


def test_a_layout_file_is_written_and_read(tmp_path: Path) -> None:
    path = write_layout(tmp_path / "deep" / "layout.json", fake_layout())
    assert read_layout(path) == fake_layout()
    assert [p.name for p in path.parent.iterdir()] == ["layout.json"]  # no temporary file is left


def test_the_short_id_follows_what_is_built_and_nothing_else() -> None:
    layout = fake_layout()
    first = layout.placements[0]
    moved = Layout((Placement(first.board_id, Pose("A", True)), *layout.placements[1:]), layout.score)
    rescored = Layout(layout.placements, Score({}, 0.0), top_mm=layout.top_mm)
    assert layout_id(moved) != layout_id(layout) == layout_id(rescored)


def damaged(change: dict[str, Any]) -> bytes:
    return json.dumps(json.loads(layout_to_json(fake_layout())) | change).encode()


PLACED = {"board_id": "1", "side_up": "A", "turned": False, "slide_mm": 0.0, "rip_mm": [0.0, 0.0]}


@pytest.mark.parametrize(
    "data",
    [
        b"", b"not json", b"[]", b"null", b"\xff\xfe", b"{" * 100_000, b'{"schema_version": true}',
        damaged({"schema_version": "1"}),
        damaged({"schema_version": 0}),
        damaged({"schema_version": -(10**30)}),
        damaged({"placements": []}),
        damaged({"placements": [PLACED | {"slide_mm": 1e300}]}),
        damaged({"placements": [PLACED | {"slide_mm": "5"}]}),
        damaged({"placements": [PLACED | {"rip_mm": [-1.0, 0.0]}]}),
        damaged({"placements": [PLACED | {"side_up": "C"}]}),
        damaged({"placements": [PLACED | {"turned": 1}]}),
        damaged({"placements": [PLACED | {"extra": 1}]}),
        damaged({"placements": [PLACED, PLACED]}),
        damaged({"top_mm": [0.0, 850.0]}),
        damaged({"surprise": 1}),
        layout_to_json(fake_layout()).replace("6.6", "NaN").encode(),
        layout_to_json(fake_layout()).replace("6.6", "1e999").encode(),
    ],
)  # fmt: skip
def test_what_is_not_a_layout_is_refused_in_a_sentence_with_advice(data: bytes) -> None:
    with pytest.raises(GrainmatchError) as caught:
        layout_from_json(data)
    assert caught.value.message.endswith(".")
    assert caught.value.advice.endswith(".")
    assert len(caught.value.message) < 400


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@given(st.data())
def test_whatever_a_file_holds_reading_it_gives_a_layout_or_a_sentence(data: st.DataObject) -> None:
    document: Any = json.loads(layout_to_json(fake_layout()))
    spot = document
    for _ in range(data.draw(st.integers(0, 3))):
        inner = [
            v for v in (spot.values() if isinstance(spot, dict) else spot) if isinstance(v, dict | list) and v
        ]
        spot = data.draw(st.sampled_from(inner)) if inner else spot
    key = data.draw(st.sampled_from(list(spot) if isinstance(spot, dict) else range(len(spot))))
    spot[key] = data.draw(json_values)
    try:
        layout = layout_from_json(json.dumps(document))
    except GrainmatchError:
        return
    assert layout_from_json(layout_to_json(layout)) == layout


@given(st.binary(max_size=60))
def test_any_bytes_are_refused_politely(data: bytes) -> None:
    with pytest.raises(StoreError):
        layout_from_json(data)


def test_a_newer_file_says_so() -> None:
    with pytest.raises(StoreError, match="newer grainmatch"):
        layout_from_json(damaged({"schema_version": 99, "unheard_of": {}}))


def test_an_older_file_is_upgraded_step_by_step() -> None:
    upgrades: dict[int, schema.Upgrade] = {
        1: lambda d: d | {"schema_version": 2, "name": "x"},
        2: lambda d: d | {"schema_version": 3, "name": d["name"] + "y"},
    }

    class Third(schema.Record):
        schema_version: int
        name: str

    found = schema.parse(b'{"schema_version": 1}', Third, version=3, what="file", upgrades=upgrades)
    assert found.name == "xy"
    with pytest.raises(StoreError, match="too old"):
        schema.parse(b'{"schema_version": 1}', Third, version=3, what="file")


def test_a_layout_with_a_number_no_file_can_hold_is_not_written(tmp_path: Path) -> None:
    bad = Layout(fake_layout().placements, Score({"tone": float("nan")}, 1.0))
    with pytest.raises(StoreError, match="cannot be saved"):
        write_layout(tmp_path / "layout.json", bad)
    assert list(tmp_path.iterdir()) == []


def features_of(px_per_mm: float) -> Features:
    cells = np.zeros((3, 4))
    mark = Mark("knot", np.array([[10.0, 20.0], [30.0, 20.0], [20.0, 40.0]]), 0.8, sound=False)
    return Features(
        px_per_mm, 20.0, cells, cells, np.zeros((3, 4, 3)), cells, cells, np.array([55.123456, 20.0, 30.0]),
        np.radians(-3.25), (mark,),
    )  # fmt: skip


def test_boards_read_back_are_the_boards_written(tmp_path: Path) -> None:
    end = EndGrain("A", 3.0, 60.0, 4.0, 2.5, 0.3, 0.9, "clear rings")
    plain = fake_board("board 3/..", seed=1, length_mm=300)
    first = replace(plain, end_grain=end, moisture_pct=8.5, bark_side="B")
    second = fake_board("board 3 ..", seed=2, length_mm=260, back=False)
    write_boards(tmp_path, [first, second], {(first.id, "A"): features_of(1.0)}, warnings=["dim light"])
    back = read_boards(tmp_path)
    for old, new in zip([first, second], back, strict=True):
        plain_fields = {k: v for k, v in old.__dict__.items() if k != "faces"}
        assert plain_fields == {k: v for k, v in new.__dict__.items() if k != "faces"}
        for a, b in zip(old.faces, new.faces, strict=True):
            assert (a.side, a.px_per_mm, a.photo) == (b.side, b.px_per_mm, b.photo)
            np.testing.assert_array_equal(a.rgb, b.rgb)
            np.testing.assert_array_equal(a.inside, b.inside)
            np.testing.assert_allclose(a.upper_edge_mm, b.upper_edge_mm, atol=1e-4)
            np.testing.assert_allclose(a.lower_edge_mm, b.lower_edge_mm, atol=1e-4)
    document = json.loads((tmp_path / "boards.json").read_text())
    assert document["warnings"] == ["dim light"]
    assert document["boards"][0]["mean_lab"] == [55.12, 20.0, 30.0]
    assert document["boards"][0]["grain_deg"] == -3.25
    assert document["boards"][1]["back"] is None
    (mark,) = document["boards"][0]["marks"]
    assert mark["sound"] is False
    assert document["boards"][0]["back"]["marks"] == []


def test_boards_whose_pictures_are_not_wanted_come_with_their_tone(tmp_path: Path) -> None:
    boards = [fake_board(n, seed=k, length_mm=300) for k, n in enumerate("12")]
    write_boards(tmp_path, boards, {("2", "A"): features_of(1.0)})
    for picture in tmp_path.glob("*2_?.png"):
        picture.unlink()
    first, second = read_boards(tmp_path, pictures_of={("1", "A"), ("1", "B")})
    np.testing.assert_array_equal(first.faces[0].rgb, boards[0].faces[0].rgb)
    np.testing.assert_allclose(srgb_to_lab(second.faces[0].rgb)[0, 0], [55.12, 20.0, 30.0], atol=0.5)
    assert (second.length_mm, second.width_mm) == (boards[1].length_mm, boards[1].width_mm)
    assert [f.inside.shape for f in second.faces] == [(1, 1), (1, 1)]


@pytest.mark.parametrize(
    "name", ["../secret.png", "/etc/passwd", "a/b.png", "..", "", "a\\b.png", "c:x.png\0"]
)
def test_a_face_image_outside_the_folder_is_never_opened(tmp_path: Path, name: str) -> None:
    write_boards(tmp_path, [fake_board("1", length_mm=200)])
    document = json.loads((tmp_path / "boards.json").read_text())
    document["boards"][0]["face"] = name
    (tmp_path / "boards.json").write_text(json.dumps(document))
    with pytest.raises(StoreError):
        read_boards(tmp_path)


def test_links_damaged_images_and_wrong_sizes_are_refused(tmp_path: Path) -> None:
    board = fake_board("1", length_mm=200, back=False)
    write_boards(tmp_path, [board])
    image = tmp_path / read_boards_record(tmp_path).boards[0].face
    whole = image.read_bytes()
    for bad in (whole[: len(whole) // 2], b"", b"text"):
        image.write_bytes(bad)
        with pytest.raises(StoreError, match="damaged"):
            read_boards(tmp_path)
    image.unlink()
    with pytest.raises(StoreError, match="cannot be read"):
        read_boards(tmp_path)
    (tmp_path / "elsewhere.png").write_bytes(whole)
    image.symlink_to(tmp_path / "elsewhere.png")
    with pytest.raises(StoreError, match="link"):
        read_boards(tmp_path)


def test_a_missing_folder_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"boards\.json cannot be read"):
        read_boards(tmp_path / "nowhere")
