"""Shapes over a picture, to drag, add, name, split, join and remove in the browser."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import streamlit as st

_FOLDER = Path(__file__).parent
_outline_view = st.components.v2.component(
    "outline_view",
    html=(_FOLDER / "outline_view.html").read_text("utf-8"),
    css=(_FOLDER / "outline_view.css").read_text("utf-8"),
    js=(_FOLDER / "outline_view.js").read_text("utf-8"),
)
Corner = tuple[float, float]
_MOST_SHAPES = 500
_MOST_CORNERS = 20_000


@dataclass(frozen=True)
class Shape:
    """Corners clockwise from the upper left, in picture pixels: four, or as many as it takes when fixed.

    A new one has a key like `new-1`. tag is a short name for the picture, note what a list says of it.
    fixed: it can be put off or given another kind, but not be moved.
    """

    key: str
    corners: tuple[Corner, ...]
    name: str = ""
    tag: str = ""
    note: str = ""
    kind: str = ""
    fixed: bool = False
    off: bool = False


def show_outlines(
    jpeg: bytes,
    size_px: tuple[int, int],
    shapes: Sequence[Shape],
    *,
    rev: int,
    noun: str,
    words: str,
    key: str,
    can_split: bool = False,
    kinds: Mapping[str, str] = MappingProxyType({}),
    new_px: float = 0.0,
) -> tuple[Shape, ...] | None:
    """Show shapes over a picture to be changed. Returns them as last drawn, None when nothing was changed.

    rev: to be raised when `shapes` should replace what is in the browser. kinds: what a shape can be, in
    words; with them the shapes are listed too, and a new one reaches new_px from its middle at most.
    """
    data = {
        "rev": rev,
        "url": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode(),
        "size": list(size_px),
        "shapes": [asdict(shape) for shape in shapes],
        "noun": noun,
        "words": words,
        "can": {"split": can_split, "merge": can_split},
        "kinds": list(kinds.items()),
        "new_px": new_px,
    }
    answer = _outline_view(key=key, data=data, on_drawn_change=lambda: None).drawn
    return read_shapes(answer, shapes, rev=rev, size_px=size_px, kinds=kinds)


def sent_shapes(
    shapes: Sequence[Shape], *, rev: int, size_px: tuple[int, int], key: str, kinds: Mapping[str, str]
) -> tuple[Shape, ...] | None:
    """What the browser sent last, for those who must know it before they show the view again."""
    sent = st.session_state.get(key)
    answer = sent.get("drawn") if isinstance(sent, Mapping) else None
    return read_shapes(answer, shapes, rev=rev, size_px=size_px, kinds=kinds)


def read_shapes(
    answer: Any,
    shapes: Sequence[Shape],
    *,
    rev: int,
    size_px: tuple[int, int],
    kinds: Mapping[str, str] = MappingProxyType({}),
) -> tuple[Shape, ...] | None:
    """The shapes in an answer from the browser, checked; None when there is none for this revision."""
    if not isinstance(answer, Mapping) or answer.get("rev") != rev:
        return None
    known = {s.key: s for s in shapes}
    try:
        drawn = tuple(_read_shape(item, known, size_px, kinds) for item in answer["shapes"][:_MOST_SHAPES])
    except (TypeError, ValueError, KeyError):
        return None
    return drawn if len({s.key for s in drawn}) == len(drawn) else None


def _read_shape(
    item: Mapping[str, Any], known: Mapping[str, Shape], size_px: tuple[int, int], kinds: Mapping[str, str]
) -> Shape:
    key = str(item["key"])
    if key not in known and not (key.startswith("new-") and key[4:].isdecimal()):
        raise ValueError("an unknown shape")
    before = known.get(key, Shape(key, ()))
    kind = str(item["kind"]) if kinds else ""
    if kinds and kind not in kinds:
        raise ValueError("an unknown kind")
    look = replace(before, kind=kind, off=before.fixed and item.get("off") is True)
    if before.fixed:
        return look
    corners = tuple((float(x), float(y)) for x, y in item["corners"][:_MOST_CORNERS])
    inside = all(
        math.isfinite(x) and math.isfinite(y) and 0 <= x <= size_px[0] and 0 <= y <= size_px[1]
        for x, y in corners
    )
    # Only where there are kinds can a shape that was fixed come back, by undoing, after it went.
    if not inside or len(corners) < 4 or (len(corners) > 4 and not kinds):
        raise ValueError("corners out of the picture")
    return replace(look, corners=corners)
