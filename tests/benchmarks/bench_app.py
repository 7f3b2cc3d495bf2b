"""How quick the app feels: first page, and an edit of a top of sixteen boards, in a real Chromium.

Run: python -m tests.benchmarks.bench_app
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from grainmatch.report.record import write_boards
from grainmatch.store import open_shop
from tests.ui.browser import CHROMIUM, LAPTOP, serving
from tests.ui.conftest import make_boards

BOARDS_N = 16
EDITS_N = 12
ANSWERED = (
    "() => ![...document.querySelectorAll('*')].some(e => e.shadowRoot?.querySelector('.seam.waiting'))"
)


def main() -> None:
    """Print seconds and bytes."""
    if not CHROMIUM.exists():
        print(f"skipped: no Chromium at {CHROMIUM}")
        return
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory(prefix="grainmatch-") as scratch, sync_playwright() as playwright:
        home = Path(scratch) / "home"
        fill(home, Path(scratch) / "set")
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        with serving(home) as server:
            page = browser.new_page(viewport={"width": LAPTOP["width"], "height": LAPTOP["height"]})
            measure(page, server.url)
        browser.close()


def fill(home: Path, folder: Path) -> None:
    """A job with sixteen boards: four drawn ones, each four times in other widths."""
    shop = open_shop(home)
    drawn = make_boards()
    boards = [replace(drawn[k % 4], id=str(k + 1)) for k in range(BOARDS_N)]
    write_boards(folder, boards)
    job = shop.add_job("Sixteen", {"thickness_mm": 27.0})
    shop.put_boards(job.id, [(b.id, shop.add_set(folder), b.id) for b in boards])
    shop.close()


def measure(page: Any, url: str) -> None:
    """First page cold and warm, then edits of the top."""
    traffic = {"to the server": 0, "to the browser": 0}

    def count(socket: Any) -> None:
        socket.on("framesent", lambda data: _add(traffic, "to the server", data))
        socket.on("framereceived", lambda data: _add(traffic, "to the browser", data))

    page.on("websocket", count)
    for name in ("first page, server just started", "first page again"):
        start = time.perf_counter()
        page.goto(url)
        page.get_by_role("heading", name="Proposals").wait_for()
        print(f"{name}: {time.perf_counter() - start:.2f} s")
    page.get_by_role("button", name="Work on it").first.wait_for(timeout=300_000)
    start = time.perf_counter()
    page.get_by_role("button", name="Work on it").first.click()
    page.locator(".board").first.wait_for(timeout=120_000)
    page.wait_for_function(ANSWERED)
    print(f"large view open: {time.perf_counter() - start:.2f} s")
    page.locator(".board").first.click()
    for name in ("turn", "slide-more"):
        times, before = [], dict(traffic)
        for _ in range(EDITS_N):
            start = time.perf_counter()
            page.locator(f"button[data-act={name}]").click()
            page.wait_for_function(ANSWERED)
            times.append(time.perf_counter() - start)
        moved = {way: (traffic[way] - before[way]) // EDITS_N for way in traffic}
        print(
            f"{name}: median {1000 * statistics.median(times):.0f} ms, slowest {1000 * max(times):.0f} ms; "
            f"bytes an edit before compression: {moved}"
        )
    print(f"load average {os.getloadavg()[0]:.1f}")


def _add(traffic: dict[str, int], way: str, data: Any) -> None:
    traffic[way] += len(data)


if __name__ == "__main__":
    main()
