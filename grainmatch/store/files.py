"""Files and folders named by what is in them, so that a half-written one can never be taken for whole."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import tempfile
from pathlib import Path

from grainmatch.errors import StoreError

_SHA256 = re.compile(r"[0-9a-f]{64}")
_MEMBER = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,120}")
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")
MAX_FOLDER_DEPTH = 3


def hash_bytes(data: bytes) -> str:
    """SHA-256 as 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def is_sha256(text: str) -> bool:
    """Whether the text is 64 lower-case hexadecimal digits."""
    return _SHA256.fullmatch(text) is not None


def clean_suffix(name: str) -> str:
    """The file name's suffix if it is a plain one, else nothing."""
    suffix = Path(name).suffix.lower()
    return suffix if _SUFFIX.fullmatch(suffix) else ""


def is_safe_member(name: str) -> bool:
    """Whether a relative path has only plain parts: no '..', no drive, no hidden or odd names."""
    parts = name.split("/")
    return 0 < len(parts) <= MAX_FOLDER_DEPTH and all(_MEMBER.fullmatch(p) for p in parts)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is either complete under its name or not there at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, scratch = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(scratch).replace(path)
        _sync_folder(path.parent)
    except OSError as fault:
        Path(scratch).unlink(missing_ok=True)
        raise StoreError("A file could not be saved.", "Check that the disk is not full.") from fault


def read_folder(folder: Path) -> dict[str, bytes]:
    """All files below a folder by relative name. Raises StoreError for names that are not plain."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            name = path.relative_to(folder).as_posix()
            if not is_safe_member(name):
                raise StoreError("A measured set holds an odd file name.", "Measure the photos again.")
            found[name] = path.read_bytes()
    return found


def hash_members(members: dict[str, bytes]) -> str:
    """One SHA-256 for a set of named files: over their names and their own hashes, in name order."""
    digest = hashlib.sha256()
    for name in sorted(members):
        digest.update(f"{name}\0{hash_bytes(members[name])}\n".encode())
    return digest.hexdigest()


def write_members(parent: Path, members: dict[str, bytes]) -> str:
    """Write a set of named files as one folder below `parent`, named by its content. Returns the name.

    The folder appears under its name only when every file in it is on disk.
    """
    name = hash_members(members)
    target = parent / name
    if target.is_dir():
        return name
    parent.mkdir(parents=True, exist_ok=True)
    scratch = Path(tempfile.mkdtemp(dir=parent, prefix=".part-"))
    try:
        for member, data in members.items():
            write_whole(scratch / member, data)
        # A rename onto a folder that another process has just finished fails: that one is as good.
        with contextlib.suppress(OSError):
            scratch.rename(target)
        if not target.is_dir():
            raise StoreError("A measured set could not be saved.", "Check that the disk is not full.")
        _sync_folder(parent)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return name


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system offers that for folders."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
