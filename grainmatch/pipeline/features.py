"""Faces -> Features, on all cores, none read twice, and as the user corrected them."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from types import MappingProxyType

from grainmatch.face.edits import Edits, EditsOfFaces, apply_edits
from grainmatch.face.reading import read_face
from grainmatch.model import Board, Face, Features, Side

FaceFeatures = Mapping[tuple[str, Side], Features]
_WORKERS = min(os.cpu_count() or 1, 4)


def read_features(
    boards: Sequence[Board], known: FaceFeatures = MappingProxyType({})
) -> dict[tuple[str, Side], Features]:
    """What a maker's eye reads from every face, by (board id, side). known: what was read before."""
    missing = {(b.id, f.side): f for b in boards for f in b.faces if (b.id, f.side) not in known}
    with ThreadPoolExecutor(_WORKERS) as pool:
        return dict(known) | dict(zip(missing, pool.map(read_one_face, missing.values()), strict=True))


def correct_features(features: FaceFeatures, edits: EditsOfFaces) -> dict[tuple[str, Side], Features]:
    """What was read, with the user's word in place of it where the two disagree."""
    return {key: apply_edits(found, edits.get(key, Edits())) for key, found in features.items()}


def read_one_face(face: Face) -> Features:
    """What a maker's eye reads from one face."""
    return read_face(face.rgb, px_per_mm=face.px_per_mm, inside=face.inside)
