"""Killed, out of room, shut out, or two at once: nothing that was saved is lost."""

from __future__ import annotations

import errno
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from grainmatch import disk
from grainmatch.cli import main
from grainmatch.disk import PART, sweep_parts, write_bytes
from grainmatch.errors import StoreError
from grainmatch.report.record import layout_from_json
from grainmatch.store import open_shop
from tests.hard_use.cases import Yard
from tests.hard_use.job import fill_shop
from tests.hard_use.killed import check_after, kill_while_working, lay_out
from tests.hard_use.pictures import good_pictures
from tests.hard_use.verdict import check_sentence

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs a signal that cannot be caught, and locks")
root_on_linux = pytest.mark.skipif(
    not sys.platform.startswith("linux") or os.geteuid() != 0, reason="only root may mount a small disk"
)


@posix
@pytest.mark.parametrize("kind", ["upload", "edit", "save", "export"])
def test_killed_at_any_moment_nothing_reported_is_lost(kind: str, yard: Yard, tmp_path: Path) -> None:
    """Two kills each here; hundreds, of measuring and arranging too, in tests/benchmarks/bench_kills.py."""
    lay_out(tmp_path, yard.made[0], b"no photo is measured here")
    rng = random.Random(kind)
    for _ in range(2):
        check_after(kind, tmp_path, kill_while_working(kind, tmp_path, rng, after_first_s=0.2))


@posix
def test_a_part_in_use_is_left_alone_and_a_forgotten_one_is_swept_up(tmp_path: Path) -> None:
    (tmp_path / f"{PART}dead").write_bytes(b"half")
    (tmp_path / f"{PART}folder").mkdir()
    (tmp_path / f"{PART}folder" / "half.png").write_bytes(b"half")
    with disk.part_folder(tmp_path) as busy:
        assert sweep_parts(tmp_path) == 2
        assert list(tmp_path.iterdir()) == [busy]
    assert list(tmp_path.iterdir()) == []


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """A disk of its own with hardly any room."""
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("this machine lets nobody mount a disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@root_on_linux
def test_a_full_disk_is_said_so_and_loses_nothing(tmp_path: Path, yard: Yard) -> None:
    with small_disk(tmp_path / "disk", 600) as folder:
        shop = open_shop(folder / "shop")
        job = shop.add_job("Table")
        shop.add_photo(job.id, "kept.jpg", b"kept " * 2000)
        kept = shop.add_layout(job.id, "{}", name="Kept")
        refusals = []
        for call in (
            lambda: shop.add_photo(job.id, "large.jpg", b"large" * 200_000),
            lambda: shop.add_layout(job.id, "x" * 1_000_000, name="Large"),
            lambda: shop.add_set_members({"boards.json": b"y" * 1_000_000}),
            lambda: write_bytes(folder / "papers" / "papers.pdf", b"z" * 1_000_000),
        ):
            with pytest.raises(StoreError) as caught:
                call()
            refusals.append(caught.value)
        for error in refusals:
            check_sentence(error.message)
            check_sentence(error.advice)
            assert "space" in str(error) or "full" in str(error) or "room" in str(error)
        (photo,) = shop.list_photos(job.id)
        assert photo.path.read_bytes() == b"kept " * 2000
        assert [x.id for x in shop.list_layouts(job.id)] == [kept.id]
        assert not list(folder.rglob(f"{PART}*"))
        shop.close()
        again = open_shop(folder / "shop")
        assert [j.name for j in again.list_jobs()] == ["Table"]
        again.close()


@root_on_linux
def test_a_folder_that_may_only_be_read_is_said_so(tmp_path: Path, yard: Yard) -> None:
    with small_disk(tmp_path / "disk", 4000) as folder:
        shop = open_shop(folder / "shop")
        job_id = fill_shop(shop, *yard.made, good_pictures()["jpeg"])
        shop.close()
        subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
        for call in (
            lambda: open_shop(folder / "shop"),
            lambda: open_shop(folder / "other"),
            lambda: write_bytes(folder / "papers.pdf", b"new"),
        ):
            with pytest.raises(StoreError) as caught:
                call()
            check_sentence(caught.value.message)
            check_sentence(caught.value.advice)
        assert main(["arrange", str(yard.made[0]), "--out", str(folder / "out")]) == 3
        subprocess.run(["mount", "-o", "remount,rw", str(folder)], check=True)
        again = open_shop(folder / "shop")
        assert again.read_job(job_id).name == "Small table"
        assert len(again.list_boards(job_id)) == 3
        again.close()


def test_a_disk_that_fails_midway_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_bytes(tmp_path / "layout.json", b"old")

    def fail(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(StoreError, match="no space left"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["layout.json"]


def test_two_programs_write_one_folder_at_once(yard: Yard, tmp_path: Path) -> None:
    words = [
        sys.executable,
        "-m",
        "grainmatch",
        "arrange",
        str(yard.made[0]),
        "--best",
        "1",
        "--out",
        str(tmp_path),
    ]
    both = [subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)]
    for program in both:
        _, said = program.communicate(timeout=60)
        assert program.returncode == 0, said[-500:]
    assert len(layout_from_json((tmp_path / "layout_1.json").read_bytes()).placements) == 3
    assert not list(tmp_path.glob(f"{PART}*"))


def test_the_rows_of_a_save_belong_together(tmp_path: Path) -> None:
    shop = open_shop(tmp_path)
    job = shop.add_job("Table")
    with suppress(StoreError), shop.all_or_nothing():
        shop.add_layout(job.id, "{}", name="One")
        shop.update_job(job.id, name="Renamed")
        shop.add_layout("no such job", "{}", name="Two")
    assert shop.list_layouts(job.id) == []
    assert shop.read_job(job.id).name == "Table"
    shop.close()
