"""The marks of a face, shown on its picture to be corrected by the maker."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import get_args

import numpy as np
import streamlit as st
from PIL import Image

from grainmatch.face.card import MARK_LETTERS
from grainmatch.face.edits import Edits, add_mark, edits_from_data, edits_to_data, is_replaced, remove_mark
from grainmatch.model import Board, Face, Features, Mark, MarkKind, Side
from grainmatch.ui import desk
from grainmatch.ui.hand_marks import edits_of, keep_edits
from grainmatch.ui.outline_view import Shape, sent_shapes, show_outlines

KIND_WORDS: dict[str, str] = {
    "knot": "knot",
    "hole": "hole",
    "crack": "crack or check",
    "bark edge": "bark edge or wane",
    "pitch": "pitch or gum",
    "stain": "stain",
    "pencil": "pencil or glue line",
    "keep out": "keep out of the top",
}
"""What a mark can be, as the maker is asked."""
_KINDS: Mapping[str, MarkKind] = {kind: kind for kind in get_args(MarkKind)}
_NEW_MM = 12.0
"""How far a new mark reaches from where it was set, before it is drawn to size: that of a middling knot."""


@dataclass
class _Round:
    """What a browser was shown last. keys: its names for the marks that the maker added, in their order."""

    rev: int = 0
    stamp: str = ""
    keys: list[str] = field(default_factory=list)


def show_marks(job_id: str, board: Board, side: Side, read: Features, card: bytes) -> Edits:
    """The marks of a face over its card, which shows none itself. Keeps what was changed, and returns what
    is corrected now."""
    face = board.face(side)
    if face is None:
        return Edits()
    name = f"marks_{job_id}_{board.id}_{side}"
    now: _Round = st.session_state.setdefault(name, _Round())
    size = Image.open(io.BytesIO(card)).size
    said = desk.the_shop().read_job(job_id).details.get("boards", {})
    edits = edits_of(said.get(board.id, {})).get(side, Edits())
    if now.stamp != _stamp(read, edits):  # changed elsewhere, or shown here for the first time
        now.rev, now.stamp, now.keys = now.rev + 1, _stamp(read, edits), []
    shapes = shapes_of(face, read, edits, now.keys, size)
    drawn = sent_shapes(shapes, rev=now.rev, size_px=size, key=f"{name}_view", kinds=KIND_WORDS)
    if drawn is not None:
        wanted, keys = edits_from_shapes(face, read, edits, drawn, size)
        if edits_to_data(wanted) != edits_to_data(edits):
            edits = edits_from_data(edits_to_data(wanted))
            keep_edits(desk.the_shop(), job_id, board.id, side, edits)
            shapes = shapes_of(face, read, edits, keys, size)
            # What the browser does not know of, such as a mark that a drawn one hid, it has to be shown.
            same = {(s.key, s.kind, s.off) for s in shapes} == {(s.key, s.kind, s.off) for s in drawn}
            now.rev, now.stamp, now.keys = now.rev + (not same), _stamp(read, edits), keys
    show_outlines(
        card,
        size,
        shapes,
        rev=now.rev,
        noun="mark",
        words=f"Face {side} of {board.id}",
        key=f"{name}_view",
        kinds=KIND_WORDS,
        new_px=_NEW_MM * _scale(face, size),
    )
    return edits


def _stamp(read: Features, edits: Edits) -> str:
    return json.dumps([[[m.kind, *m.box_mm] for m in read.marks], edits_to_data(edits)])


def shapes_of(
    face: Face, read: Features, edits: Edits, keys: Sequence[str], size_px: tuple[int, int]
) -> list[Shape]:
    """The marks of a face on its picture, from left to right.

    keys: the browser's names for the added ones, as far as it knows them. A mark that was read is hidden by
    one that was drawn in its place, and shown as put off when it was taken away.
    """
    shapes: list[tuple[int, str, Mark, bool]] = []
    from_left = sorted(range(len(read.marks)), key=lambda k: read.marks[k].box_mm)
    for number, k in enumerate(from_left, 1):
        mark = read.marks[k]
        off = is_replaced(mark, edits.removed)
        if off or not is_replaced(mark, edits.added):
            shapes.append((number, f"read-{k}", mark, off))
    names = [*keys, *(f"new-{n}" for n in range(1, len(edits.added) + 1) if f"new-{n}" not in keys)]
    for number, (name, mark) in enumerate(zip(names, edits.added, strict=False), len(read.marks) + 1):
        shapes.append((number, name, mark, False))
    shapes.sort(key=lambda shape: shape[2].box_mm)
    return [_as_shape(face, f"{MARK_LETTERS[m.kind]}{n}", key, m, off, size_px) for n, key, m, off in shapes]


def _as_shape(face: Face, tag: str, key: str, mark: Mark, off: bool, size_px: tuple[int, int]) -> Shape:
    corners = np.clip(mark.outline_mm * _scale(face, size_px), 0, size_px)
    left, top, right, bottom = mark.box_mm
    from_left = left - min(face.upper_edge_mm[0, 0], face.lower_edge_mm[0, 0])
    return Shape(
        key,
        tuple((float(x), float(y)) for x, y in corners),
        tag=tag,
        note=f"{desk.length(right - left)} x {desk.length(bottom - top)}, "
        f"{desk.length(max(0.0, from_left))} from the left end",
        kind=mark.kind,
        fixed=key.startswith("read-") or len(corners) != 4,
        off=off,
    )


def edits_from_shapes(
    face: Face, read: Features, before: Edits, drawn: Sequence[Shape], size_px: tuple[int, int]
) -> tuple[Edits, list[str]]:
    """What is corrected after the shapes were changed, and the browser's names for the added marks.

    A mark that was read and is given another kind becomes an added one with its outline.
    """
    # What was taken away at an earlier reading stays so, also where this one found nothing.
    quiet = tuple(m for m in before.removed if not any(is_replaced(r, (m,)) for r in read.marks))
    edits, keys = Edits(removed=quiet), []
    found = {shape.key: shape for shape in drawn}
    for k, mark in enumerate(read.marks):
        shape = found.get(f"read-{k}")
        if shape.off if shape else is_replaced(mark, before.removed):
            edits = remove_mark(edits, mark)
        elif shape and shape.kind != mark.kind:
            edits = add_mark(edits, _KINDS[shape.kind], mark.outline_mm)
            keys.append(shape.key)
    for shape in drawn:
        if shape.key.startswith("new-"):
            edits = add_mark(edits, _KINDS[shape.kind], np.divide(shape.corners, _scale(face, size_px)))
            keys.append(shape.key)
    return edits, [key if key.startswith("new-") else _free_key(keys, n) for n, key in enumerate(keys)]


def _free_key(keys: Sequence[str], n: int) -> str:
    """A name that no shape in the browser has."""
    return f"new-{1 + n + max((int(k[4:]) for k in keys if k.startswith('new-')), default=0)}"


def _scale(face: Face, size_px: tuple[int, int]) -> float:
    """Picture pixels in a millimetre of the face."""
    return float(size_px[0] / face.rgb.shape[1] * face.px_per_mm)
