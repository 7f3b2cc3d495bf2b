"""What the store hands out. Plain records; texts that it keeps for others stay texts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

PhotoState = Literal["waiting", "measuring", "measured", "failed"]
BoardState = Literal["free", "used"]
LayoutKind = Literal["proposal", "working", "saved"]


@dataclass(frozen=True)
class Job:
    """One piece of work: a top, or a table with its benches.

    details holds what the maker asked for, as JSON values. change_n grows with every change to the
    job, its photos, boards or layouts, so that another browser can see that something happened.
    """

    id: str
    name: str
    created_s: float
    change_n: int
    details: Mapping[str, Any]


@dataclass(frozen=True)
class JobPhoto:
    """A photo in a job. sha256 names its content; note says why it failed, in words."""

    sha256: str
    name: str
    state: PhotoState
    note: str
    path: Path


@dataclass(frozen=True)
class RackBoard:
    """A board on the rack, shared by all jobs.

    set_sha256 and id_in_set say where its record lies. used_by is the job it was used in, None while free.
    """

    key: int
    set_sha256: str
    id_in_set: str
    state: BoardState
    home_job: str | None
    used_by: str | None
    note: str = ""


@dataclass(frozen=True)
class JobBoard:
    """A rack board taken into a job, under the id it has there."""

    board_id: str
    rack_key: int
    set_sha256: str
    id_in_set: str
    state: BoardState
    used_by: str | None


@dataclass(frozen=True)
class SavedLayout:
    """A layout of a job as JSON text. chosen is true for the one that will be made."""

    id: int
    kind: LayoutKind
    name: str
    body: str
    created_s: float
    chosen: bool
