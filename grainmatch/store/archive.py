"""One job as one file: a zip with its photos, boards and layouts, for another computer or for keeping."""

from __future__ import annotations

import io
import json
import lzma
import stat
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from grainmatch.disk import part_folder
from grainmatch.errors import StoreError
from grainmatch.store.files import (
    MOST_MEMBER_MB,
    clean_suffix,
    hash_bytes,
    hash_members,
    is_safe_member,
    is_sha256,
)
from grainmatch.store.records import LayoutKind, PhotoState
from grainmatch.store.shop import MOST_PHOTOS_N, Shop

ARCHIVE_VERSION = 1
MOST_ARCHIVE_MB = 400
_MOST_MEMBERS_N = 5000
_MOST_JOB_TEXT_BYTES = 50_000_000
_DAMAGE = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, KeyError, ValueError, EOFError, OSError, RuntimeError,
    NotImplementedError, RecursionError,
)  # fmt: skip
"""What zipfile lets through for damaged and encrypted members, beside our own ValueError."""


def write_archive(shop: Shop, job_id: str, path: Path) -> None:
    """Write a job with all it needs to one zip file."""
    job = shop.read_job(job_id)
    photos, boards = shop.list_photos(job_id), shop.list_boards(job_id)
    content = {
        "archive_version": ARCHIVE_VERSION,
        "job": {"name": job.name, "details": dict(job.details)},
        "photos": [
            {"file": f"photos/{p.path.name}", "name": p.name, "state": p.state, "note": p.note}
            for p in photos
        ],
        "boards": [
            {"id": b.board_id, "set": b.set_sha256, "id_in_set": b.id_in_set, "used": b.used_by == job_id}
            for b in boards
        ],
        "layouts": [
            {"kind": x.kind, "name": x.name, "body": x.body, "chosen": x.chosen}
            for x in shop.list_layouts(job_id)
        ],
    }
    with part_folder(path.parent) as part:
        whole = part / "job.zip"
        try:
            with zipfile.ZipFile(whole, "w", zipfile.ZIP_STORED) as archive:
                archive.writestr("job.json", json.dumps(content, indent=1), zipfile.ZIP_DEFLATED)
                for photo in photos:
                    archive.write(photo.path, f"photos/{photo.path.name}")
                for sha256 in sorted({b.set_sha256 for b in boards}):
                    folder = shop.set_folder(sha256)
                    for member in sorted(p for p in folder.rglob("*") if p.is_file()):
                        archive.write(member, f"sets/{sha256}/{member.relative_to(folder).as_posix()}")
            if whole.stat().st_size > MOST_ARCHIVE_MB * 1_000_000:
                raise StoreError(
                    f"The job is larger than {MOST_ARCHIVE_MB} MB.",
                    "Remove photos that are measured already.",
                )
            whole.replace(path)
        except OSError as fault:
            raise StoreError(
                f"The job could not be written to a file ({(fault.strerror or 'disk error').lower()}).",
                "Check that the disk is not full and that every photo of the job can still be opened.",
            ) from fault


