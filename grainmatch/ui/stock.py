"""The boards of a job in memory: read from their sets, with what the maker said about each."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from PIL import Image

from grainmatch.board.pair import swap_faces
from grainmatch.errors import StoreError
from grainmatch.model import Board, Layout, Placement, Pose, Rgb, Score, Side
from grainmatch.panel import place_top
from grainmatch.report.record import read_boards
from grainmatch.report.top import draw_wood
from grainmatch.store import Job, JobBoard, Shop

PICTURE_PX_PER_MM = 0.6


@dataclass(frozen=True, eq=False)
class Stock:
    """A job's boards in order, and a key that changes when anything about them does."""

    boards: tuple[Board, ...]
    used_elsewhere: frozenset[str]
    key: tuple[Any, ...]

    @property
    def by_id(self) -> dict[str, Board]:
        """The boards by their id in the job."""
        return {b.id: b for b in self.boards}

    @property
    def free(self) -> tuple[Board, ...]:
        """Boards that no other job has used."""
        return tuple(b for b in self.boards if b.id not in self.used_elsewhere)


def read_stock(shop: Shop, job: Job) -> Stock:
    """The boards of a job as measured, with species, moisture, bark side and show face as the maker said.

    Raises StoreError when a measured set is missing or damaged.
    """
    rows = shop.list_boards(job.id)
    said: Mapping[str, Any] = job.details.get("boards", {})
    key = tuple((r.board_id, r.set_sha256, r.id_in_set, repr(said.get(r.board_id))) for r in rows)
    boards = tuple(_read_board(shop, row, said.get(row.board_id, {})) for row in rows)
    elsewhere = frozenset(r.board_id for r in rows if r.used_by not in (None, job.id))
    return Stock(boards, elsewhere, key)


def _read_board(shop: Shop, row: JobBoard, said: Mapping[str, Any]) -> Board:
    board = read_set(str(shop.set_folder(row.set_sha256))).get(row.id_in_set)
    if board is None:
        raise StoreError(f"Board {row.board_id} is missing on disk.", "Measure the photos again.")
    if said.get("swap_faces"):
        board = swap_faces(board)
    return replace(
        board,
        id=row.board_id,
        species=said.get("species", board.species),
        moisture_pct=said.get("moisture_pct", board.moisture_pct),
        bark_side=said.get("bark_side", board.bark_side),
    )


@lru_cache(maxsize=3)
def read_set(folder: str) -> dict[str, Board]:
    """A measured set from disk. The folder's name is a hash of its content, so the cache cannot be stale."""
    boards = read_boards(Path(folder))
    for board in boards:
        for face in board.faces:
            face.rgb.flags.writeable = False
    return {b.id: b for b in boards}


def draw_face(board: Board, side: Side, *, px_per_mm: float) -> Rgb | None:
    """One face as the straight strip it can be ripped to, None when it was never photographed."""
    if board.face(side) is None:
        return None
    alone = Layout((Placement(board.id, Pose(side)),), Score({}, 0.0))
    placed = place_top(alone, [board])
    return draw_wood(placed, placed.panel, px_per_mm=px_per_mm)


def to_jpeg(rgb: Rgb, *, quality: int = 85) -> bytes:
    """A picture as JPEG bytes."""
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def face_jpeg(board: Board, side: Side, *, px_per_mm: float) -> bytes | None:
    """A face picture as JPEG, None when the face was never photographed."""
    rgb = draw_face(board, side, px_per_mm=px_per_mm)
    return None if rgb is None else to_jpeg(rgb)
