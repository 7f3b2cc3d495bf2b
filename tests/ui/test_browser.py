"""The app in a real Chromium, by mouse, finger and keyboard."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from grainmatch.report.record import layout_from_json
from grainmatch.store import Shop, open_shop
from grainmatch.ui.hand_marks import edits_of
from grainmatch.ui.launch import find_lan_address
from tests.ui.browser import CHROMIUM, LAPTOP, PATIENCE_MS, PHONE, Server, needs_chromium, serving

FOR_FINGERS = ", ".join(
    f"[data-testid=stMain] {part}"
    for part in (
        "[data-testid=stPageLink-NavLink]",
        "[data-testid=stButtonGroup] button",
        "[data-testid=stExpander] summary",
        "[data-testid^=stBaseButton-secondary]",
    )
)
pytestmark = [pytest.mark.browser, needs_chromium, pytest.mark.timeout(240)]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def laptop(chromium: Any) -> Any:
    """A browser on a laptop; its pages share what it has loaded once."""
    return chromium.new_context(viewport=LAPTOP)


@pytest.fixture(scope="module")
def phone(chromium: Any) -> Any:
    """A browser on a phone, used by finger."""
    return chromium.new_context(viewport=PHONE, has_touch=True, is_mobile=True)


class Page:
    """A browser page that notes every request that leaves this machine and every fault in a script."""

    def __init__(self, browser: Any, *, address: str = "127.0.0.1") -> None:
        self.at_home = re.compile(rf"(https?|wss?)://{re.escape(address)}:\d+/|data:|blob:")
        self.page = browser.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.foreign: list[str] = []
        self.faults: list[str] = []
        self.page.on("request", self._note)
        self.page.on("pageerror", lambda fault: self.faults.append(str(fault)))

    def _note(self, request: Any) -> None:
        if not self.at_home.match(request.url):
            self.foreign.append(request.url)

    def tags(self) -> list[str]:
        """What is written on the boards in the large view, first to last."""
        in_words = "tags => tags.map(t => [...t.children].map(part => part.textContent).join(' '))"
        return list(self.page.locator(".board .tag").evaluate_all(in_words))

    def wait_for_tags(self, tags: list[str]) -> None:
        """Wait until the boards lie like this."""
        end_s = time.monotonic() + PATIENCE_MS / 1000
        while self.tags() != tags and time.monotonic() < end_s:
            self.page.wait_for_timeout(50)
        assert self.tags() == tags

    def answered(self) -> None:
        """Wait until the edit just made has been scored."""
        self.page.wait_for_function(
            "() => ![...document.querySelectorAll('*')]"
            ".some(e => e.shadowRoot?.querySelector('.seam.waiting'))",
            polling=100,
        )

    def draw_finger(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Put a finger down, draw it along and lift it."""
        finger = self.page.context.new_cdp_session(self.page)
        for step in range(9):
            x, y = (a + (b - a) * step / 8 for a, b in zip(start, end, strict=True))
            kind = "touchMove" if step else "touchStart"
            finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
        # A finger lifted while moving would fling the page, and the next tap would only stop that.
        self.page.wait_for_timeout(200)
        finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    def tap(self, where: Any) -> None:
        """Bring something into view and tap it."""
        where.scroll_into_view_if_needed()
        where.tap()

    def close(self) -> None:
        self.page.close()
        assert self.faults == []
        assert self.foreign == [], "the app works offline"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, measured_set: Path) -> Iterator[tuple[Server, Path]]:
    """The app on a home with one measured job."""
    home = tmp_path_factory.mktemp("served") / "home"
    shop = open_shop(home)
    put_measured_job(shop, measured_set)
    shop.close()
    with serving(home) as server:
        yield server, home


def put_measured_job(shop: Shop, measured_set: Path) -> None:
    job = shop.add_job("Coffee table", {"top_mm": [560.0, 300.0], "thickness_mm": 27.0})
    sha256 = shop.add_set(measured_set)
    shop.put_boards(job.id, [(str(n), sha256, str(n)) for n in range(1, 5)])


@pytest.fixture(scope="module")
def large_view(laptop: Any, served: tuple[Server, Path]) -> Iterator[Page]:
    """The large view opened on the laptop, to be worked on by one test after another."""
    view = Page(laptop)
    open_top(view, served[0])
    yield view
    view.close()


