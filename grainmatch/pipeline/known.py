"""What was worked out from a folder of boards, kept beside its boards.json and used while that holds.

It holds for the same boards.json and this program's own code; else it is worked out anew.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from grainmatch.errors import StoreError
from grainmatch.face.edits import EditsOfFaces, marks_to_json
from grainmatch.model import Board, Cathedral, Features, Mark, Sapwood, Side
from grainmatch.pipeline.cache import ReadingCache, code_fingerprint
from grainmatch.pipeline.features import correct_features, read_features
from grainmatch.report.pack import map_pack, write_pack
from grainmatch.report.record import BOARDS_FILE, sha256_of
from grainmatch.score.pile import Pile
from grainmatch.score.problem import read_usable

FEATURES_FILE = "features.pack"
SEAMS_FILE = "seams.pack"
_NO_EDITS: EditsOfFaces = MappingProxyType({})
_KINDS = (Cathedral, Features, Mark, Pile, Sapwood)


def keep_features(folder: Path, features: Mapping[tuple[str, Side], Features]) -> None:
    """Keep what was read from the faces. Raises StoreError when the disk refuses."""
    write_pack(folder / FEATURES_FILE, (_stamp(folder), features))


def read_known_features(
    folder: Path, boards: Sequence[Board], edits: EditsOfFaces = _NO_EDITS
) -> Mapping[tuple[str, Side], Features]:
    """What was read from the faces, now when it is not known, and corrected by the edits."""
    known: Mapping[tuple[str, Side], Features] | None = _find(folder / FEATURES_FILE, _stamp(folder))
    return correct_features(read_features(boards) if known is None else known, edits)


def read_known_pile(
    folder: Path,
    boards: Sequence[Board],
    *,
    length_mm: float | None,
    edits: EditsOfFaces = _NO_EDITS,
    cache: ReadingCache | None = None,
) -> Pile:
    """The raw costs of all seams, priced now when not known for these boards, edits and length of top.

    cache: where the same boards, measured into another folder, may have been priced before. Raises
    LayoutError when no board is long enough.
    """
    said = hashlib.sha256(marks_to_json(edits).encode()).hexdigest()
    stamp = (*_stamp(folder), length_mm, "\n".join(b.id for b in boards), said)
    known: Pile | None = _find(folder / SEAMS_FILE, stamp)
    if known is not None:
        return known
    told = (*stamp, _pictures(boards))
    pile: Pile | None = cache.recall(told, _KINDS) if cache else None
    if pile is None:
        pile = read_usable(boards, read_known_features(folder, boards, edits), length_mm=length_mm)
        if cache:
            cache.remember(told, pile)
    with contextlib.suppress(StoreError):  # a folder closed to us: priced again next time
        write_pack(folder / SEAMS_FILE, (stamp, pile))
    return pile


def _pictures(boards: Sequence[Board]) -> str:
    """What tells the boards' pictures apart from any others."""
    told = hashlib.sha256()
    for face in (face for board in boards for face in board.faces):
        told.update(repr(face.rgb.shape).encode())
        told.update(np.ascontiguousarray(face.rgb).data)
    return told.hexdigest()


def _stamp(folder: Path) -> tuple[str, str]:
    return code_fingerprint(), sha256_of(folder / BOARDS_FILE)


def _find(path: Path, stamp: tuple[Any, ...]) -> Any:
    """What a file holds when it bears this stamp, else None."""
    try:
        kept, value = map_pack(path, _KINDS)
    except (OSError, ValueError, TypeError):
        return None
    return value if kept == stamp else None
