"""Nothing that comes from outside, a name, a label, a job file, a request, does more than it may."""

from __future__ import annotations

import ast
import base64
import json
import os
import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from hypothesis import example, given

from grainmatch.errors import GrainmatchError, StoreError
from grainmatch.store import Shop
from grainmatch.store.files import clean_file_name
from grainmatch.store.shop import MOST_PHOTOS_N
from grainmatch.ui.bringing import bring_in
from grainmatch.ui.desk import plain
from tests import strategies
from tests.hard_use.archives import hostile_archives, job_text, make_archive
from tests.hard_use.cases import Yard
from tests.hard_use.job import fill_shop
from tests.hard_use.pictures import good_pictures
from tests.ui.browser import Server, serving
from tests.ui.pages import open_page

PACKAGE = Path(__file__).parents[2] / "grainmatch"
EVIL = "<script>alert(1)</script>![x](http://192.0.2.1/x.png)[y](javascript:alert(1))"


@pytest.fixture(autouse=True)
def forget() -> Iterator[None]:
    """What one page remembers is not there for the next."""
    yield
    st.cache_resource.clear()
    st.cache_data.clear()


# --- names ---------------------------------------------------------------------------------------


@given(strategies.awkward_text())
@example("0000" + "\N{MATHEMATICAL BOLD CAPITAL A}" * 28 + " \N{MATHEMATICAL BOLD CAPITAL A}")
def test_a_file_name_from_anywhere_stays_a_file_name(name: str) -> None:
    clean = clean_file_name(name)
    assert Path(clean).name == clean
    assert clean not in ("", ".", "..")
    assert not set(clean) & set('/\\:\0\n<>"|?*')
    assert len(os.fsencode(clean)) < 200
    assert clean_file_name(clean) == clean


@pytest.mark.parametrize(
    "name",
    ["../../evil.jpg", "..\\..\\evil.jpg", "/etc/evil.jpg", "C:\\evil.jpg", "e\0vil.jpg", "é" * 300 + ".jpg"],
)
def test_an_uploaded_photo_stays_in_its_folder(shop: Shop, name: str) -> None:
    job = shop.add_job("Table")
    photo = shop.add_photo(job.id, name, b"photo")
    assert photo.path.resolve().is_relative_to((shop.home / "photos").resolve())
    assert photo.path.read_bytes() == b"photo"
    assert set(shop.home.parent.rglob("*.jpg")) == {photo.path}


def test_a_job_takes_only_so_many_photos(shop: Shop) -> None:
    job = shop.add_job("Table")
    with shop.all_or_nothing():
        for n in range(MOST_PHOTOS_N):
            shop.add_photo(job.id, f"{n}.jpg", b"%d" % n)
    with pytest.raises(StoreError, match="already has"):
        shop.add_photo(job.id, "more.jpg", b"more")
    assert len(shop.list_photos(job.id)) == MOST_PHOTOS_N


# --- pages ---------------------------------------------------------------------------------------


def test_no_page_is_told_to_pass_html_through() -> None:
    """Streamlit shows HTML in text as text unless told otherwise; `st.html` is for fixed text only."""
    for path in (PACKAGE / "ui").rglob("*"):
        if path.suffix in (".py", ".js"):
            text = path.read_text("utf-8")
            assert not re.search(
                r"unsafe_allow|innerHTML|outerHTML|insertAdjacent|document\.write|eval\(", text
            ), path
            if path.suffix == ".py":
                assert _shows_fixed_html_only(ast.parse(text)), path


def _shows_fixed_html_only(module: ast.Module) -> bool:
    """Whether every `st.html` shows a literal, or a name that the module binds once, to a literal."""
    bound = [node for node in module.body if isinstance(node, ast.Assign)]
    stores = [n.id for n in ast.walk(module) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)]
    fixed = {
        target.id
        for node in bound
        for target in node.targets
        if isinstance(node.value, ast.Constant)
        and isinstance(target, ast.Name)
        and stores.count(target.id) == 1
    }
    return all(
        isinstance(node.args[0], ast.Constant) or getattr(node.args[0], "id", "") in fixed
        for node in ast.walk(module)
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "html"
    )


