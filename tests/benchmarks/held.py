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
    """Resident memory of a process and everything it started but watchers."""
    parents, pages = {}, {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            if __spec__.name.encode() not in (folder / "cmdline").read_bytes().split(b"\0"):
                parents[int(folder.name)] = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
                pages[int(folder.name)] = int((folder / "statm").read_text().split()[1])
    ours = {pid}
    while more := {p for p, parent in parents.items() if parent in ours} - ours:
        ours |= more
    return sum(pages.get(p, 0) for p in ours) * os.sysconf("SC_PAGE_SIZE") / 1e6


if __name__ == "__main__":
    main(int(sys.argv[1]))
