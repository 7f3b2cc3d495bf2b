"""Bring in a job from a file: what the store keeps for the pages without knowing it is checked here first."""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from grainmatch.board.correct import correction_from_data
from grainmatch.errors import BoardError, StoreError, UsageError
from grainmatch.face.edits import edits_from_data
from grainmatch.model import Base, Wishes
from grainmatch.report.record import layout_from_json
from grainmatch.store import Shop, read_archive
from grainmatch.store.records import LayoutKind
from grainmatch.ui.scales import scale_from_data

_Words = Annotated[str, Field(max_length=2000)]
_SizeMm = Annotated[float, Field(gt=0, le=100_000)]
_SideName = Literal["A", "B"]
_Point = tuple[float, float]


class _Part(BaseModel):
    """Fields named here must fit; others, of pages this does not know of, pass."""

    model_config = ConfigDict(extra="allow", allow_inf_nan=False)


class _SaidOfBoard(_Part):
    species: _Words = ""
    moisture_pct: Annotated[float, Field(ge=0, le=300)] | None = None
    bark_side: _SideName | None = None
    swap_faces: bool = False
    keep_out: dict[_SideName, list[Annotated[list[_Point], Field(min_length=3)]]] = {}
    marks: dict[_SideName, dict[str, Any]] = {}


class _Details(_Part):
    thickness_mm: _SizeMm = 27.0
    top_mm: tuple[_SizeMm, _SizeMm] | None = None
    sheet_on: Literal["bench", "boards"] = "bench"
    species: _Words = ""
    demo: bool = False
    roles: dict[str, Literal["", "show", "back", "ends"]] = {}
    photo_names: dict[_Words, str] = {}
    warnings: list[_Words] = []
    wishes: Wishes | None = None
    base: Base | None = None
    room: _Words = ""
    proposed_from: _Words = ""
    boards: dict[str, _SaidOfBoard] = {}
    drawn: dict[str, list[dict[str, Any]]] = {}
    scales: dict[str, dict[str, Any]] = {}


def bring_in(shop: Shop, data: bytes) -> str:
    """A job from the bytes of a file that 'Export job' made. Returns its id. Raises StoreError."""
    return read_archive(shop, data, check_details=check_details, check_layout=check_layout)


def check_details(details: dict[str, Any]) -> None:
    """Raises StoreError when a page could not make sense of a job's details."""
    try:
        checked = _Details.model_validate(details)
        for correction in (c for made in checked.drawn.values() for c in made):
            correction_from_data(correction)
        for scale in checked.scales.values():
            scale_from_data(scale)
        for said in checked.boards.values():
            for marks in said.marks.values():
                edits_from_data(marks)
    except UsageError as error:
        raise StoreError(
            "The job file goes by a paper or a board's size that is none.",
            "Export the job again where it came from.",
        ) from error
    except BoardError as error:
        raise StoreError(
            "The job file holds an outline or a mark drawn by hand that is none.",
            "Export the job again where it came from.",
        ) from error
    except ValidationError as error:
        where = ".".join(str(part) for part in error.errors()[0]["loc"])[:80]
        raise StoreError(
            f"What the job file says of the job makes no sense ({where}).",
            "Export the job again where it came from.",
        ) from error


def check_layout(kind: LayoutKind, body: str) -> None:
    """Raises StoreError for a kept layout that could not be opened again."""
    try:
        held = json.loads(body) if kind == "working" else None
        layout_from_json(body if held is None else json.dumps(held["layout"]))
        if held is not None and not all(isinstance(b, str) for b in held["locked"]):
            raise TypeError("locks are board ids")
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise StoreError(
            "A layout in the job file is damaged.", "Export the job again where it came from."
        ) from error
