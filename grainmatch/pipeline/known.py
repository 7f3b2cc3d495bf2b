"""What was worked out from a folder of boards, kept beside its boards.json and used while that holds.

It holds for the same boards.json and this program's own code; else it is worked out anew.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Mapping, Sequence, Set
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

from grainmatch.errors import StoreError
from grainmatch.face.edits import EditsOfFaces, marks_to_json
from grainmatch.model import Board, Cathedral, Features, Mark, Sapwood, Side
from grainmatch.pipeline.cache import ReadingCache, code_fingerprint
from grainmatch.pipeline.features import correct_features, read_features
from grainmatch.report.pack import map_pack, write_pack
from grainmatch.report.record import BOARDS_FILE, read_boards, sha256_of, sha256_of_pictures
from grainmatch.score.pile import Pile
from grainmatch.score.problem import read_usable
from grainmatch.wood.species import own_species_file

FEATURES_FILE = "features.pack"
SEAMS_FILE = "seams.pack"
_NO_EDITS: EditsOfFaces = MappingProxyType({})
_KINDS = (Cathedral, Features, Mark, Pile, Sapwood)


def keep_features(folder: Path, features: Mapping[tuple[str, Side], Features]) -> None:
    """Keep what was read from the faces. Raises StoreError when the disk refuses."""
    write_pack(folder / FEATURES_FILE, (_stamp(folder), features))


def read_known_features(
    folder: Path, board_ids: Iterable[str], edits: EditsOfFaces = _NO_EDITS
) -> Mapping[tuple[str, Side], Features]:
    """What was read from the faces of these boards, now when it is not known, and corrected by the edits."""
    known: Mapping[tuple[str, Side], Features] | None = _find(folder / FEATURES_FILE, _stamp(folder))
    if known is None:
        known = read_features(_read_whole(folder, set(board_ids)))
    return correct_features(known, edits)


def read_known_pile(
    folder: Path,
    board_ids: Sequence[str],
    *,
    length_mm: float | None,
    edits: EditsOfFaces = _NO_EDITS,
    cache: ReadingCache | None = None,
) -> Pile:
    """The raw costs of all seams, priced now when not known for these boards, edits and length of top.

    cache: where the same boards, measured into another folder, may have been priced before. Raises
    LayoutError when no board is long enough, StoreError when a picture cannot be read.
    """
    stamp = (*_stamp(folder), length_mm, "\n".join(board_ids), _spell(edits), _own_woods())
    known: Pile | None = _find(folder / SEAMS_FILE, stamp)
    if known is not None:
        return known
    told = ("seams", length_mm, *tell_boards(folder, board_ids, edits))
    pile: Pile | None = cache.recall(told, _KINDS) if cache else None
    if pile is None:
        boards = _read_whole(folder, set(board_ids))
        pile = read_usable(boards, read_known_features(folder, board_ids, edits), length_mm=length_mm)
        if cache:
            cache.remember(told, pile)
    with contextlib.suppress(StoreError):  # a folder closed to us: priced again next time
        write_pack(folder / SEAMS_FILE, (stamp, pile))
    return pile


def tell_boards(folder: Path, board_ids: Sequence[str], edits: EditsOfFaces = _NO_EDITS) -> tuple[str, ...]:
    """Words that change with anything these boards are: sizes, pictures, corrections, the user's own woods.
    Raises StoreError when a picture cannot be read."""
    pictures = sha256_of_pictures(folder, set(board_ids))
    return (sha256_of(folder / BOARDS_FILE), "\n".join(board_ids), pictures, _spell(edits), _own_woods())


def _spell(edits: EditsOfFaces) -> str:
    return hashlib.sha256(marks_to_json(edits).encode()).hexdigest()


def _own_woods() -> str:
    """What tells the user's file of woods, which change how boards move, apart from any other."""
    path = own_species_file()
    return sha256_of(path) if path.is_file() else ""


def _read_whole(folder: Path, board_ids: Set[str]) -> list[Board]:
    """Boards with the pictures of all their faces."""
    wanted = {(board_id, side) for board_id in board_ids for side in get_args(Side)}
    return [b for b in read_boards(folder, pictures_of=wanted) if b.id in board_ids]


def _stamp(folder: Path) -> tuple[str, str]:
    return code_fingerprint(), sha256_of(folder / BOARDS_FILE)


def _find(path: Path, stamp: tuple[Any, ...]) -> Any:
    """What a file holds when it bears this stamp, else None."""
    try:
        kept, value = map_pack(path, _KINDS)
    except (OSError, ValueError, TypeError):
        return None
    return value if kept == stamp else None