def open_top(view: Page, server: Server) -> list[str]:
    """Go to the large view as a user does. Returns what is written on its boards."""
    view.page.goto(server.url)
    view.page.get_by_role("button", name="Work on it").first.click()
    view.page.locator(".board").first.wait_for()
    view.answered()
    return view.tags()


def wait_for_layout(home: Path, kind: Any) -> Any:
    """The first layout of a kind to come into the store."""
    shop = open_shop(home)
    end_s = time.monotonic() + PATIENCE_MS / 1000
    try:
        while time.monotonic() < end_s:
            for job in shop.list_jobs():
                found = shop.list_layouts(job.id, kind)
                if found:
                    return found[-1]
            time.sleep(0.1)
    finally:
        shop.close()
    raise AssertionError(f"no {kind} layout was kept")


def test_from_the_demo_job_to_a_saved_layout(laptop: Any, tmp_path: Path) -> None:
    home = tmp_path / "home"
    with serving(home) as server:
        view = Page(laptop)
        view.page.goto(f"{server.url}/proposals?job=gone")  # typed by its name, like every other page
        view.page.get_by_text("Kitchen table (demo)").wait_for()
        assert view.page.url == f"{server.url}/?job=gone"
        assert not view.page.get_by_text("Page not found").count()
        save = view.page.get_by_role("button", name="Save this one").first
        save.wait_for(timeout=150_000)
        save.click()
        view.page.get_by_role("heading", name="Papers").wait_for()
        with view.page.expect_download() as download:
            view.page.get_by_role("button", name="Layout file").first.click()
        text = Path(download.value.path()).read_text("utf-8")
        view.close()
    layout = layout_from_json(text)
    assert layout.top_mm == (1700.0, 850.0)
    assert len(layout.placements) >= 6, "850 mm of boards 117 to 151 mm wide"
    saved = wait_for_layout(home, "saved")
    assert saved.chosen
    assert json.loads(saved.body) == json.loads(text)


def test_two_browsers_and_a_killed_server_from_an_uploaded_photo_to_a_saved_layout(
    laptop: Any, phone: Any, tmp_path: Path, samples: Path
) -> None:
    home, name = tmp_path / "home", "Side table"
    with serving(home) as server:
        view, watching = Page(phone), Page(laptop)
        page = view.page
        page.goto(f"{server.url}/jobs")
        page.get_by_label("Name", exact=True).last.fill(name)
        page.get_by_label("Size of the top, length x width").fill("1500 x 480 mm")
        view.tap(page.get_by_role("button", name="Begin"))
        page.get_by_role("heading", name="Photos").wait_for()
        watching.page.goto(f"{server.url}/photos")
        watching.page.get_by_text("No photos yet").wait_for()
        photo = "demo_boards_1_to_4_show.jpg"
        page.locator("input[type=file]").first.set_input_files(samples / photo)
        watching.page.get_by_text(photo, exact=True).wait_for()
        server.kill()
        view.close()
        watching.close()
    shop = open_shop(home)
    (job,) = (j for j in shop.list_jobs() if j.name == name)
    assert [p.name for p in shop.list_photos(job.id)] == [photo]
    with serving(home) as server:
        view = Page(phone)
        page = view.page
        page.goto(f"{server.url}/photos")
        found = page.get_by_role("link", name="See the 4 boards found")
        found.wait_for(timeout=120_000)  # it went on by itself
        view.tap(found)
        page.get_by_text("See how they could lie").wait_for()  # until then the picture is drawn anew
        draw_a_corner(view)
        view.tap(page.get_by_role("button", name="Back to the measured ones"))
        view.tap(page.get_by_role("link", name="See how they could lie"))
        work = page.get_by_role("button", name="Work on it").first
        work.wait_for(timeout=120_000)
        view.tap(work)
        page.locator(".board").first.wait_for()
        view.answered()
        lying = view.tags()
        board = page.locator(".board").first
        board.focus()
        view.tap(board)
        view.tap(page.locator("button[data-act=later]"))
        view.wait_for_tags(view_order(lying))
        view.answered()
        assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
        view.tap(page.get_by_role("button", name="Save this layout"))
        page.get_by_role("heading", name="Papers").wait_for()
        page.get_by_text("My layout").first.wait_for()
        view.close()
    assert shop.list_photos(job.id)[0].state == "measured"
    (saved,) = shop.list_layouts(job.id, "saved")
    assert saved.chosen
    layout = layout_from_json(saved.body)
    assert [p.board_id for p in layout.placements] == [t.split()[0] for t in view_order(lying)]
    assert layout.top_mm == (1500.0, 480.0)
    shop.close()


