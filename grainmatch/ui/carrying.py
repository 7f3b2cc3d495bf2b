"""Corrected marks stay where they lie in the wood, whatever is measured anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np

from grainmatch.errors import BoardError
from grainmatch.face.edits import Edits, carry_edits
from grainmatch.geometry import Matrix, apply_homography
from grainmatch.model import Board, Face, Side
from grainmatch.pipeline.drawn import corners_of
from grainmatch.store import Job, Shop
from grainmatch.ui.hand_marks import edits_of, swap_sides, with_edits
from grainmatch.ui.naming import Row, rows_now
from grainmatch.ui.stock import read_set


@dataclass(frozen=True, eq=False)
class _Before:
    """A corrected face as it was measured before. to_photo (3, 3) takes its millimetres to the photo."""

    board_id: str
    side: Side
    photo: str
    to_photo: Matrix
    edits: Edits


def carry_marks(
    shop: Shop, job: Job, boards: Sequence[Board], rows: Sequence[Row], photos: Mapping[str, str]
) -> dict[str, Any]:
    """What is said of a job's boards, its marks moved to where they lie on the faces measured anew.

    boards with their rows as `name_boards` gives them, not yet put into the job; photos: the sha256 of each
    by the name it was measured under. A mark lies where it lay in the photo, whatever became of the outline:
    moved, turned end for end, split or joined. Where no photo tells, it goes with the board's name.
    """
    said: dict[str, Any] = dict(job.details.get("boards", {}))
    before = _corrected_faces(shop, job, said)
    placed = {(b.board_id, b.side) for b in before}
    for board, (name, _, _) in zip(boards, rows, strict=False):
        mine: Mapping[str, Any] = said.get(name, {})
        by_name = {side: e for side, e in _as_measured(mine).items() if (name, side) not in placed}
        now = {
            f.side: _join([by_name.get(f.side, Edits()), *_carried_to(f, before, photos)])
            for f in board.faces
        }
        if mine or any(now.values()):
            said[name] = with_edits(mine, swap_sides(now) if mine.get("swap_faces") else now)
    return said


def _corrected_faces(shop: Shop, job: Job, said: Mapping[str, Any]) -> list[_Before]:
    """The corrected faces that have a place in a photo."""
    photos: Mapping[str, str] = job.details.get("photo_names", {})
    found: list[_Before] = []
    for row in rows_now(shop, job)[0]:
        edits = _as_measured(said.get(row.board_id, {}))
        if not any(edits.values()):
            continue
        board = read_set(str(shop.set_folder(row.set_sha256))).get(row.id_in_set)
        for face in board.faces if board else ():
            to_photo = _map_to_photo(face)
            if to_photo is not None and face.photo in photos and edits.get(face.side):
                found.append(_Before(row.board_id, face.side, photos[face.photo], to_photo, edits[face.side]))
    return found


def _as_measured(mine: Mapping[str, Any]) -> dict[Side, Edits]:
    """A board's corrections by the sides it was measured with."""
    return swap_sides(edits_of(mine)) if mine.get("swap_faces") else edits_of(mine)


def _carried_to(face: Face, before: Sequence[_Before], photos: Mapping[str, str]) -> list[Edits]:
    to_photo = _map_to_photo(face)
    if to_photo is None:
        return []
    height, width = face.inside.shape
    size_mm = width / face.px_per_mm, height / face.px_per_mm
    from_photo = np.linalg.inv(to_photo)
    return [
        carry_edits(b.edits, partial(apply_homography, from_photo @ b.to_photo), size_mm)
        for b in before
        if b.photo == photos.get(face.photo)
    ]


def _join(parts: Sequence[Edits]) -> Edits:
    return Edits(
        tuple(mark for edits in parts for mark in edits.added),
        tuple(mark for edits in parts for mark in edits.removed),
    )


def _map_to_photo(face: Face) -> Matrix | None:
    """The plane map (3, 3) from a face's millimetres to pixels of its photo, None when it has no outline."""
    if face.outline_px is None:
        return None
    try:
        there = corners_of(face.outline_px)
    except BoardError:
        return None
    upper, lower = face.upper_edge_mm, face.lower_edge_mm
    here = np.array([upper[0], upper[-1], lower[-1], lower[0]])
    found = cv2.getPerspectiveTransform(here.astype(np.float32), there.astype(np.float32))
    return np.asarray(found, dtype=np.float64)
