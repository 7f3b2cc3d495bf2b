"""One job as one file: a zip with its photos, boards and layouts, for another computer or for keeping."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import Any

from grainmatch.errors import StoreError
from grainmatch.store.files import clean_suffix, hash_bytes, hash_members, is_safe_member, is_sha256
from grainmatch.store.shop import Shop

ARCHIVE_VERSION = 1
_MAX_MEMBERS = 5000
_MAX_MEMBER_BYTES = 256 * 2**20
_MAX_TOTAL_BYTES = 4 * 2**30


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
    try:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
            archive.writestr("job.json", json.dumps(content, indent=1), zipfile.ZIP_DEFLATED)
            for photo in photos:
                archive.write(photo.path, f"photos/{photo.path.name}")
            for sha256 in sorted({b.set_sha256 for b in boards}):
                folder = shop.set_folder(sha256)
                for member in sorted(p for p in folder.rglob("*") if p.is_file()):
                    archive.write(member, f"sets/{sha256}/{member.relative_to(folder).as_posix()}")
    except OSError as fault:
        raise StoreError(
            "The job could not be written to a file.", "Check that the disk is not full."
        ) from fault


def read_archive(shop: Shop, data: bytes) -> str:
    """Bring a job from a file made by `write_archive` into the shop. Returns the new job's id.

    Everything is checked before anything is kept. Raises StoreError for a file that is not a job, is
    damaged, comes from a newer version, or holds names or sizes that a job never has.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_members(archive)
            content = json.loads(archive.read("job.json"))
            if content["archive_version"] > ARCHIVE_VERSION:
                raise StoreError("The job file comes from a newer grainmatch.", "Update grainmatch first.")
            photos = {n: archive.read(n) for n in archive.namelist() if n.startswith("photos/")}
            sets: dict[str, dict[str, bytes]] = {}
            for name in archive.namelist():
                if name.startswith("sets/"):
                    _, sha256, member = name.split("/", 2)
                    sets.setdefault(sha256, {})[member] = archive.read(name)
            _check_content(content, photos, sets)
    except (zipfile.BadZipFile, KeyError, TypeError, ValueError, EOFError, NotImplementedError) as fault:
        raise StoreError(
            "The file is not a saved job, or it is damaged.", "Pick a file that was saved with 'Export job'."
        ) from fault
    return _keep(shop, content, photos, sets)


def _check_members(archive: zipfile.ZipFile) -> None:
    members = archive.infolist()
    if len(members) > _MAX_MEMBERS or sum(m.file_size for m in members) > _MAX_TOTAL_BYTES:
        raise ValueError("too much in the file")
    if len({m.filename for m in members}) != len(members):
        raise ValueError("a name occurs twice")
    for member in members:
        room, _, rest = member.filename.partition("/")
        inner = rest.partition("/")[2] if room == "sets" else rest
        known = member.filename == "job.json" or (room in ("photos", "sets") and is_safe_member(inner))
        if not known or member.file_size > _MAX_MEMBER_BYTES:
            raise ValueError("an odd member")


def _check_content(
    content: dict[str, Any], photos: dict[str, bytes], sets: dict[str, dict[str, bytes]]
) -> None:
    """Every file must be what its name says, and every row must point at a file. Raises ValueError."""
    for name, data in photos.items():
        if Path(name).name != hash_bytes(data) + clean_suffix(name):
            raise ValueError("a photo differs from its name")
    for sha256, members in sets.items():
        if not is_sha256(sha256) or hash_members(members) != sha256:
            raise ValueError("a set differs from its name")
    rows_ok = (
        isinstance(content["job"]["name"], str)
        and isinstance(content["job"]["details"], dict)
        and all(p["file"] in photos and p["state"] in _PHOTO_STATES for p in content["photos"])
        and all(b["set"] in sets and isinstance(b["id"], str) for b in content["boards"])
        and all(x["kind"] in _LAYOUT_KINDS and isinstance(x["body"], str) for x in content["layouts"])
    )
    if not rows_ok:
        raise ValueError("a row points at nothing")


_PHOTO_STATES = ("waiting", "measuring", "measured", "failed")
_LAYOUT_KINDS = ("proposal", "working", "saved")


def _keep(
    shop: Shop, content: dict[str, Any], photos: dict[str, bytes], sets: dict[str, dict[str, bytes]]
) -> str:
    for members in sets.values():
        shop.add_set_members(members)
    job = shop.add_job(content["job"]["name"], content["job"]["details"])
    for row in content["photos"]:
        suffix = clean_suffix(row["file"])
        photo = shop.add_photo(job.id, Path(str(row["name"])).stem + suffix, photos[row["file"]])
        shop.set_photo_state(job.id, photo.sha256, row["state"], str(row["note"]))
    shop.put_boards(job.id, [(b["id"], b["set"], str(b["id_in_set"])) for b in content["boards"]])
    for row in content["layouts"]:
        layout = shop.add_layout(job.id, row["body"], name=str(row["name"]), kind=row["kind"])
        if row["chosen"] is True:
            shop.choose_layout(job.id, layout.id)
    shop.use_boards(job.id, [b["id"] for b in content["boards"] if b["used"] is True])
    return job.id