def draw_a_corner(view: Page) -> None:
    """Draw the first outline's first corner away by finger: it can then be measured with."""
    view.page.locator("polygon.shape").nth(3).wait_for()
    view.page.locator("polygon.shape").first.tap()
    corner = view.page.locator(".grip").first
    corner.scroll_into_view_if_needed()
    box = corner.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    view.draw_finger((x, y), (x - 9, y - 6))
    view.page.get_by_role("button", name="Measure with these outlines").wait_for()


def view_order(lying: list[str]) -> list[str]:
    """The boards once the first has changed places with the second."""
    return [lying[1], lying[0], *lying[2:]]


def test_the_top_is_changed_by_mouse(large_view: Page, served: tuple[Server, Path]) -> None:
    view, home = large_view, served[1]
    start = view.tags()
    boxes = [view.page.locator(".board").nth(k).bounding_box() for k in range(len(start))]
    x = boxes[0]["x"] + 200
    view.page.mouse.move(x, boxes[0]["y"] + 10)
    view.page.mouse.down()
    view.page.mouse.move(x, boxes[-1]["y"] + boxes[-1]["height"] - 4, steps=10)
    view.page.mouse.up()
    view.answered()
    dragged = [*start[1:], start[0]]
    assert view.tags() == dragged

    view.page.locator("button[data-act=flip]").click()
    view.answered()
    assert view.tags()[:-1] == dragged[:-1]
    assert view.tags()[-1] != dragged[-1]
    view.page.get_by_role("button", name="Undo").click()
    view.wait_for_tags(dragged)
    view.page.get_by_role("button", name="Undo").click()
    view.wait_for_tags(start)
    view.page.get_by_role("button", name="Redo").click()
    view.wait_for_tags(dragged)
    view.answered()
    kept = json.loads(wait_for_layout(home, "working").body)["layout"]["placements"]
    assert [p["board_id"] for p in kept] == [t.split()[0] for t in dragged]


def test_the_top_is_changed_by_keyboard_alone(large_view: Page) -> None:
    view = large_view
    start = view.tags()
    view.page.locator(".board").first.focus()
    for key in ("Space", "ArrowDown", "Space"):
        view.page.keyboard.press(key)
    view.answered()
    moved = [start[1], start[0], *start[2:]]
    assert view.tags() == moved
    for key in ("Space", "ArrowDown", "Escape"):
        view.page.keyboard.press(key)
    assert view.tags() == moved
    view.page.keyboard.press("l")
    view.answered()
    assert "🔒" in view.tags()[1]
    view.page.keyboard.press("f")
    assert "🔒" in view.tags()[1], "a locked board does not flip"
    assert view.tags()[1].split()[:2] == moved[1].split()[:2]
    view.page.keyboard.press("l")
    view.answered()


def test_the_top_is_changed_by_finger_on_a_phone(phone: Any, served: tuple[Server, Path]) -> None:
    server, _ = served
    view = Page(phone)
    start = open_top(view, server)
    wide = view.page.evaluate("() => document.documentElement.scrollWidth")
    assert wide <= PHONE["width"], "nothing sticks out sideways"
    whole = """boards => boards.every(board => {
        const [lies, tag] = [board, board.querySelector('.tag')].map(x => x.getBoundingClientRect());
        return tag.left >= lies.left - 1 && tag.right <= lies.right + 1;
    })"""
    assert view.page.locator(".board").evaluate_all(whole), "a 6 cut off looks like a 5"
    grips = view.page.locator(".board .grip")
    grips.first.scroll_into_view_if_needed()
    first, last = grips.first.bounding_box(), grips.last.bounding_box()
    y = first["y"] + first["height"] / 2
    view.draw_finger((first["x"] + first["width"] / 2, y), (last["x"] + last["width"] - 3, y))
    view.answered()
    assert view.tags() == [*start[1:], start[0]]
    view.page.locator("button[data-act=turn]").tap()
    turned = start[0].removesuffix(" ↻") if start[0].endswith("↻") else f"{start[0]} ↻"
    view.wait_for_tags([*start[1:], turned])
    view.close()


