"""Corrections by hand, as data: what the user changed about what was found in one photo.

Every correction is anchored by a place in the photo, not by a number in a list, so a list of them can
be applied again after the photo is measured anew.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Annotated, Any

import cv2
import numpy as np
from pydantic import Field, TypeAdapter

from grainmatch.board.frame import Frame
from grainmatch.board.outline import BoardOutline, polygon_px
from grainmatch.errors import BoardError
from grainmatch.geometry import Points, pixels_to_plane
from grainmatch.model import Bench, Side

_Px = Annotated[float, Field(ge=-1e6, le=1e6)]
Place = tuple[_Px, _Px]
HAND_SIGMA_PX = 1.5
"""How far a corner set by hand lies off, 1-sigma, in photo pixels (own assumption)."""
CORNER_REACH_FRAC = 0.04
"""A corner is looked for within this share of the photo's long side."""


@dataclass(frozen=True)
class MoveCorner:
    """The corner nearest to near_px belongs at to_px."""

    near_px: Place
    to_px: Place


@dataclass(frozen=True)
class AddBoard:
    """A board that was not found: corners clockwise from its upper left."""

    corners_px: tuple[Place, Place, Place, Place]


@dataclass(frozen=True)
class RemoveBoard:
    """What lies at at_px is no board."""

    at_px: Place


@dataclass(frozen=True)
class SplitBoard:
    """The board at at_px is two, parted by the line through from_px and to_px."""

    at_px: Place
    from_px: Place
    to_px: Place


@dataclass(frozen=True)
class MergeBoards:
    """The boards at these places are one."""

    at_px: tuple[Place, ...]


@dataclass(frozen=True)
class RenameBoard:
    """The board at at_px has this id."""

    at_px: Place
    id: str


@dataclass(frozen=True)
class SwapEnds:
    """The board at at_px lies turned: its left end is the one on the right."""

    at_px: Place


@dataclass(frozen=True)
class SetShowFace:
    """The face seen at at_px is this one."""

    at_px: Place
    side: Side


Correction = (
    MoveCorner | AddBoard | RemoveBoard | SplitBoard | MergeBoards | RenameBoard | SwapEnds | SetShowFace
)
_KINDS = {
    kind.__name__: kind
    for kind in (
        MoveCorner,
        AddBoard,
        RemoveBoard,
        SplitBoard,
        MergeBoards,
        RenameBoard,
        SwapEnds,
        SetShowFace,
    )
}


@dataclass(frozen=True, eq=False)
class CorrectedBoard:
    """An outline after corrections; id and side are None where nobody said."""

    outline: BoardOutline
    id: str | None = None
    side: Side | None = None


@dataclass(frozen=True, eq=False)
class Corrected:
    """All boards of a photo after corrections, and the corrections that found nothing to act on."""

    boards: tuple[CorrectedBoard, ...]
    unused: tuple[Correction, ...] = ()


def correction_to_data(correction: Correction) -> dict[str, object]:
    """Plain data for a JSON file."""
    return {"kind": type(correction).__name__, **asdict(correction)}


def correction_from_data(data: Mapping[str, Any]) -> Correction:
    """Inverse of `correction_to_data`. Raises BoardError for an unknown or broken one."""
    fields = {k: v for k, v in data.items() if k != "kind"}
    try:
        kind = _KINDS[str(data["kind"])]
        adapter: TypeAdapter[Correction] = TypeAdapter(kind)
        made = adapter.validate_json(json.dumps(fields))
    except (KeyError, TypeError, ValueError) as error:
        raise BoardError("A saved correction cannot be read.", "Make that correction again.") from error
    return made


def apply_corrections(
    bench: Bench, outlines: Sequence[BoardOutline], corrections: Sequence[Correction]
) -> Corrected:
    """Outlines as found -> boards as corrected, one correction after another.

    Raises BoardError for a correction that makes no board, such as a line that misses what it should split.
    """
    boards = [CorrectedBoard(o) for o in outlines]
    unused = []
    for correction in corrections:
        changed = _apply(bench, boards, correction)
        if changed is None:
            unused.append(correction)
        else:
            boards = changed
    return Corrected(tuple(boards), tuple(unused))


