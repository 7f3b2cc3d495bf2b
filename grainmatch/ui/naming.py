"""Boards keep the names they have in a job, whatever is measured anew: a board is where its outline was."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from grainmatch.geometry import Points
from grainmatch.model import Board, Rule
from grainmatch.store import Job, JobBoard, Shop
from grainmatch.ui.stock import read_set

Row = tuple[str, str, str]
"""A board of a job: its name there, its set, and its name in the set."""


def name_boards(
    shop: Shop, job: Job, boards: Sequence[Board], set_sha256: str, photos: Mapping[str, str]
) -> list[Row]:
    """Rows for a job's boards just measured, and for those that it took from the rack.

    A board whose face lies in a photo where a face of an earlier board lay has that board's name; others
    get the next free number. photos: the sha256 of every photo by the name it was measured under.
    """
    own, borrowed = rows_now(shop, job)
    earlier: Mapping[str, str] = job.details.get("photo_names", {})
    before = {
        row.board_id: dict(
            _places(read_set(str(shop.set_folder(row.set_sha256))).get(row.id_in_set), earlier)
        )
        for row in own
    }
    names = match_places(before, [dict(_places(b, photos)) for b in boards])
    taken = {*(n for n in names if n), *(row.board_id for row in borrowed)}
    rows: list[Row] = []
    for board, known in zip(boards, names, strict=True):
        name = known or _free_name(board.id, taken)
        taken.add(name)
        rows.append((name, set_sha256, board.id))
    return [*rows, *((row.board_id, row.set_sha256, row.id_in_set) for row in borrowed)]


def match_places(
    before: Mapping[str, Mapping[str, Points]], now: Sequence[Mapping[str, Points]]
) -> list[str | None]:
    """The name of the earlier board that lies where each of the boards lies now, None for a new one.

    before and now hold outlines (n, 2) by photo. The nearest pairs come first; a name is given once.
    """
    pairs = sorted(
        (gap, k, name)
        for k, places in enumerate(now)
        for name, earlier in before.items()
        for gap in [min((_gap(places[p], earlier[p]) for p in places.keys() & earlier.keys()), default=1.0)]
        if gap < 1.0
    )
    names: list[str | None] = [None] * len(now)
    given: set[str] = set()
    for _, k, name in pairs:
        if names[k] is None and name not in given:
            names[k] = name
            given.add(name)
    return names


def rename_in_rules(rules: Sequence[Rule], board_id: str, new_id: str) -> tuple[Rule, ...]:
    """The rules with a board's new name in place of the old one."""
    return tuple(replace(r, boards=tuple(new_id if b == board_id else b for b in r.boards)) for r in rules)


def rows_now(shop: Shop, job: Job) -> tuple[list[JobBoard], list[JobBoard]]:
    """The job's boards from its own photos, and those that it took from the rack."""
    rack = {b.key: b for b in shop.list_rack()}
    own: list[JobBoard] = []
    borrowed: list[JobBoard] = []
    for row in shop.list_boards(job.id):
        entry = rack[row.rack_key]
        (own if entry.home_job == job.id and not entry.note else borrowed).append(row)
    return own, borrowed


def _places(board: Board | None, photos: Mapping[str, str]) -> Iterator[tuple[str, Points]]:
    """Where a board's faces lie: outlines by the sha256 of their photo."""
    for face in board.faces if board else ():
        if face.outline_px is not None and face.photo in photos:
            yield photos[face.photo], face.outline_px


def _gap(one: Points, other: Points) -> float:
    """How far the middles of two outlines lie apart, in half breadths or half lengths of the larger.

    Boards that do not overlap have 1 or more; a board and either half of it have 0.5.
    """
    axes = np.linalg.svd(one - one.mean(axis=0), full_matrices=False)[2]
    ends = [(uv.min(axis=0), uv.max(axis=0)) for uv in (one @ axes.T, other @ axes.T)]
    (low, high), (other_low, other_high) = ends
    away = np.abs((low + high) - (other_low + other_high)) / 2
    return float((away / (np.maximum(high - low, other_high - other_low) / 2 + 1e-9)).max())


def _free_name(wanted: str, taken: set[str]) -> str:
    return wanted if wanted not in taken else next(str(n) for n in range(1, 10_000) if str(n) not in taken)
