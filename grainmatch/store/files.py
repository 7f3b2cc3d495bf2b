"""Files and folders named by what is in them, so that a half-written one can never be taken for whole."""

from __future__ import annotations

import contextlib
import hashlib
import re
from pathlib import Path

from grainmatch.disk import part_folder, read_bytes, write_bytes
from grainmatch.errors import StoreError

_SHA256 = re.compile(r"[0-9a-f]{64}")
_MEMBER = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,120}")
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")
_MOST_STEM_BYTES = 120
MAX_FOLDER_DEPTH = 3
MOST_MEMBER_MB = 256


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


def clean_file_name(name: str) -> str:
    """A file name from anywhere as one that every system takes: no folders, no control signs, not endless."""
    last = re.split(r"[/\\\\]", name)[-1]
    plain = "".join(c for c in last if c.isprintable() and c not in '<>:"|?*').strip(" .")
    stem, suffix = Path(plain).stem, Path(plain).suffix if clean_suffix(plain) else ""
    short = stem.encode("utf-8", "ignore")[:_MOST_STEM_BYTES].decode("utf-8", "ignore").strip(" .")
    return f"{short or 'photo'}{suffix}"


def is_safe_member(name: str) -> bool:
    """Whether a relative path has only plain parts: no '..', no drive, no hidden or odd names."""
    parts = name.split("/")
    return 0 < len(parts) <= MAX_FOLDER_DEPTH and all(_MEMBER.fullmatch(p) for p in parts)


def read_folder(folder: Path) -> dict[str, bytes]:
    """All files below a folder by relative name. Raises StoreError for names that are not plain."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            name = path.relative_to(folder).as_posix()
            if not is_safe_member(name):
                raise StoreError("A measured set holds an odd file name.", "Measure the photos again.")
            found[name] = read_bytes(path, largest_mb=MOST_MEMBER_MB, what="measured file")
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
        with contextlib.suppress(OSError):
            target.touch()  # wanted again: another window's sweep must not take it for forgotten
        return name
    with part_folder(parent) as part:
        for member, data in members.items():
            write_bytes(part / member, data)
        # A rename onto a folder that another process has just finished fails: that one is as good.
        with contextlib.suppress(OSError):
            part.rename(target)
        if not target.is_dir():
            raise StoreError("A measured set could not be saved.", "Check that the disk is not full.")
    return name
