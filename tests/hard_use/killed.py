"""A maker's work (see `busy`) killed at a random moment, and what must hold afterwards."""

from __future__ import annotations

import contextlib
import json
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

from grainmatch.disk import PART, sweep_parts
from grainmatch.report.record import read_boards, read_layout
from grainmatch.store import open_shop, read_archive
from tests.hard_use.busy import photo_bytes

KINDS = ("upload", "edit", "save", "export", "measure", "arrange")


def kill_while_working(kind: str, home: Path, rng: random.Random, *, after_first_s: float) -> int:
    """Start the work, kill it at a random moment after its first piece. Returns how many it reported."""
    worker = subprocess.Popen(
        [sys.executable, "-m", "tests.hard_use.busy", kind, str(home)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert worker.stdout is not None
    assert worker.stderr is not None
    first = worker.stdout.readline()
    drained: list[str] = []
    reader = threading.Thread(target=lambda: drained.extend(worker.stdout or []))
    reader.start()
    time.sleep(rng.uniform(0, after_first_s))
    worker.send_signal(signal.SIGKILL)
    worker.wait(timeout=30)
    reader.join(timeout=30)
    said = worker.stderr.read()
    worker.stdout.close()
    worker.stderr.close()
    assert first.strip(), f"the work never began: {said[-800:]}"
    return 1 + sum(1 for line in drained if line.endswith("\n"))


def check_after(kind: str, home: Path, reported_n: int) -> None:
    """What was reported is there and whole, and nothing half-written is left once it was swept up."""
    if kind in ("measure", "arrange"):
        folder = home / ("b" if kind == "measure" else "layouts")
        if kind == "measure":
            assert [b.id for b in read_boards(folder)] == ["1", "2"]
        else:
            assert len({p.board_id for p in read_layout(folder / "layout_1.json").placements}) == 3
        sweep_parts(folder)
    check_store(home / "shop", kind, reported_n)
    if kind == "export":
        sweep_parts(home)
        with zipfile.ZipFile(home / "job.zip") as archive:
            assert archive.testzip() is None
        other = open_shop(home / "other")
        other.remove_job(read_archive(other, (home / "job.zip").read_bytes()))
        other.close()
    left = list(home.rglob(f"{PART}*"))
    assert not left, left


def check_store(folder: Path, kind: str, reported_n: int) -> None:
    """The store opens, its database is sound, every row's file is whole."""
    shop = open_shop(folder)
    shop.sweep()
    (job,) = shop.list_jobs()
    photos = shop.list_photos(job.id)
    for photo in photos:
        assert photo.path.read_bytes() == photo_bytes(int(Path(photo.name).stem))
    if kind == "upload":
        assert len(photos) >= min(reported_n, 150)
    working = shop.list_layouts(job.id, "working")
    if kind == "edit":
        assert len(working) == 1
        assert json.loads(working[0].body)["n"] >= reported_n - 1
    saved = shop.list_layouts(job.id, "saved")
    if kind == "save":
        chosen = [json.loads(x.body)["n"] for x in saved if x.chosen]
        assert chosen == [job.details["saved_n"]], "the three changes of a save belong together"
        assert chosen[0] >= reported_n - 1
    shop.close()
    with contextlib.closing(sqlite3.connect(folder / "grainmatch.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def lay_out(home: Path, boards: Path, photo: bytes) -> None:
    """What the work needs: a photo, boards and a job with two photos."""
    home.mkdir(parents=True, exist_ok=True)
    (home / "bench.jpg").write_bytes(photo)
    shutil.copytree(boards, home / "boards", dirs_exist_ok=True)
    shop = open_shop(home / "shop")
    job = shop.add_job("Killed")
    for n in (0, 1):
        shop.add_photo(job.id, f"{n}.jpg", photo_bytes(n))
    shop.close()