def read_archive(
    shop: Shop,
    data: bytes,
    *,
    check_details: Callable[[dict[str, Any]], object] | None = None,
    check_layout: Callable[[LayoutKind, str], object] | None = None,
) -> str:
    """Bring a job from a file made by `write_archive` into the shop. Returns the new job's id.

    Everything is checked before anything is kept, and the job comes in whole or not at all. The callbacks
    check what the store keeps for others without knowing it, and raise GrainmatchError. Raises StoreError
    for a file that is not a job, is damaged, comes from a newer version, or holds names or sizes that a job
    never has.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        content = _read_content(archive)
        _check_files(archive, content)
    except _DAMAGE as fault:
        raise StoreError(
            "The file is not a saved job, or it is damaged.", "Pick a file that was saved with 'Export job'."
        ) from fault
    if check_details:
        check_details(content.job.details)
    if check_layout:
        for row in content.layouts:
            check_layout(row.kind, row.body)
    return _keep(shop, archive, content)


# --- what job.json holds -----------------------------------------------------------------------


class _Row(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False)


_Name = Annotated[str, Field(min_length=1, max_length=200)]


class _JobRow(_Row):
    name: Annotated[str, Field(max_length=200, pattern=r"\S")]
    details: dict[str, Any]


class _PhotoRow(_Row):
    file: _Name
    name: Annotated[str, Field(max_length=500)]
    state: PhotoState
    note: Annotated[str, Field(max_length=2000)]


class _BoardRow(_Row):
    id: _Name
    set: _Name
    id_in_set: _Name
    used: bool


class _LayoutRow(_Row):
    kind: LayoutKind
    name: Annotated[str, Field(max_length=200)]
    body: Annotated[str, Field(max_length=5_000_000)]
    chosen: bool


class _Content(_Row):
    archive_version: Annotated[int, Field(ge=1)]
    job: _JobRow
    photos: Annotated[list[_PhotoRow], Field(max_length=MOST_PHOTOS_N)]
    boards: Annotated[list[_BoardRow], Field(max_length=1000)]
    layouts: Annotated[list[_LayoutRow], Field(max_length=1000)]


class _Version(_Row):
    archive_version: int


def _read_content(archive: zipfile.ZipFile) -> _Content:
    """job.json, checked; ValueError (pydantic's is one) when it does not fit."""
    _check_members(archive)
    text = archive.read("job.json")
    if _Version.model_validate_json(text).archive_version > ARCHIVE_VERSION:
        raise StoreError("The job file comes from a newer grainmatch.", "Update grainmatch first.")
    content = _Content.model_validate_json(text)
    json.dumps(content.job.details, allow_nan=False)
    if len({b.id for b in content.boards}) != len(content.boards):
        raise ValueError("a board occurs twice")
    return content


# --- the files beside it -----------------------------------------------------------------------


def _check_members(archive: zipfile.ZipFile) -> None:
    members = archive.infolist()
    total = sum(m.file_size for m in members)
    if len(members) > _MOST_MEMBERS_N or total > MOST_ARCHIVE_MB * 1_000_000:
        raise ValueError("too much in the file")
    if len({m.filename for m in members}) != len(members):
        raise ValueError("a name occurs twice")
    for member in members:
        room, _, rest = member.filename.partition("/")
        inner = rest.partition("/")[2] if room == "sets" else rest
        is_job = member.filename == "job.json"
        known = is_job or (room in ("photos", "sets") and is_safe_member(inner))
        most_bytes = _MOST_JOB_TEXT_BYTES if is_job else MOST_MEMBER_MB * 1_000_000
        packed = member.compress_type in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
        if not known or not packed or _is_link(member) or member.file_size > most_bytes:
            raise ValueError("an odd member")


def _is_link(member: zipfile.ZipInfo) -> bool:
    return stat.S_ISLNK(member.external_attr >> 16)


def _check_files(archive: zipfile.ZipFile, content: _Content) -> None:
    """Every file must be what its name says, and every row must point at a file. Raises ValueError.

    One photo or set is in memory at a time.
    """
    names = set(archive.namelist())
    for name in names:
        if name.startswith("photos/"):
            right = f"photos/{hash_bytes(archive.read(name))}{clean_suffix(name)}"
            if name != right:
                raise ValueError("a photo differs from its name")
    sets = _sets(archive)
    for sha256 in sets:
        if not is_sha256(sha256) or hash_members(_read_set(archive, sha256)) != sha256:
            raise ValueError("a set differs from its name")
    photos_ok = all(p.file in names and p.file.startswith("photos/") for p in content.photos)
    if not photos_ok or not all(b.set in sets for b in content.boards):
        raise ValueError("a row points at nothing")


def _sets(archive: zipfile.ZipFile) -> set[str]:
    return {name.split("/")[1] for name in archive.namelist() if name.startswith("sets/")}


def _read_set(archive: zipfile.ZipFile, sha256: str) -> dict[str, bytes]:
    start = f"sets/{sha256}/"
    return {n.removeprefix(start): archive.read(n) for n in archive.namelist() if n.startswith(start)}


def _keep(shop: Shop, archive: zipfile.ZipFile, content: _Content) -> str:
    for sha256 in sorted(_sets(archive)):
        shop.add_set_members(_read_set(archive, sha256))
    with shop.all_or_nothing():
        job = shop.add_job(content.job.name, content.job.details)
        for row in content.photos:
            name = f"{Path(row.name).stem}{clean_suffix(row.file)}"
            photo = shop.add_photo(job.id, name, archive.read(row.file))
            shop.set_photo_state(job.id, photo.sha256, row.state, row.note)
        shop.put_boards(job.id, [(b.id, b.set, b.id_in_set) for b in content.boards])
        for kept in content.layouts:
            layout = shop.add_layout(job.id, kept.body, name=kept.name, kind=kept.kind)
            if kept.chosen:
                shop.choose_layout(job.id, layout.id)
        shop.use_boards(job.id, [b.id for b in content.boards if b.used])
    return job.id
