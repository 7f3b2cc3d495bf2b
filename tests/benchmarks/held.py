"""The most memory a process and all it started held at one moment, watched from outside.

From outside, for a thread of its own would change what is watched: a process with threads starts its workers
anew where a single thread has them copied.
Run: python -m tests.benchmarks.held PID, until standard input ends; prints MB, 0 where there is no /proc.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_EVERY_S = 0.05


@contextmanager
def watch_memory() -> Iterator[list[float]]:
    """A list that holds, at the end, the most MB this process and its children held meanwhile."""
    watcher = subprocess.Popen(
        [sys.executable, "-m", __name__, str(os.getpid())],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert watcher.stdout is not None
    watcher.stdout.readline()  # it watches
    peak_mb: list[float] = []
    try:
        yield peak_mb
    finally:
        told, _ = watcher.communicate()
        peak_mb.append(float(told))


def main(pid: int) -> None:
    most_mb = _held_mb(pid)
    print(flush=True)
    while not select.select([sys.stdin], [], [], _EVERY_S)[0]:
        most_mb = max(most_mb, _held_mb(pid))
    print(most_mb)


def _held_mb(pid: int) -> float:
    """Resident memory of a process and everything it started but watchers; the rest of the machine is not
    looked at, which would take time from what is watched."""
    pages = 0
    with contextlib.suppress(OSError, ValueError, IndexError):  # it may end meanwhile
        if __spec__.name.encode() not in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
            pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    held = pages * os.sysconf("SC_PAGE_SIZE") / 1e6
    return held + sum(_held_mb(child) for child in _children(pid))


def _children(pid: int) -> Iterator[int]:
    """What a process's threads started and what still runs."""
    for told in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            yield from map(int, told.read_text().split())


if __name__ == "__main__":
    main(int(sys.argv[1]))
