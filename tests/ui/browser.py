"""A served app and a real browser for the tests that need both."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
CHROMIUM = Path("/usr/bin/chromium")
PATIENCE_MS = 40_000
LAPTOP = {"width": 1366, "height": 768}
PHONE = {"width": 390, "height": 844}

needs_chromium = pytest.mark.skipif(
    not CHROMIUM.exists(), reason=f"no Chromium at {CHROMIUM}: install it to run the browser tests"
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Server:
    """The app in a process of its own."""

    def __init__(self, home: Path, *command: str, address: str = "127.0.0.1") -> None:
        self.port = free_port()
        self.address = address
        self.log = home.parent / f"server_{self.port}.log"
        environment = os.environ | {"GRAINMATCH_HOME": str(home), "PYTHONUNBUFFERED": "1"}
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, *(part.format(port=self.port) for part in command)],
                cwd=PROJECT,
                env=environment,
                stdout=log,
                stderr=log,
            )
        self._wait()

    @property
    def url(self) -> str:
        return f"http://{self.address}:{self.port}"

    def _wait(self) -> None:
        end_s = time.monotonic() + 60
        while time.monotonic() < end_s:
            assert self.process.poll() is None, self.log.read_text("utf-8")
            try:
                with urllib.request.urlopen(f"{self.url}/_stcore/health", timeout=2):  # noqa: S310
                    return
            except (urllib.error.URLError, OSError):
                time.sleep(0.1)
        raise AssertionError(f"the app did not start: {self.log.read_text('utf-8')}")

    def kill(self) -> None:
        """End it without any chance to tidy up."""
        if self.process.poll() is None:
            self.process.send_signal(getattr(signal, "SIGKILL", signal.SIGTERM))
        self.process.wait(timeout=20)


STREAMLIT_RUN = ("-m", "streamlit", "run", "app.py", "--server.port={port}", "--server.headless=true")


@contextmanager
def serving(home: Path, *command: str, address: str = "127.0.0.1") -> Iterator[Server]:
    """Serve the app for the length of a block."""
    server = Server(home, *(command or STREAMLIT_RUN), address=address)
    try:
        yield server
    finally:
        server.kill()
