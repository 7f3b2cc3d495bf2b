"""A pile of photos read by several processes: nothing is read twice, one that dies loses one photo."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grainmatch.model import Face, Features
from grainmatch.photo.pose import KnownBoard, KnownPaper
from grainmatch.pipeline import pile, reader
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.features import read_one_face
from grainmatch.pipeline.gather import Reading
from grainmatch.pipeline.pile import photos_to_boards
from grainmatch.pipeline.reader import Reader
from tests.hard_use.job import small_boards

PHOTOS = [Path(f"{name}_show.jpg") for name in "abcdef"]


@pytest.fixture
def looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Photos whose boards were found, and heights of faces whose wood was read, in the order it was done.
    Every photo shows the same three small boards."""
    done: list[str] = []

    def find(path: Path, **options: object) -> Reading:
        done.append(path.name)
        boards = tuple(replace(b, faces=b.faces[:1]) for b in small_boards())
        return Reading(path, "show", boards=boards, names=(None,) * 3, turned_over=(False,) * 3)

    def read(face: Face) -> Features:
        done.append(f"face {len(face.rgb)}")
        return read_one_face(face)

    monkeypatch.setattr(reader, "read_bench_photo", find)
    monkeypatch.setattr(reader, "read_one_face", read)
    monkeypatch.chdir(tmp_path)
    for photo in PHOTOS:
        photo.write_bytes(photo.name.encode())
    return done


def small_reader(folder: Path) -> Reader:
    return Reader(27.0, "bench", None, {}, ReadingCache(folder / "cache"))


def test_a_face_lost_from_the_cache_is_read_again_and_nothing_else(
    tmp_path: Path, looked_at: list[str]
) -> None:
    first = small_reader(tmp_path).read(PHOTOS[0])
    kept = sorted((tmp_path / "cache").glob("*-?.pack"))
    assert len(kept) == len(first.boards) == 3
    kept[0].unlink()  # killed before it was written
    kept[1].write_bytes(kept[1].read_bytes()[:-1])
    looked_at.clear()
    again = small_reader(tmp_path).read(PHOTOS[0])
    assert looked_at == [f"face {len(b.faces[0].rgb)}" for b in first.boards[:2]]
    for one, other in zip(first.faces, again.faces, strict=True):
        assert np.array_equal(one.pngs.rgb, other.pngs.rgb)
        assert np.array_equal(one.features.lab, other.features.lab, equal_nan=True)


def do_at_once(call: Callable[[], object], *, dying: str = "") -> Future[bool]:
    """A process that has always done its call already, and dies over those that name `dying`."""
    done: Future[bool] = Future()
    dead = bool(dying) and dying in str(call)
    if not dead:
        call()
    done.set_result(not dead)
    return done


def test_faces_come_after_the_next_photos(tmp_path: Path, looked_at: list[str]) -> None:
    arriving = pile._read_elsewhere(PHOTOS, small_reader(tmp_path), do_at_once, at_a_time=2)
    assert dict(arriving) == dict.fromkeys(PHOTOS, True)
    assert looked_at[:2] == [p.name for p in PHOTOS[:2]]
    assert sorted(looked_at) == sorted([*(p.name for p in PHOTOS), *looked_at[2:5] * len(PHOTOS)])


@pytest.mark.parametrize("dying", ["leave_boards", "leave_face"])
def test_a_process_that_dies_over_a_photo_loses_that_photo_only(
    tmp_path: Path, looked_at: list[str], dying: str
) -> None:
    def do(call: Any) -> Future[bool]:
        return do_at_once(call, dying=dying if PHOTOS[1] in call.args else "")

    arriving = pile._read_elsewhere(PHOTOS, small_reader(tmp_path), do, at_a_time=4)
    assert {path for path, alive in arriving if not alive} == {PHOTOS[1]}


def test_what_is_known_in_one_photo_counts_there_alone(tmp_path: Path, looked_at: list[str]) -> None:
    before = small_reader(tmp_path)
    for photo in PHOTOS[:2]:
        before.read(photo)
    looked_at.clear()
    known_in = {PHOTOS[0].name: KnownBoard(length_mm=1900.0)}
    said = replace(before, known_in=known_in)
    for photo in PHOTOS[:2]:
        said.read(photo)
    assert [name for name in looked_at if name.endswith(".jpg")] == [PHOTOS[0].name]


def test_what_is_known_in_one_photo_goes_before_what_is_known_in_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    used: dict[str, object] = {}

    def find(path: Path, **options: object) -> Reading:
        used[path.name] = options["known"]
        return Reading(path, "show")

    monkeypatch.setattr(reader, "read_bench_photo", find)
    board, paper = KnownBoard(width_mm=140.0), KnownPaper("a4")
    for name in ("a_show.jpg", "b_show.jpg"):
        (tmp_path / name).write_bytes(b"")
    photos_to_boards([tmp_path], thickness_mm=27.0, known=paper, known_in={"b_show.jpg": board})
    assert used == {"a_show.jpg": paper, "b_show.jpg": board}
