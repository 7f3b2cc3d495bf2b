"""Working processes: calls done elsewhere, one that dies, a caller that cannot be imported again."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from grainmatch.pipeline import workers
from grainmatch.pipeline.workers import hire_workers


@pytest.fixture(params=["copied", "started"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Workers as copies of this process, and started by name as beside other threads."""
    before = set(threading.enumerate())
    if request.param == "started":
        monkeypatch.setattr(workers, "_may_copy", lambda: False)
    elif not workers._may_copy():
        pytest.skip("other threads run here: copies are tried in a process of their own, see below")
    yield str(request.param)
    for thread in set(threading.enumerate()) - before:
        thread.join(timeout=10)  # it may not be there when the next test looks for other threads


@pytest.mark.usefixtures("way")
def test_calls_are_done_and_a_death_costs_one_call(tmp_path: Path) -> None:
    calls: list[partial[Any]] = [
        partial(os.mkdir, tmp_path / "a"),
        partial(os._exit, 3),
        partial(os.mkdir, tmp_path / "b"),
        partial(print, "words on standard output are no reply"),
    ]
    with hire_workers(1) as do:
        done = [do(call) for call in calls]
        assert [d.result() for d in done] == [True, False, True, True]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


@pytest.mark.usefixtures("way")
def test_leaving_early_waits_for_nobody(tmp_path: Path) -> None:
    with hire_workers(1) as do:
        first = do(partial(time.sleep, 60))
        later = do(partial(os.mkdir, tmp_path / "never"))
    assert first.result() is False
    assert later.cancelled()
    assert not (tmp_path / "never").exists()


@pytest.mark.usefixtures("way")
def test_a_call_that_fails_costs_that_call(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with hire_workers(1) as do:
        done = [do(partial(os.rmdir, tmp_path / "none")), do(partial(os.mkdir, tmp_path / "a"))]
        assert [d.result() for d in done] == [False, True]
    assert "FileNotFoundError" in capfd.readouterr().err


@pytest.mark.skipif(sys.platform != "linux", reason="copies are made on Linux alone")
def test_copies_do_all_of_the_above_too() -> None:
    bare = ("--noconftest", "-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-p", "no:anyio")
    tests = [sys.executable, "-m", "pytest", "-rs", *bare, "-k", "copied", __file__]
    done = subprocess.run(tests, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout
    assert "SKIPPED" not in done.stdout


def test_other_threads_are_never_copied() -> None:
    going_on = threading.Event()
    beside = threading.Thread(target=going_on.wait)
    beside.start()
    try:
        assert not workers._may_copy()
    finally:
        going_on.set()
        beside.join()


def test_a_script_without_a_guard_can_hire(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "import functools, os\n"
        "from grainmatch.pipeline.workers import hire_workers\n"
        "os.mkdir('once')\n"
        "with hire_workers(2) as do:\n"
        "    print(do(functools.partial(os.mkdir, 'here')).result())\n"
    )
    ran = subprocess.run([sys.executable, script], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (ran.stdout, ran.stderr) == ("True\n", "")