def _apply(bench: Bench, boards: list[CorrectedBoard], correction: Correction) -> list[CorrectedBoard] | None:
    """The boards after one correction, None when its place holds no board."""
    if isinstance(correction, AddBoard):
        return [*boards, CorrectedBoard(_from_corners(bench, np.asarray(correction.corners_px)))]
    if isinstance(correction, MoveCorner):
        return _move_corner(bench, boards, correction)
    if isinstance(correction, MergeBoards):
        return _merge(bench, boards, correction)
    k = _board_at(boards, correction.at_px)
    if k is None:
        return None
    board = boards[k]
    if isinstance(correction, RemoveBoard):
        new = []
    elif isinstance(correction, SplitBoard):
        new = [replace(board, outline=o) for o in _split(bench, board.outline, correction)]
    elif isinstance(correction, RenameBoard):
        new = [replace(board, id=correction.id)]
    elif isinstance(correction, SwapEnds):
        new = [replace(board, outline=_turn(bench, board.outline))]
    else:
        new = [replace(board, side=correction.side)]
    return [*boards[:k], *new, *boards[k + 1 :]]


def _board_at(boards: Sequence[CorrectedBoard], place: Place) -> int | None:
    """The board around a place: the one it lies deepest in."""
    depths = [
        cv2.pointPolygonTest(b.outline.outline_px.astype(np.float32).reshape(-1, 1, 2), place, True)
        for b in boards
    ]
    best = int(np.argmax(depths)) if depths else -1
    return best if depths and depths[best] > 0 else None


def _corners(outline: BoardOutline) -> Points:
    """Upper left, upper right, lower right, lower left on the face plane."""
    return np.array([outline.upper_mm[0], outline.upper_mm[-1], outline.lower_mm[-1], outline.lower_mm[0]])


def _remade(bench: Bench, outline: BoardOutline, upper: Points, lower: Points, note: str) -> BoardOutline:
    ring = np.vstack([upper, lower[::-1]])
    if cv2.contourArea(ring.astype(np.float32)) < 100.0:
        raise BoardError("A corrected board has no area.", "Take that correction back.")
    notes = outline.notes if note in outline.notes else (*outline.notes, note)
    return replace(
        outline, upper_mm=upper, lower_mm=lower, outline_px=polygon_px(bench, upper, lower), notes=notes
    )


def _from_corners(bench: Bench, corners_px: Points) -> BoardOutline:
    a, b, c, d = pixels_to_plane(bench.camera, corners_px, bench.face_height_mm)
    sigma = HAND_SIGMA_PX / bench.px_per_mm
    blank = BoardOutline(np.array([a, b]), np.array([d, c]), corners_px, (sigma,) * 4, 1.0)
    return _remade(bench, blank, blank.upper_mm, blank.lower_mm, "drawn by hand")


def _move_corner(bench: Bench, boards: list[CorrectedBoard], move: MoveCorner) -> list[CorrectedBoard] | None:
    near, to = pixels_to_plane(bench.camera, [move.near_px, move.to_px], bench.face_height_mm)
    reach_mm = CORNER_REACH_FRAC * max(bench.photo.rgb.shape[:2]) / bench.px_per_mm
    away = np.array([np.hypot(*(_corners(b.outline) - near).T) for b in boards]).reshape(-1, 4)
    if not away.size or away.min() > reach_mm:
        return None
    k, corner = (int(v) for v in np.unravel_index(int(away.argmin()), away.shape))
    outline = boards[k].outline
    shift = to - _corners(outline)[corner]
    edges = [outline.upper_mm.copy(), outline.lower_mm.copy()]
    edge = edges[0 if corner in (0, 1) else 1]
    share = np.linspace(1, 0, len(edge)) if corner in (0, 3) else np.linspace(0, 1, len(edge))
    edge += share[:, None] * shift  # the edge keeps its gentle curve
    moved = _remade(bench, outline, edges[0], edges[1], "corner set by hand")
    return [*boards[:k], replace(boards[k], outline=moved), *boards[k + 1 :]]


