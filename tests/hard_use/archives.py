"""Job files made to hurt: members that climb out, bombs, links, doubles, and rows that lie."""

from __future__ import annotations

import io
import json
import random
import stat
import warnings
import zipfile
from functools import cache
from typing import Any

from tests.hard_use.harm import harm_bytes, harm_json

_PHOTO = "photos/" + "a" * 64 + ".jpg"


def job_text(**changes: Any) -> bytes:
    """A job.json with no photos, boards or layouts, and whatever is changed in it."""
    rows: dict[str, Any] = {"photos": [], "boards": [], "layouts": []}
    base = {"archive_version": 1, "job": {"name": "J", "details": {}}, **rows}
    return json.dumps({**base, **changes}).encode()


def make_archive(*members: tuple[str | zipfile.ZipInfo, bytes], job: bytes | None = None) -> bytes:
    """A zip file with a job.json and these members, whatever they are called."""
    buffer = io.BytesIO()
    with (
        warnings.catch_warnings(),
        zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
    ):
        warnings.simplefilter("ignore")  # zipfile warns of names that occur twice
        archive.writestr("job.json", job_text() if job is None else job)
        for name, data in members:
            archive.writestr(name, data)
    return buffer.getvalue()


@cache
def hostile_archives() -> dict[str, bytes]:
    """Job files that must be refused as a whole; bombs hold a tenth more than is taken."""
    link = zipfile.ZipInfo(_PHOTO)
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    layout = {"kind": "saved", "name": "x", "body": "{}", "chosen": False}
    board = {"id": "1", "set": "a" * 64, "id_in_set": "1", "used": False}
    details = {"name": "J", "details": {"top_mm": "wide", "boards": ["1"], "thickness_mm": {}}}
    return {
        "climbs out": make_archive(("photos/../../evil.jpg", b"x")),
        "climbs out by backslashes": make_archive(("photos\\..\\..\\evil.jpg", b"x")),
        "absolute": make_archive(("/evil.jpg", b"x")),
        "on a drive": make_archive(("C:/evil.jpg", b"x")),
        "with NUL": make_archive(("photos/a\0.jpg", b"x")),
        "a link": make_archive((link, b"/etc/passwd")),
        "a name twice": make_archive((_PHOTO, b"x"), (_PHOTO, b"y")),
        "two job.json": make_archive(("job.json", job_text())),
        "too many members": make_archive(*((f"photos/{n:064x}.jpg", b"") for n in range(6000))),
        "a zip bomb": make_archive(*((f"photos/{n:064x}.jpg", bytes(40_000_000)) for n in range(11))),
        "a bomb as job.json": make_archive(job=b" " * 60_000_000),
        "nested without end": make_archive(job=b"[" * 200_000),
        "layout that is none": make_archive(job=job_text(layouts=[layout])),
        "layout without a name": make_archive(job=job_text(layouts=[{"kind": "saved", "body": "{}"}])),
        "board of no set": make_archive(job=job_text(boards=[board])),
        "odd details": make_archive(job=job_text(job=details)),
        "no name": make_archive(job=job_text(job={"name": " ", "details": {}})),
        "version as text": make_archive(job=job_text(archive_version="1")),
        "version below one": make_archive(job=job_text(archive_version=0)),
        "encrypted": _as_encrypted(make_archive()),
    }


def harm_archive(whole: bytes, rng: random.Random) -> bytes:
    """A job file harmed as a file, or opened, harmed in its job.json and closed again."""
    if rng.random() < 0.4:
        return harm_bytes(whole, rng)
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        members = [(m, archive.read(m)) for m in archive.namelist() if m != "job.json"]
        text = harm_json(json.loads(archive.read("job.json")), rng)
    if rng.random() < 0.2:
        members.pop(rng.randrange(len(members)))
    return make_archive(*members, job=text)


def _as_encrypted(archive: bytes) -> bytes:
    """The same file with the first member's 'encrypted' bit set in both of its headers (APPNOTE 4.4.4)."""
    hurt = bytearray(archive)
    hurt[6] |= 1
    hurt[hurt.index(b"PK\x01\x02") + 8] |= 1
    return bytes(hurt)
