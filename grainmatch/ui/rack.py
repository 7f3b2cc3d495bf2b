"""Boards of the shop's rack brought into a job: one that was picked, or as many as a top may take."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st

from grainmatch.errors import GrainmatchError, LayoutError
from grainmatch.model import Board, Face, Rule
from grainmatch.report.record import read_boards, read_boards_record
from grainmatch.score.shortlist import (
    SPARE_WIDTH_FRAC,
    THICKNESS_SPREAD_MM,
    narrowing_words,
    shortlist_boards,
)
from grainmatch.store import Job, RackBoard, Shop
from grainmatch.ui import desk
from grainmatch.ui.proposing import asked_size, read_wishes
from grainmatch.ui.stock import Stock
from grainmatch.units import format_length

_EVERY_PX = 20
"""Of a face whose tone was never read, one pixel in so many along and across tells it."""


@dataclass(frozen=True)
class Choice:
    """Boards chosen from the rack, and in a sentence how."""

    boards: tuple[RackBoard, ...]
    words: str


def show_rack(job: Job, stock: Stock) -> None:
    """Free boards of the rack that the job does not have can be brought in."""
    shop = desk.the_shop()
    told = st.session_state.pop(f"rack_told_{job.id}", None)
    if told is not None:
        st.info(desk.plain(told))
    others = free_boards(shop, job)
    if not others:
        return
    with st.expander("Bring boards from the rack into this job"):
        size = asked_size(job)
        if size is None:
            st.caption("With the size of the top given on the Proposals page, boards can be chosen for it.")
        elif st.button("Choose boards for this top", type="primary"):
            with desk.in_words():
                choice = choose_boards(shop, job, stock)
                take_boards(shop, job, choice.boards)
                st.session_state[f"rack_told_{job.id}"] = choice.words
                st.rerun()
        names = {j.id: j.name for j in shop.list_jobs()}
        picked = st.selectbox("Board", others, format_func=lambda b: _board_words(b, names))
        if st.button("Bring in this one") and picked is not None:
            take_boards(shop, job, [picked])
            st.rerun()


def _board_words(entry: RackBoard, names: Mapping[str, str]) -> str:
    came_with = names.get(entry.home_job or "", "a job since removed")
    return f"{entry.id_in_set} from {came_with} {entry.note}"


def free_boards(shop: Shop, job: Job) -> list[RackBoard]:
    """The boards of the rack that no top has used and the job does not have."""
    here = {b.rack_key for b in shop.list_boards(job.id)}
    return [b for b in shop.list_rack() if b.key not in here and b.state == "free"]


def choose_boards(shop: Shop, job: Job, stock: Stock) -> Choice:
    """The boards of the rack worth weighing for a job's top, beside those it has.

    They are long enough, and of its thickness within what can be planed off; if they are more than half
    again the width takes, they are narrowed as `shortlist_boards` does, towards the job's own boards.
    Raises LayoutError when there is none, or the job has enough.
    """
    size = asked_size(job)
    if size is None:
        raise LayoutError("This job has no size.", "Give the size of the top on the Proposals page.")
    own = [b for b in stock.free if b.length_mm >= size[0]]
    missing_mm = (1 + SPARE_WIDTH_FRAC) * size[1] - sum(b.width_mm for b in own)
    if missing_mm <= 0:
        raise LayoutError("This job has wood enough for its top.", "Bring in single boards if you like.")
    thickness_mm = float(job.details.get("thickness_mm", 27.0))
    entries = {f"rack {entry.key}": entry for entry in free_boards(shop, job)}
    said = _said_at_home(shop)
    fitting = [
        board
        for name, entry in entries.items()
        for board in [_rack_board(shop, entry, name, said.get(entry.key, {}))]
        if board is not None
        and board.length_mm >= size[0]
        and abs(board.thickness_mm - thickness_mm) <= THICKNESS_SPREAD_MM
    ]
    if not fitting:
        long, thick = (format_length(mm, desk.units(), decimals=0) for mm in (size[0], thickness_mm))
        raise LayoutError(
            f"No free board on the rack is {long} long and about {thick} thick.", "Bring in photos of others."
        )
    mean_mm = sum(b.width_mm for b in fitting) / len(fitting)
    listed = shortlist_boards(
        [*own, *fitting],
        top_mm=size,
        wishes=replace(read_wishes(job), rules=tuple(Rule("include", (b.id,)) for b in own)),
        most_n=len(own) + math.ceil(missing_mm / mean_mm),
    )
    chosen = tuple(entries[b.id] for b in listed.boards if b.id in entries)
    return Choice(chosen, _choice_words(len(chosen), len(fitting), len(entries), narrowing_words(listed)))


def _choice_words(chosen_n: int, fitting_n: int, free_n: int, narrowed_by: str) -> str:
    words = (
        f"Brought in {chosen_n} of {free_n} free boards; {fitting_n} are long enough and of this thickness"
    )
    return f"{words}, narrowed by {narrowed_by}." if narrowed_by else f"{words}."


def take_boards(shop: Shop, job: Job, boards: Sequence[RackBoard]) -> None:
    """Bring boards of the rack into a job, with what was said of them where they came from."""
    with shop.all_or_nothing():
        said: dict[str, Any] = dict(shop.read_job(job.id).details.get("boards", {}))
        taken = {b.board_id for b in shop.list_boards(job.id)}
        before = _said_at_home(shop)
        for entry in boards:
            name = next(f"R{n}" for n in range(1, 100_000) if f"R{n}" not in taken)
            taken.add(name)
            shop.take_from_rack(job.id, entry.key, name)
            said.pop(name, None)
            if entry.key in before:
                said[name] = before[entry.key]
        shop.update_job(job.id, details={"boards": said})


def _said_at_home(shop: Shop) -> dict[int, dict[str, Any]]:
    """Species, moisture, marks and so on of the rack's boards by key, as said in the job each came with."""
    homes = {b.key: b.home_job for b in shop.list_rack()}
    return {
        row.rack_key: dict(job.details["boards"][row.board_id])
        for job in shop.list_jobs()
        for row in shop.list_boards(job.id)
        if homes.get(row.rack_key) == job.id and job.details.get("boards", {}).get(row.board_id)
    }


def _rack_board(shop: Shop, entry: RackBoard, name: str, said: Mapping[str, Any]) -> Board | None:
    """A board of the rack under another name, without its pictures; None when it is missing on disk."""
    try:
        board = _small_set(str(shop.set_folder(entry.set_sha256))).get(entry.id_in_set)
    except GrainmatchError:
        return None
    return board and replace(board, id=name, species=said.get("species", board.species))


@lru_cache(maxsize=200)
def _small_set(folder: str) -> dict[str, Board]:
    """The boards of a set with next to no pictures: enough to tell their tone. A folder's name stands for its
    content."""
    records = [b for b in read_boards_record(Path(folder)).boards if b.mean_lab is None]
    untold = {(b.id, f.side) for b in records for f in (b, b.back) if f is not None}
    boards = read_boards(Path(folder), pictures_of=untold)
    return {b.id: replace(b, faces=tuple(map(_thinned, b.faces))) for b in boards}


def _thinned(face: Face) -> Face:
    step = slice(None, None, _EVERY_PX)
    return replace(face, rgb=face.rgb[step, step].copy(), inside=face.inside[step, step].copy())
