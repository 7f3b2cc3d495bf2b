"""What the files hold: pydantic schemas, versions, and plain words for a file that does not fit.

Nothing here trusts a file: types are strict, unknown fields are refused, numbers are finite and
within what a workshop could mean.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from grainmatch.errors import StoreError
from grainmatch.model import MarkKind, Side


def _encodable(value: object) -> object:
    """Text as UTF-8 can hold it: file names in other encodings come with signs that it cannot."""
    return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value


Mm = Annotated[float, Field(ge=-100_000, le=100_000)]
FarMm = Annotated[float, Field(ge=-1e9, le=1e9)]
"""A pith of nearly straight rings lies as good as nowhere."""
SizeMm = Annotated[float, Field(gt=0, le=100_000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, BeforeValidator(_encodable), Field(max_length=2000)]
PointMm = tuple[Mm, Mm]
Outline = Annotated[list[PointMm], Field(max_length=20_000)]
Lab = tuple[float, float, float]

Upgrade = Callable[[dict[str, Any]], dict[str, Any]]


class Record(BaseModel):
    """Base of everything we write."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True, strict=True)


class _Versioned(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True)
    schema_version: Annotated[int, Field(ge=1)]


R = TypeVar("R", bound=Record)


def parse(
    data: bytes, schema: type[R], *, version: int, what: str, upgrades: Mapping[int, Upgrade] | None = None
) -> R:
    """Check a JSON document against its schema, upgrading an older one first.

    upgrades[n] turns a document of version n into one of version n + 1. Raises StoreError.
    """
    try:
        found = _Versioned.model_validate_json(data).schema_version
        if found > version:
            raise StoreError(f"This {what} was made by a newer grainmatch.", "Update grainmatch to open it.")
        if found < version:
            document = json.loads(data)
            for step in range(found, version):
                document = (upgrades or {})[step](document)
            data = json.dumps(document).encode()
        return schema.model_validate_json(data)
    except ValidationError as error:
        raise _misfit(what, error) from error
    except (KeyError, ValueError, TypeError, RecursionError) as error:
        raise StoreError(f"This {what} is too old or damaged.", f"Make the {what} again.") from error


@contextmanager
def refusing(what: str) -> Iterator[None]:
    """Turn a record that fails its own schema into a StoreError, before anything is written."""
    try:
        yield
    except ValidationError as error:
        reason = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in reason["loc"])[:80]
        raise StoreError(
            f"This {what} cannot be saved ({where}: {reason['msg'][:160]}).", f"Make the {what} again."
        ) from error


def _misfit(what: str, error: ValidationError) -> StoreError:
    first = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"])[:80]
    reason = f"{where}: {first['msg']}" if where else first["msg"]
    return StoreError(
        f"This is not a {what} grainmatch can read ({reason[:160]}).", f"Make the {what} again."
    )


# --- layout file -----------------------------------------------------------------------------


class PlacementRecord(Record):
    """One board, top to bottom."""

    board_id: Name
    side_up: Side
    turned: bool
    slide_mm: Mm
    rip_mm: tuple[Annotated[float, Field(ge=0, le=10_000)], Annotated[float, Field(ge=0, le=10_000)]]


class ScoreRecord(Record):
    """Lower is better."""

    terms: Annotated[dict[Name, float], Field(max_length=200)]
    total: float
    seams: Annotated[list[float], Field(max_length=500)] = []


class LayoutRecord(Record):
    """A layout file."""

    schema_version: Literal[1]
    placements: Annotated[list[PlacementRecord], Field(min_length=1, max_length=500)]
    score: ScoreRecord
    proven_optimal: bool
    bound: float | None
    top_mm: tuple[SizeMm, SizeMm] | None = None
    made_from: Annotated[dict[Name, Words], Field(max_length=1000)] = {}
    remarks: Annotated[list[Words], Field(max_length=1000)] = []


# --- boards file -----------------------------------------------------------------------------


class MarkRecord(Record):
    """Something on a face that is not clear wood."""

    kind: MarkKind
    outline_mm: Outline
    confidence: Annotated[float, Field(ge=0, le=1)] = 1.0
    sound: bool = True


class FaceRecord(Record):
    """One face and the image beside it."""

    photo: Annotated[str, BeforeValidator(_encodable), Field(max_length=1000)]
    side: Side
    outline_px: Annotated[list[tuple[float, float]], Field(max_length=20_000)]
    mean_lab: Lab | None
    grain_deg: float | None
    marks: Annotated[list[MarkRecord], Field(max_length=2000)]
    face: Name
    inside: Name
    px_per_mm: Annotated[float, Field(gt=0, le=1000)]
    upper_edge_mm: Annotated[Outline, Field(min_length=2)]
    lower_edge_mm: Annotated[Outline, Field(min_length=2)]


class EndRecord(Record):
    """The rings at the left end."""

    bark_side: Side | None
    pith_across_mm: FarMm
    pith_depth_mm: FarMm
    pith_sigma_mm: Annotated[float, Field(ge=0)]
    ring_mm: Annotated[float, Field(ge=0)]
    residual_mm: Annotated[float, Field(ge=0)]
    confidence: Annotated[float, Field(ge=0, le=1)]
    reason: Words = ""


class SizesRecord(Record):
    """What a board is, whichever face is up."""

    id: Name
    species: Annotated[str, Field(max_length=200)]
    length_mm: SizeMm
    start_width_mm: SizeMm
    end_width_mm: SizeMm
    thickness_mm: SizeMm
    crook_mm: Mm
    sigma_length_mm: Annotated[float, Field(ge=0)]
    sigma_width_mm: Annotated[float, Field(ge=0)]
    moisture_pct: Annotated[float, Field(ge=0, le=300)] | None = None
    bark_side: Side | None = None
    pair_confidence: Annotated[float, Field(ge=0, le=1)] = 1.0
    end_grain: EndRecord | None = None


class BoardRecord(FaceRecord, SizesRecord):
    """A board: its sizes, with its show face's fields beside them and its back, if seen, under `back`."""

    back: FaceRecord | None = None


class BoardsRecord(Record):
    """boards.json."""

    schema_version: Literal[1]
    warnings: Annotated[list[Words], Field(max_length=10_000)]
    boards: Annotated[list[BoardRecord], Field(max_length=10_000)]