def test_marks_are_corrected_by_finger_and_by_keyboard(phone: Any, served: tuple[Server, Path]) -> None:
    server, home = served
    view = Page(phone)
    view.page.goto(f"{server.url}/boards")
    face = view.page.locator(".whole.kinds").first
    knot = re.compile(r"K\d+ knot")
    (name,) = knot.findall(face.locator(".row", has_text=knot).first.inner_text())
    face.get_by_role("button", name=f"Remove {name}").tap()
    face.get_by_role("button", name=f"Put back {name}").wait_for()
    face.get_by_role("button", name="Add a mark").tap()
    lines = face.locator(".lines")
    lines.tap(position={"x": 250, "y": lines.bounding_box()["height"] / 2})
    face.locator("select").select_option("keep out")
    told = re.compile(r"X\d+ keep out of the top 24 mm x 24 mm")  # the app has answered, all is drawn anew
    face.locator(".row[aria-pressed=true]", has_text=told).wait_for()
    corner = face.locator(".grip[data-grip='2']").bounding_box()
    x, y = corner["x"] + corner["width"] / 2, corner["y"] + corner["height"] / 2
    view.draw_finger((x, y), (x + 60, y + 40))
    face.locator("polygon.picked").focus()
    for _ in range(3):
        view.page.keyboard.press("Shift+ArrowRight")
    assert view.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert view.page.locator("[data-testid=stMain]").evaluate("main => main.scrollWidth <= main.clientWidth")
    heights_px = view.page.locator(FOR_FINGERS).evaluate_all("all => all.map(one => one.offsetHeight)")
    assert heights_px
    assert min(heights_px) >= 40, "large enough for a finger; common practice, no source"
    shop = open_shop(home)
    (job,) = shop.list_jobs()
    end_s = time.monotonic() + PATIENCE_MS / 1000
    while time.monotonic() < end_s:
        edits = edits_of(shop.read_job(job.id).details["boards"]["1"])["A"]
        if edits.added and edits.added[0].kind == "keep out" and edits.added[0].box_mm[0] > 430:
            break
        time.sleep(0.1)
    shop.close()
    assert [m.kind for m in edits.removed] == ["knot"]
    assert [m.kind for m in edits.added] == ["keep out"]
    left, _, right, _ = edits.added[0].box_mm
    assert right - left > 30, "the corner was dragged"
    view.page.reload()
    view.page.get_by_role("button", name=f"Put back {name}").wait_for()
    view.close()


def test_a_phone_needs_the_passcode(phone: Any, laptop: Any, tmp_path: Path, measured_set: Path) -> None:
    home = tmp_path / "home"
    shop = open_shop(home)
    put_measured_job(shop, measured_set)
    shop.close()
    command = ("-m", "grainmatch", "app", "--lan", "--port", "{port}")
    with serving(home, *command, address=find_lan_address()) as server:
        found = re.search(r"Passcode for the first browser: (\S+)", server.log.read_text("utf-8"))
        assert found is not None
        view = Page(phone, address=server.address)
        view.page.goto(f"{server.url}/boards")
        view.page.get_by_label("Passcode").fill("WRONG-GUESS")
        view.page.get_by_role("button", name="Enter").click()
        view.page.get_by_text("That is not the passcode").wait_for()
        assert view.page.get_by_text("Coffee table").count() == 0
        view.page.get_by_label("Passcode").fill(found[1])
        view.page.get_by_role("button", name="Enter").click()
        view.page.get_by_text("Coffee table").first.wait_for()
        view.page.wait_for_function("document.cookie.includes('grainmatch_key=')")  # the browser has its key
        view.page.reload()
        view.page.get_by_text("Coffee table").first.wait_for()
        other = Page(laptop, address=server.address)
        other.page.goto(f"{server.url}/?code={found[1]}")
        other.page.get_by_label("Passcode").wait_for()
        other.close()
        view.close()
