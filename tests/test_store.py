"""The store keeps jobs whole through crashes, several windows and odd files."""

from __future__ import annotations

import io
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import StoreError
from grainmatch.store import SCHEMA_VERSION, Shop, home_folder, open_shop, read_archive, write_archive
from grainmatch.store.files import hash_members, is_safe_member


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    opened = open_shop(tmp_path / "home")
    yield opened
    opened.close()


def fill_job(shop: Shop) -> str:
    job = shop.add_job("Kitchen table", {"top_mm": [1700, 850]})
    shop.add_photo(job.id, "show.jpg", b"photo one", state="measured")
    shop.add_photo(job.id, "back.JPG", b"photo two")
    sha256 = shop.add_set_members({"boards.json": b"{}", "faces/B1A.png": b"picture"})
    shop.put_boards(job.id, [("B1", sha256, "B1"), ("B2", sha256, "B2")])
    saved = shop.add_layout(job.id, '{"placements": []}', name="First")
    shop.choose_layout(job.id, saved.id)
    return job.id


def test_a_job_comes_back_as_it_was_after_reopening(tmp_path: Path) -> None:
    first = open_shop(tmp_path)
    job_id = fill_job(first)
    first.write_setting("units", "in")
    first.close()
    again = open_shop(tmp_path)
    assert again.read_job(job_id).details == {"top_mm": [1700, 850]}
    assert [(p.name, p.state, p.path.read_bytes()) for p in again.list_photos(job_id)] == [
        ("show.jpg", "measured", b"photo one"),
        ("back.JPG", "waiting", b"photo two"),
    ]
    assert [b.board_id for b in again.list_boards(job_id)] == ["B1", "B2"]
    assert [x.chosen for x in again.list_layouts(job_id, "saved")] == [True]
    assert again.read_setting("units") == "in"
    again.close()


def test_the_home_folder_follows_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("GRAINMATCH_HOME", str(tmp_path))
    assert home_folder() == tmp_path
    monkeypatch.delenv("GRAINMATCH_HOME")
    assert home_folder().name == "grainmatch"


def test_the_same_photo_twice_is_kept_once(shop: Shop) -> None:
    job = shop.add_job("Bench")
    shop.add_photo(job.id, "a.jpg", b"same")
    shop.add_photo(job.id, "b.jpg", b"same")
    assert len(shop.list_photos(job.id)) == 1


def test_every_change_to_a_job_can_be_noticed(shop: Shop) -> None:
    job = shop.add_job("Bench")
    seen = [shop.read_job(job.id).change_n]
    photo = shop.add_photo(job.id, "a.jpg", b"a")
    seen.append(shop.read_job(job.id).change_n)
    shop.set_photo_state(job.id, photo.sha256, "failed", "No sheet in the photo.")
    seen.append(shop.read_job(job.id).change_n)
    shop.add_layout(job.id, "{}", name="Now", kind="working")
    seen.append(shop.read_job(job.id).change_n)
    assert seen == sorted(set(seen))
    assert shop.list_photos(job.id)[0].note == "No sheet in the photo."


def test_there_is_one_working_layout_and_earlier_choices_stay(shop: Shop) -> None:
    job_id = fill_job(shop)
    for body in ("1", "2", "3"):
        shop.add_layout(job_id, body, name="now", kind="working")
    second = shop.add_layout(job_id, "{}", name="Second")
    shop.choose_layout(job_id, second.id)
    assert [x.body for x in shop.list_layouts(job_id, "working")] == ["3"]
    assert [(x.name, x.chosen) for x in shop.list_layouts(job_id, "saved")] == [
        ("First", False),
        ("Second", True),
    ]


def test_boards_stay_on_the_rack_until_used_and_come_back(shop: Shop) -> None:
    job_id = fill_job(shop)
    other = shop.add_job("Bench seat")
    assert [b.state for b in shop.list_rack()] == ["free", "free"]
    shop.take_from_rack(other.id, shop.list_rack()[1].key, "B7")
    shop.use_boards(other.id, ["B7"])
    assert [b.state for b in shop.list_boards(job_id)] == ["free", "used"]
    assert [b.used_by for b in shop.list_boards(job_id)] == [None, other.id]
    shop.use_boards(other.id, [])
    assert [b.state for b in shop.list_rack()] == ["free", "free"]