def _turn(bench: Bench, outline: BoardOutline) -> BoardOutline:
    upper, lower = outline.lower_mm[::-1], outline.upper_mm[::-1]
    s = outline.sigma_mm
    turned = replace(outline, sigma_mm=(s[1], s[0], s[3], s[2]))
    return _remade(bench, turned, upper, lower, "ends swapped by hand")


def _frame_of(outline: BoardOutline) -> Frame:
    a, b, c, d = _corners(outline)
    along = (b - a) + (c - d)
    return Frame((a + d) / 2, float(np.arctan2(along[1], along[0])))


def _split(bench: Bench, outline: BoardOutline, cut: SplitBoard) -> tuple[BoardOutline, BoardOutline]:
    frame = _frame_of(outline)
    line = frame.enter(pixels_to_plane(bench.camera, [cut.from_px, cut.to_px], bench.face_height_mm))
    du, dv = line[1] - line[0]
    upper, lower = frame.enter(outline.upper_mm), frame.enter(outline.lower_mm)
    note = "split by hand"
    if abs(du) >= abs(dv):
        u = np.linspace(max(upper[0, 0], lower[0, 0]), min(upper[-1, 0], lower[-1, 0]), 9)
        seam = np.column_stack([u, line[0, 1] + (u - line[0, 0]) * dv / du])
        inside = (seam[:, 1] > np.interp(u, *upper.T)) & (seam[:, 1] < np.interp(u, *lower.T))
        if not inside.all():
            raise BoardError("The line does not part the board from end to end.", "Draw it again.")
        middle = frame.leave(seam)
        return (
            _remade(bench, outline, outline.upper_mm, middle, note),
            _remade(bench, outline, middle, outline.lower_mm, note),
        )
    parts = [_cut_across(edge, line) for edge in (upper, lower)]
    left, right = ([frame.leave(p[side]) for p in parts] for side in (0, 1))
    return _remade(bench, outline, left[0], left[1], note), _remade(bench, outline, right[0], right[1], note)


def _cut_across(edge: Points, line: Points) -> tuple[Points, Points]:
    """A long edge (n, 2) in u, v cut where the line crosses it."""
    slope = (line[1, 0] - line[0, 0]) / (line[1, 1] - line[0, 1])
    side = edge[:, 0] - (line[0, 0] + (edge[:, 1] - line[0, 1]) * slope)
    k = int(np.searchsorted(side > 0, True))
    if k in (0, len(edge)):
        raise BoardError("The line does not cross the board.", "Draw it again.")
    share = -side[k - 1] / (side[k] - side[k - 1])
    at = edge[k - 1] + share * (edge[k] - edge[k - 1])
    return np.vstack([edge[:k], at]), np.vstack([at, edge[k:]])


def _merge(bench: Bench, boards: list[CorrectedBoard], merge: MergeBoards) -> list[CorrectedBoard] | None:
    found = [_board_at(boards, p) for p in merge.at_px]
    chosen = sorted({k for k in found if k is not None})
    if len(chosen) < 2:
        return None
    first = boards[chosen[0]]
    frame = _frame_of(first.outline)
    uv = [frame.enter(_corners(boards[k].outline)) for k in chosen]
    spread = np.ptp([p.mean(axis=0) for p in uv], axis=0)
    end_to_end = spread[0] > spread[1]
    order = [chosen[i] for i in np.argsort([p[:, 0 if end_to_end else 1].mean() for p in uv])]
    parts = [boards[k].outline for k in order]
    if end_to_end:
        upper, lower = np.vstack([p.upper_mm for p in parts]), np.vstack([p.lower_mm for p in parts])
    else:
        upper, lower = parts[0].upper_mm, parts[-1].lower_mm
    merged = replace(first, outline=_remade(bench, first.outline, upper, lower, "merged by hand"))
    return [merged if k == chosen[0] else b for k, b in enumerate(boards) if k not in chosen[1:]]
