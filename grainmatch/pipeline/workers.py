"""Processes that do one call after another, so that photos are read on all cores.

The standard pools start their processes by running the caller's main script again, which a page of the
app or a script without a guard does not survive. These are started by name or, where nothing else goes on in
this process, as copies of it, which spares them a second of imports. One that dies takes no more with it than
the call it was at.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import IO, NoReturn, cast

Call = Callable[[], None]
_ONE_CORE = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
"""There is a worker for every core; numbers read by OpenMP and OpenBLAS when they are loaded."""
_SERVE = "from grainmatch.pipeline.workers import serve; serve()"


@contextmanager
def hire_workers(workers_n: int) -> Iterator[Callable[[Call], Future[bool]]]:
    """A function that has a call done by the next free process; the answer is False when the process died.

    A call must be made of names that can be imported, and leaves what it found on disk. Calls that have not
    begun when the `with` block ends are not done.
    """
    free: SimpleQueue[_Worker] = SimpleQueue()
    workers = [_Worker() for _ in range(workers_n)]
    for worker in workers:
        free.put(worker)

    def do(call: Call) -> bool:
        worker = free.get()
        try:
            return worker.do(call)
        finally:
            free.put(worker)

    with ThreadPoolExecutor(workers_n) as threads:
        try:
            yield lambda call: threads.submit(do, call)
        finally:
            threads.shutdown(wait=False, cancel_futures=True)
            for worker in workers:
                worker.stop()


class _Worker:
    """One process, started anew after it died."""

    def __init__(self) -> None:
        self._process = self._start()
        self._stopped = False

    def do(self, call: Call) -> bool:
        """Have a call done; False when the process died over it."""
        try:
            requests, replies = self._pipes()
            pickle.dump(call, requests)
            requests.flush()
            if replies.readline():
                return True
        except (OSError, ValueError):  # the pipe of a process that is no more
            pass
        if not self._stopped:
            self._end()
            self._process = self._start()
        return False

    def stop(self) -> None:
        """End the process, whatever it is at."""
        self._stopped = True
        self._end()

    def _start(self) -> subprocess.Popen[bytes] | _Copy:
        if _may_copy():
            return _Copy()
        surroundings = os.environ | _ONE_CORE | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
        return subprocess.Popen(  # noqa: S603 (our own words)
            [sys.executable, "-c", _SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=surroundings
        )

    def _end(self) -> None:
        self._process.kill()
        self._process.wait()
        for pipe in self._pipes():
            with contextlib.suppress(OSError):
                pipe.close()

    def _pipes(self) -> tuple[IO[bytes], IO[bytes]]:
        return cast("IO[bytes]", self._process.stdin), cast("IO[bytes]", self._process.stdout)


def _may_copy() -> bool:
    """Whether this process is a single thread, so that a copy finds every lock open; told by Linux alone."""
    threads = Path("/proc/self/task")
    return sys.platform == "linux" and threads.is_dir() and len(list(threads.iterdir())) == 1


class _Copy:
    """A copy of this process that serves, with what Popen has of it."""

    def __init__(self) -> None:
        requests, self.stdin = _pipe()
        self.stdout, replies = _pipe()
        self._ended = False
        self._pid = os.fork()
        if self._pid == 0:
            _serve_as_copy(requests.fileno(), replies.fileno())
        requests.close()
        replies.close()

    def kill(self) -> None:
        if not self._ended:  # its number may be another's by then
            os.kill(self._pid, signal.SIGKILL)

    def wait(self) -> None:
        if not self._ended:
            os.waitpid(self._pid, 0)
            self._ended = True


def _pipe() -> tuple[IO[bytes], IO[bytes]]:
    reading, writing = os.pipe()
    return os.fdopen(reading, "rb"), os.fdopen(writing, "wb")


def _serve_as_copy(requests: int, replies: int) -> NoReturn:
    """What a copy does from first to last; nothing begun in what it was copied from is ended here."""
    try:
        os.dup2(requests, 0)
        os.dup2(replies, 1)
        os.closerange(3, os.sysconf("SC_OPEN_MAX"))  # others' pipes too: a worker ends when its parent does
        sys.stdout = sys.stderr = open(2, "w", buffering=1, closefd=False)  # noqa: SIM115
        serve()
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def serve() -> None:
    """What a worker does: the calls that come on standard input, until it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the one who hired us stops us
    import cv2

    cv2.setNumThreads(1)
    requests, replies = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing printed may pass for a reply
    while True:
        try:
            call = pickle.load(requests)  # noqa: S301 (from the process that started this one)
        except EOFError:
            return
        call()
        replies.write(b"done\n")
        replies.flush()
