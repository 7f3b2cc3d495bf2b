"""Writing files so that a crash or a full disk never leaves half of one under its name.

A file is written beside its place, flushed, then renamed into it. While that goes on the part is locked;
a part that nobody has locked was left by a program that was killed, and is swept up.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from grainmatch.errors import StoreError

if sys.platform != "win32":
    import fcntl

PART = ".part-"
_FORGOTTEN_S = 24 * 3600.0


def write_bytes(path: Path, data: bytes) -> Path:
    """Write a whole file or nothing. Makes the folder when it is missing. Raises StoreError when the disk
    refuses."""
    return write_pieces(path, [data])


def write_pieces(path: Path, pieces: Iterable[bytes | memoryview]) -> Path:
    """As `write_bytes`, for a file that need not be held in memory whole."""
    with _in_words(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, part = _begin_file(path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.writelines(pieces)
                file.flush()
                os.fsync(file.fileno())
                part.chmod(0o644)
                if sys.platform != "win32":  # renamed while locked, so that no sweep comes between
                    part.replace(path)
            if sys.platform == "win32":
                part.replace(path)
        finally:
            part.unlink(missing_ok=True)
        _sync_folder(path.parent)
    return path


@contextmanager
def part_folder(parent: Path) -> Iterator[Path]:
    """A locked folder below `parent` to fill and then rename; whatever is left of it goes at the end."""
    with _in_words(parent):
        parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(dir=parent, prefix=PART))
        handle = _lock_folder(part)
    try:
        yield part
        _sync_folder(parent)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        if handle is not None:
            os.close(handle)


def read_bytes(path: Path, *, largest_mb: int, what: str) -> bytes:
    """Read a whole file. Raises StoreError when it is missing, unreadable or absurdly large."""
    try:
        if path.stat().st_size > largest_mb * 1_000_000:
            raise StoreError(
                f"The {what} {path.name} is far too large.", f"Choose a {what} grainmatch wrote."
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        raise StoreError(
            f"The {what} {path.name} cannot be read ({_reason(error)}).",
            "Check the path and that you may read the file.",
        ) from error


def is_folder(path: Path) -> bool:
    """Whether there is a folder; False also for a path that no disk could have."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def sweep_parts(folder: Path) -> int:
    """Remove what killed programs left half-written right in a folder. Returns how many things went."""
    swept_n = 0
    with contextlib.suppress(OSError):  # a folder that is missing or closed to us has nothing for us to sweep
        for part in folder.glob(f"{PART}*"):
            if _is_left(part):
                if part.is_dir():
                    shutil.rmtree(part, ignore_errors=True)
                else:
                    part.unlink(missing_ok=True)
                swept_n += 1
    return swept_n


def _begin_file(folder: Path) -> tuple[int, Path]:
    """A fresh, locked part. Between its making and its locking a sweep may take it: then another is made."""
    while True:
        handle, name = tempfile.mkstemp(dir=folder, prefix=PART)
        _lock(handle)
        if Path(name).exists():
            return handle, Path(name)
        os.close(handle)


def _lock_folder(folder: Path) -> int | None:
    if sys.platform == "win32":
        return None
    handle = os.open(folder, os.O_RDONLY)
    _lock(handle)
    return handle


def _lock(handle: int) -> bool:
    """Lock an open file or folder for as long as it stays open; False when another has it."""
    if sys.platform != "win32":
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # some network disks have no locks: then only age tells
            return True
    return True


def _is_left(part: Path) -> bool:
    """Whether nobody is writing this part any more; by its age where there are no locks."""
    if sys.platform == "win32":
        return time.time() - part.stat().st_mtime > _FORGOTTEN_S
    handle = os.open(part, os.O_RDONLY)
    try:
        return _lock(handle)
    finally:
        os.close(handle)


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError) as error:
        raise StoreError(
            f"{path.name or path} cannot be written ({_reason(error)}).",
            "Choose a folder you may write to, with room left.",
        ) from error


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or "disk error").lower()


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system offers that for folders."""
    if sys.platform != "win32":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