def test_a_board_used_elsewhere_cannot_be_used_again(shop: Shop) -> None:
    job_id = fill_job(shop)
    other = shop.add_job("Bench seat")
    shop.take_from_rack(other.id, shop.list_rack()[0].key, "X")
    shop.use_boards(job_id, ["B1"])
    shop.use_boards(other.id, ["X"])
    assert [b.used_by for b in shop.list_rack()] == [job_id, None]


def test_removing_a_job_keeps_its_unused_boards_on_the_rack(shop: Shop) -> None:
    job_id = fill_job(shop)
    shop.use_boards(job_id, ["B1"])
    shop.remove_job(job_id)
    assert [b.id_in_set for b in shop.list_rack()] == ["B2"]
    assert shop.list_jobs() == []
    with pytest.raises(StoreError, match="no longer there"):
        shop.read_job(job_id)


def test_measuring_again_replaces_boards_nobody_else_holds(shop: Shop) -> None:
    job_id = fill_job(shop)
    other = shop.add_job("Bench seat")
    shop.take_from_rack(other.id, shop.list_rack()[0].key, "kept")
    fresh = shop.add_set_members({"boards.json": b"{ }"})
    shop.put_boards(job_id, [("B1", fresh, "B1")])
    assert [(b.set_sha256 == fresh, b.id_in_set) for b in shop.list_rack()] == [(False, "B1"), (True, "B1")]


def test_a_newer_store_is_refused_and_not_touched(tmp_path: Path) -> None:
    open_shop(tmp_path).close()
    path = tmp_path / "grainmatch.db"
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    db.close()
    before = (path.read_bytes(), path.stat().st_mtime_ns, sorted(tmp_path.iterdir()))
    with pytest.raises(StoreError, match="newer version"):
        open_shop(tmp_path)
    assert (path.read_bytes(), path.stat().st_mtime_ns, sorted(tmp_path.iterdir())) == before


@pytest.mark.parametrize("content", [b"this is a text, not a database at all" * 9, b"SQLite format 3\0"])
def test_a_damaged_store_is_refused_in_words(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "grainmatch.db").write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        open_shop(tmp_path)
    assert (tmp_path / "grainmatch.db").read_bytes() == content


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "grainmatch.db")
    db.execute("CREATE TABLE theirs (x)")
    db.execute("PRAGMA user_version = 1")
    db.close()
    with pytest.raises(StoreError, match="another program"):
        open_shop(tmp_path)


_WRITER = """
import sys
from pathlib import Path
from grainmatch.store import open_shop
shop = open_shop(Path(sys.argv[1]))
job = shop.add_job(sys.argv[2])
for n in range(int(sys.argv[3])):
    shop.add_photo(job.id, f"{n}.jpg", f"{sys.argv[2]} {n} ".encode() * 2000)
    shop.add_layout(job.id, str(n), name=str(n))
    print(n, flush=True)
"""


def start_writer(home: Path, name: str, count_n: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(home), name, str(count_n)], stdout=subprocess.PIPE, text=True
    )


def test_two_processes_write_at_once_and_nothing_is_lost(tmp_path: Path) -> None:
    writers = [start_writer(tmp_path, name, 12) for name in ("phone", "laptop")]
    for writer in writers:
        writer.communicate(timeout=60)
    assert [w.returncode for w in writers] == [0, 0]
    shop = open_shop(tmp_path)
    jobs = shop.list_jobs()
    assert {j.name for j in jobs} == {"phone", "laptop"}
    for job in jobs:
        assert len(shop.list_photos(job.id)) == 12
        assert [x.body for x in shop.list_layouts(job.id)] == [str(n) for n in range(12)]
    shop.close()


@pytest.mark.skipif(os.name != "posix", reason="needs a signal that cannot be caught")
def test_a_killed_process_loses_nothing_it_had_reported(tmp_path: Path) -> None:
    writer = start_writer(tmp_path, "killed", 100_000)
    assert writer.stdout is not None
    reported_n = 0
    while reported_n < 25:
        reported_n = int(writer.stdout.readline()) + 1
    writer.send_signal(signal.SIGKILL)
    rest = writer.stdout.read().split()
    reported_n = int(rest[-1]) + 1 if rest else reported_n
    writer.wait(timeout=10)
    writer.stdout.close()
    shop = open_shop(tmp_path)
    (job,) = shop.list_jobs()
    photos = shop.list_photos(job.id)
    assert len(photos) >= reported_n
    assert all(p.path.read_bytes() == f"killed {p.name[:-4]} ".encode() * 2000 for p in photos)
    assert len(shop.list_layouts(job.id)) >= reported_n
    shop.close()
    db = sqlite3.connect(tmp_path / "grainmatch.db")
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def test_sweeping_removes_only_old_files_nobody_names(shop: Shop) -> None:
    job_id = fill_job(shop)
    gone = shop.add_photo(job_id, "gone.jpg", b"gone")
    fresh = shop.add_photo(job_id, "fresh.jpg", b"fresh")
    for photo in (gone, fresh):
        shop.remove_photo(job_id, photo.sha256)
    os.utime(gone.path, (time.time() - 3 * 86400,) * 2)
    assert shop.sweep() == 1
    assert (gone.path.exists(), fresh.path.exists()) == (False, True)
    assert all(p.path.exists() for p in shop.list_photos(job_id))


