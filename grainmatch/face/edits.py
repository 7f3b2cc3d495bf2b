"""What the user says about marks, kept apart from what was read so that it survives a new reading.

An `Edits` record grows by `add_mark` and `remove_mark`; `apply_edits` lays it over any Features of the
same face. `edits_to_data` and `marks_to_json` keep it, for one face and for all faces of a set of boards.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from grainmatch.errors import BoardError
from grainmatch.geometry import Points, polygon_area, polygon_mask
from grainmatch.model import Features, Mark, MarkKind, Side

MARKS_VERSION: Final = 1
_SAME_MARK = 0.3  # shared area over joined area from which two outlines are the same mark
_LEAST_LEFT = 0.3  # share of a mark's area that must lie on a face for it to be one of that face's marks
_DECIMALS = 2


@dataclass(frozen=True, eq=False)
class Edits:
    """added: marks the user drew, areas to keep out of the top among them. removed: outlines the user says
    are no marks."""

    added: tuple[Mark, ...] = ()
    removed: tuple[Mark, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.added or self.removed)


EditsOfFaces = Mapping[tuple[str, Side], Edits]
"""What the user says of faces, by board id and side."""


def add_mark(edits: Edits, kind: MarkKind, outline_mm: Points) -> Edits:
    """Edits with one more mark; outline_mm (n >= 3, 2) in face millimetres. kind 'keep out' bars an area."""
    outline = np.asarray(outline_mm, dtype=np.float64)
    return replace(edits, added=(*edits.added, Mark(kind, outline, confidence=1.0)))


def remove_mark(edits: Edits, mark: Mark) -> Edits:
    """Edits without this mark: one the user added goes away, one that was read is put aside."""
    if any(m is mark for m in edits.added):
        return replace(edits, added=tuple(m for m in edits.added if m is not mark))
    return replace(edits, removed=(*edits.removed, mark))


def apply_edits(features: Features, edits: Edits) -> Features:
    """Features with the user's marks in place of those read where they disagree."""
    instead = (*edits.removed, *edits.added)
    kept = tuple(m for m in features.marks if not is_replaced(m, instead))
    return replace(features, marks=(*kept, *edits.added))


def is_replaced(mark: Mark, by: tuple[Mark, ...]) -> bool:
    """Whether one of the outlines stands for this mark. To bar an area says nothing about what lies in it."""
    return any(other.kind != "keep out" and share_of_area(mark, other) >= _SAME_MARK for other in by)


def carry_edits(edits: Edits, carry: Callable[[Points], Points], size_mm: tuple[float, float]) -> Edits:
    """Edits on another picture of the wood, size_mm long and wide; carry takes outlines (n, 2) there.

    Outlines are cut where it ends; what mostly lies beyond it is left out.
    """

    def carried(marks: tuple[Mark, ...]) -> tuple[Mark, ...]:
        pairs = [(m, _cut_to(carry(m.outline_mm), size_mm)) for m in marks]
        return tuple(replace(m, outline_mm=outline) for m, outline in pairs if outline is not None)

    return Edits(carried(edits.added), carried(edits.removed))


def _cut_to(outline_mm: Points, size_mm: tuple[float, float]) -> Points | None:
    cut = np.clip(outline_mm, 0.0, size_mm)
    left = abs(polygon_area(cut))
    return cut if left > 0 and left >= _LEAST_LEFT * abs(polygon_area(outline_mm)) else None


def share_of_area(first: Mark, second: Mark) -> float:
    """Intersection over union of two marks' areas, on a raster of about 200 points a side."""
    boxes = np.array([first.box_mm, second.box_mm])
    if (boxes[:, :2].max(axis=0) >= boxes[:, 2:].min(axis=0)).any():
        return 0.0
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    scale = 200.0 / max(float((high - low).max()), 1e-6)
    width, height = (np.ceil((high - low) * scale) + 1).astype(int)
    masks = [polygon_mask((m.outline_mm - low) * scale, (int(height), int(width))) for m in (first, second)]
    joined = int((masks[0] | masks[1]).sum())
    return float((masks[0] & masks[1]).sum() / joined) if joined else 0.0


# --- as data ---------------------------------------------------------------------------------


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, strict=True)


_Mm = Annotated[float, Field(ge=-100_000, le=100_000)]
_Id = Annotated[str, Field(min_length=1, max_length=200)]


class _MarkData(_Strict):
    kind: MarkKind
    outline_mm: Annotated[list[tuple[_Mm, _Mm]], Field(min_length=3, max_length=20_000)]
    confidence: Annotated[float, Field(ge=0, le=1)] = 1.0
    sound: bool = True


_Marks = Annotated[list[_MarkData], Field(max_length=500)]


class _EditsData(_Strict):
    added: _Marks = []
    removed: _Marks = []


class _MarksFile(_Strict):
    schema_version: Annotated[int, Field(ge=1, le=MARKS_VERSION)]
    boards: Annotated[dict[_Id, dict[Side, _EditsData]], Field(max_length=10_000)]


def edits_to_data(edits: Edits) -> dict[str, Any]:
    """Plain data for a JSON file, to a hundredth of a millimetre."""
    return {"added": [_to_data(m) for m in edits.added], "removed": [_to_data(m) for m in edits.removed]}


def edits_from_data(data: object) -> Edits:
    """Inverse of `edits_to_data`. Raises BoardError for what makes no sense."""
    try:
        return _read(_EditsData.model_validate_json(json.dumps(data)))
    except (ValueError, TypeError, RecursionError) as error:
        raise _refusal(error) from error


def marks_to_json(edits: EditsOfFaces) -> str:
    """What is said of all faces, as one JSON document; faces of which nothing is said are left out."""
    boards: dict[str, dict[str, Any]] = {}
    for (board_id, side), of_face in edits.items():
        if of_face:
            boards.setdefault(board_id, {})[side] = edits_to_data(of_face)
    return json.dumps({"schema_version": MARKS_VERSION, "boards": boards}, indent=1, ensure_ascii=False)


def marks_from_json(text: str | bytes) -> dict[tuple[str, Side], Edits]:
    """Inverse of `marks_to_json`. Raises BoardError for what makes no sense or is of a newer version."""
    try:
        found = _MarksFile.model_validate_json(text)
    except (ValueError, RecursionError) as error:
        raise _refusal(error) from error
    return {(name, side): _read(data) for name, faces in found.boards.items() for side, data in faces.items()}


def _to_data(mark: Mark) -> dict[str, Any]:
    return {
        "kind": mark.kind,
        "outline_mm": (np.round(mark.outline_mm, _DECIMALS) + 0.0).tolist(),
        "confidence": float(mark.confidence),
        "sound": bool(mark.sound),
    }


def _read(data: _EditsData) -> Edits:
    added, removed = (
        tuple(Mark(m.kind, np.array(m.outline_mm, dtype=np.float64), m.confidence, m.sound) for m in marks)
        for marks in (data.added, data.removed)
    )
    return Edits(added, removed)


def _refusal(error: Exception) -> BoardError:
    where = ""
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_input=False)[0]
        if first["type"] == "less_than_equal" and first["loc"] == ("schema_version",):
            return BoardError(
                "These marks were made by a newer grainmatch.", "Update grainmatch to open them."
            )
        place = ".".join(str(part) for part in first["loc"])
        where = f" ({place[:80]}: {first['msg'][:160]})" if place else f" ({first['msg'][:160]})"
    return BoardError(f"The marks made by hand cannot be read{where}.", "Mark those faces again.")
