"""Writing files so that a crash or a full disk never leaves half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from grainmatch.errors import StoreError


def write_bytes(path: Path, data: bytes) -> Path:
    """Write a whole file or nothing: to a temporary file beside it, flushed, then put in its place.

    Makes the folder when it is missing. Raises StoreError when the disk refuses.
    """
    temporary = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except OSError as error:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        raise StoreError(
            f"The file {path.name} cannot be written ({error.strerror or 'disk error'}).",
            "Choose a folder you may write to, with room left.",
        ) from error
    return path


def read_bytes(path: Path, *, largest_mb: int, what: str) -> bytes:
    """Read a whole file. Raises StoreError when it is missing, unreadable or absurdly large."""
    try:
        if path.stat().st_size > largest_mb * 1_000_000:
            raise StoreError(
                f"The {what} {path.name} is far too large.", f"Choose a {what} grainmatch wrote."
            )
        return path.read_bytes()
    except OSError as error:
        raise StoreError(
            f"The {what} {path.name} cannot be read ({error.strerror or 'disk error'}).",
            "Check the path and that you may read the file.",
        ) from error
