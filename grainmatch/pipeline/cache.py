"""Readings of photos kept on disk by content, so that a photo is measured once, and seams priced once.

A reading depends on the photo's bytes and name, the options, and this program's own code; its key
is a hash of all of them, so that nothing stale is ever served.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import platformdirs

import grainmatch
from grainmatch.disk import sweep_parts
from grainmatch.errors import StoreError
from grainmatch.photo.read import MOST_BYTES
from grainmatch.report.pack import map_pack, write_pack

CACHE_VARIABLE = "GRAINMATCH_CACHE"
_COMPUTED_FROM = (".py", ".json", ".toml")
_ALWAYS_BYTES = 2_000_000_000
_MOST_OF_FREE = 0.25


@dataclass(frozen=True)
class ReadingCache:
    """A folder of readings and prices; the oldest go above 2 GB, or a quarter of the free disk if more."""

    folder: Path

    def key(self, photo: Path, *options: object) -> str | None:
        """The name under which this photo's reading is kept, None when the file cannot be read."""
        try:
            if photo.stat().st_size > MOST_BYTES:
                return None
            content = hashlib.sha256(photo.read_bytes()).hexdigest()
        except (OSError, ValueError):  # ValueError: a NUL in the path
            return None
        return _name((content, photo.name, options))

    def holds(self, key: str) -> bool:
        """Whether a reading is kept under this key."""
        return self._path(key).is_file()

    def find(self, key: str, kinds: Sequence[type[Any]]) -> Any:
        """What is kept under a key, None when nothing is or it is damaged. kinds: the records it may hold."""
        path = self._path(key)
        try:
            kept = map_pack(path, kinds)
        except (OSError, ValueError):
            return None
        with contextlib.suppress(OSError):
            os.utime(path)
        return kept

    def keep(self, key: str, value: object) -> None:
        """Keep what was worked out; a full or read-only disk only means that it is worked out again."""
        with contextlib.suppress(StoreError, OSError):
            write_pack(self._path(key), value)
            self._drop_oldest()

    def recall(self, told: tuple[object, ...], kinds: Sequence[type[Any]]) -> Any:
        """What was worked out from all that `told` spells, None when it is not kept."""
        return self.find(_name(told), kinds)

    def remember(self, told: tuple[object, ...], value: object) -> None:
        """Keep what was worked out from all that `told` spells."""
        self.keep(_name(told), value)

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.pack"

    def _drop_oldest(self) -> None:
        sweep_parts(self.folder)
        most_bytes = max(_ALWAYS_BYTES, _MOST_OF_FREE * shutil.disk_usage(self.folder).free)
        held = sorted(
            ((p.stat().st_mtime, p.stat().st_size, p) for p in self.folder.glob("*.pack")), reverse=True
        )
        total = 0
        for _, size, path in held:
            total += size
            if total > most_bytes:
                path.unlink(missing_ok=True)


def usual_cache() -> ReadingCache:
    """The user's own cache folder, or the one named in GRAINMATCH_CACHE."""
    named = os.environ.get(CACHE_VARIABLE)
    folder = Path(named) if named else Path(platformdirs.user_cache_dir("grainmatch")) / "readings"
    return ReadingCache(folder)


def _name(told: tuple[object, ...]) -> str:
    return hashlib.sha256(repr((*told, code_fingerprint())).encode()).hexdigest()


@cache
def code_fingerprint() -> str:
    """Changes with any file this program computes from: a new version never serves an old one's readings."""
    package = Path(grainmatch.__file__).parent
    files = sorted(p for p in package.rglob("*.*") if p.suffix in _COMPUTED_FROM)
    stats = ((p.relative_to(package).as_posix(), p.stat()) for p in files)
    spelled = repr([(name, s.st_size, s.st_mtime_ns) for name, s in stats])
    return hashlib.sha256(spelled.encode()).hexdigest()