@pytest.mark.parametrize(
    "text", [EVIL, "**bold**", "www.example.org", "a\n# b", "$x$ :material/home:", "`c`"]
)
def test_plain_text_holds_no_markup(text: str) -> None:
    bare = re.sub(r"\\.", "", plain(text))
    assert not re.search(r"[<>\[\]`*_#$:\n]|\.\S", bare)


@pytest.mark.parametrize("page", ["jobs", "photos", "boards", "papers"])
def test_hostile_names_are_shown_as_typed(shop: Shop, yard: Yard, page: str) -> None:
    job_id = fill_shop(shop, *yard.made, good_pictures()["jpeg"])
    shop.update_job(job_id, name=EVIL[:80], details={"warnings": [EVIL], "photo_names": {}})
    shop.add_photo(job_id, EVIL + ".jpg", good_pictures()["png"], state="measured")
    shop.set_photo_state(job_id, shop.list_photos(job_id)[0].sha256, "failed", EVIL)
    shop.add_layout(job_id, shop.list_layouts(job_id)[0].body, name=EVIL)
    shop.write_setting("last_job", job_id)
    app = open_page(page)
    assert not app.exception
    seen = 0
    for kind in ("title", "subheader", "markdown", "caption", "info", "error", "warning"):
        for element in app.get(kind):
            assert not getattr(element, "allow_html", False)
            bare = re.sub(r"\\.", "", str(getattr(element, "value", "")))
            assert "<script" not in bare
            assert "](" not in bare
            seen += "alert" in bare
    assert seen, "the hostile text never came to this page, so this test shows nothing"


# --- job files -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", hostile_archives())
def test_the_page_refuses_job_files_made_to_hurt(shop: Shop, name: str) -> None:
    with pytest.raises(StoreError):
        bring_in(shop, hostile_archives()[name])
    assert shop.list_jobs() == []


@pytest.mark.parametrize(
    "details",
    [
        {"thickness_mm": "thick"}, {"top_mm": [1]}, {"boards": {"1": {"keep_out": {"C": []}}}},
        {"wishes": {"tone_match": 7}}, {"wishes": {"rules": [{"kind": "none", "boards": []}]}},
        {"roles": ["show"]},
    ],
)  # fmt: skip
def test_details_that_no_page_could_show_are_refused(shop: Shop, details: dict[str, object]) -> None:
    whole = make_archive(job=job_text(job={"name": "J", "details": details}))
    with pytest.raises(GrainmatchError):
        bring_in(shop, whole)
    assert shop.list_jobs() == []


# --- requests ------------------------------------------------------------------------------------


def _shake_hands(server: Server, host: str, origin: str) -> str:
    """Ask for the page's live connection as a browser does (RFC 6455, 4.1). Returns the status line."""
    key = base64.b64encode(os.urandom(16)).decode()
    lines = [
        "GET /_stcore/stream HTTP/1.1", f"Host: {host}", f"Origin: {origin}", "Upgrade: websocket",
        "Connection: Upgrade", f"Sec-WebSocket-Key: {key}", "Sec-WebSocket-Version: 13", "", "",
    ]  # fmt: skip
    with socket.create_connection((server.address, server.port), timeout=10) as line:
        line.sendall("\r\n".join(lines).encode())
        return line.recv(200).decode("latin-1").splitlines()[0]


def test_the_app_answers_its_own_machine_only(tmp_path: Path) -> None:
    """A foreign page must not talk to it, not even under a name that leads here (DNS rebinding)."""
    with serving(tmp_path / "home") as server:
        own = f"127.0.0.1:{server.port}"
        assert " 101 " in _shake_hands(server, own, f"http://{own}")
        assert " 403 " in _shake_hands(server, own, "http://evil.example")
        assert " 403 " in _shake_hands(server, "evil.example", "http://evil.example")
        listening = Path("/proc/net/tcp")
        if listening.exists():
            bound = [row.split()[1] for row in listening.read_text().splitlines()[1:]]
            assert [b[:8] for b in bound if b.endswith(f":{server.port:04X}")][:1] == ["0100007F"]


def test_a_layout_body_survives_the_round_trip(shop: Shop, yard: Yard) -> None:
    """The checks on bringing in must not refuse what the app itself exports."""
    job_id = bring_in(shop, yard.archive)
    (kept,) = shop.list_layouts(job_id)
    assert json.loads(kept.body) == yard.layout