def test_a_job_travels_to_another_computer_in_one_file(shop: Shop, tmp_path: Path) -> None:
    job_id = fill_job(shop)
    shop.use_boards(job_id, ["B2"])
    write_archive(shop, job_id, tmp_path / "job.zip")
    other = open_shop(tmp_path / "other")
    new_id = read_archive(other, (tmp_path / "job.zip").read_bytes())
    job = other.read_job(new_id)
    assert (job.name, job.details) == ("Kitchen table", {"top_mm": [1700, 850]})
    assert [(p.state, p.path.read_bytes()) for p in other.list_photos(new_id)] == [
        ("measured", b"photo one"),
        ("waiting", b"photo two"),
    ]
    boards = other.list_boards(new_id)
    assert [(b.board_id, b.state) for b in boards] == [("B1", "free"), ("B2", "used")]
    assert (other.set_folder(boards[0].set_sha256) / "faces/B1A.png").read_bytes() == b"picture"
    assert [(x.body, x.chosen) for x in other.list_layouts(new_id)] == [('{"placements": []}', True)]
    other.close()


def make_archive(members: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def job_text(**changes: object) -> bytes:
    job = {"name": "J", "details": {}}
    base = {"archive_version": 1, "job": job, "photos": [], "boards": [], "layouts": []}
    return json.dumps({**base, **changes}).encode()


BAD_ARCHIVES = {
    "no zip": b"hello",
    "empty": b"",
    "no job": make_archive({}),
    "climbs out": make_archive({"job.json": job_text(), "photos/../../evil.jpg": b"x"}),
    "absolute": make_archive({"job.json": job_text(), "/etc/evil": b"x"}),
    "foreign room": make_archive({"job.json": job_text(), "other/file": b"x"}),
    "hidden": make_archive({"job.json": job_text(), "sets/" + "a" * 64 + "/.hidden": b"x"}),
    "false name": make_archive({"job.json": job_text(), "photos/" + "a" * 64 + ".jpg": b"x"}),
    "false set": make_archive({"job.json": job_text(), "sets/" + "a" * 64 + "/boards.json": b"x"}),
    "missing photo": make_archive({"job.json": job_text(photos=[{"file": "photos/x", "state": "measured"}])}),
    "wrong types": make_archive({"job.json": job_text(job="J")}),
    "not json": make_archive({"job.json": b"{"}),
    "a list": make_archive({"job.json": b"[]"}),
}


@pytest.mark.parametrize("name", BAD_ARCHIVES)
def test_a_bad_job_file_is_refused_and_leaves_nothing(shop: Shop, name: str) -> None:
    with pytest.raises(StoreError, match="not a saved job"):
        read_archive(shop, BAD_ARCHIVES[name])
    assert shop.list_jobs() == []
    assert {p.name.split("-")[0] for p in shop.home.parent.rglob("*")} <= {"home", "grainmatch.db"}


def test_a_job_file_from_a_newer_version_is_refused(shop: Shop) -> None:
    with pytest.raises(StoreError, match="newer"):
        read_archive(shop, make_archive({"job.json": job_text(archive_version=2)}))


def test_a_set_is_named_by_its_content_whatever_the_order(shop: Shop) -> None:
    one, two = {"a": b"1", "b": b"2"}, {"b": b"2", "a": b"1"}
    assert shop.add_set_members(one) == shop.add_set_members(two) == hash_members(one)
    assert hash_members({"a": b"2", "b": b"1"}) != hash_members(one)
    assert not list(shop.home.rglob(".part-*"))


@given(st.text(alphabet="ab./\\:~\0", max_size=12))
def test_safe_names_never_leave_the_folder(name: str) -> None:
    if is_safe_member(name):
        inside = (Path("/home/set") / name).resolve()
        assert inside.is_relative_to("/home/set")
        assert "\\" not in name
        assert ":" not in name
