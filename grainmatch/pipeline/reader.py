"""One photo -> its reading: where its boards are, then the wood of each face. What is kept is not read again.

The two steps are kept apart, so that the faces of a photo may be read side by side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from grainmatch.board.correct import Correction
from grainmatch.board.ends import EndPicture
from grainmatch.errors import GrainmatchError
from grainmatch.model import Board, Cathedral, EndGrain, Face, Features, Mark, Sapwood
from grainmatch.photo.pose import KnownScale, SheetOn
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.features import read_one_face
from grainmatch.pipeline.gather import FaceReading, Failure, Reading
from grainmatch.pipeline.measure import read_bench_photo
from grainmatch.report.png import FacePngs, encode_face

_KINDS = (
    Board, Cathedral, EndGrain, EndPicture, Face, FacePngs, FaceReading, Failure, Features, Mark, Reading,
    Sapwood,
)  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """What every photo of a pile is read with, and where readings are kept.

    corrections, known_in: by file name; what is known in one photo goes before what is known in all.
    """

    thickness_mm: float
    sheet_on: SheetOn
    known: KnownScale | str | None
    corrections: Mapping[str, Sequence[Correction]]
    cache: ReadingCache | None
    known_in: Mapping[str, KnownScale] = field(default_factory=dict)

    def is_kept(self, path: Path) -> bool:
        """Whether the boards in this photo were found before."""
        key = self._key(path)
        return self.cache is not None and key is not None and self.cache.holds(key)

    def read(self, path: Path) -> Reading:
        """Everything a photo tells."""
        key = self._key(path)
        reading = self._find_boards(path, key)
        faces = [b.faces[0] for b in reading.boards]
        try:
            read = tuple(self._read_face(key, k, face) for k, face in enumerate(faces))
        except GrainmatchError as error:
            return Reading(path, reading.shows, failure=Failure(path.name, error.message, error.advice))
        return replace(reading, faces=read)

    def leave_boards(self, path: Path) -> None:
        """Find a photo's boards, for another process to come upon in the cache."""
        self._find_boards(path, self._key(path))

    def count_left(self, path: Path) -> int:
        """How many boards the cache holds of a photo."""
        reading = self._find_kept(path, self._key(path))
        return len(reading.boards) if reading else 0

    def leave_face(self, path: Path, number: int) -> None:
        """Read the face of one board that was found, for another process to come upon in the cache."""
        key = self._key(path)
        reading = self._find_kept(path, key)
        if reading and number < len(reading.boards):
            self._read_face(key, number, reading.boards[number].faces[0])

    def _key(self, path: Path) -> str | None:
        corrections = tuple(self.corrections.get(path.name, ()))
        known = self._known(path)
        cache = self.cache
        return cache.key(path, self.thickness_mm, self.sheet_on, known, corrections) if cache else None

    def _known(self, path: Path) -> KnownScale | str | None:
        return self.known_in.get(path.name, self.known)

    def _find_kept(self, path: Path, key: str | None) -> Reading | None:
        kept = self.cache.find(key, _KINDS) if self.cache and key else None
        return replace(kept, path=path) if isinstance(kept, Reading) else None

    def _find_boards(self, path: Path, key: str | None) -> Reading:
        kept = self._find_kept(path, key)
        if kept is not None:
            return kept
        reading = read_bench_photo(
            path,
            thickness_mm=self.thickness_mm,
            sheet_on=self.sheet_on,
            known=self._known(path),
            corrections=tuple(self.corrections.get(path.name, ())),
        )
        if self.cache and key:
            self.cache.keep(key, reading)
        return reading

    def _read_face(self, key: str | None, number: int, face: Face) -> FaceReading:
        kept = self.cache.find(f"{key}-{number}", _KINDS) if self.cache and key else None
        if isinstance(kept, FaceReading):
            return kept
        reading = read_whole_face(face)
        if self.cache and key:
            self.cache.keep(f"{key}-{number}", reading)
        return reading


def read_whole_face(face: Face) -> FaceReading:
    """A face's features, and its pictures as they go to disk."""
    return FaceReading(read_one_face(face), encode_face(face))
