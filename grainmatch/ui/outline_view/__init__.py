"""Four-cornered shapes over a picture, to drag, add, split, join and remove in the browser."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
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
_MOST_SHAPES = 200


@dataclass(frozen=True)
class Shape:
    """Four corners, clockwise from the upper left, in picture pixels. A new one has a key like `new-1`."""

    key: str
    corners: tuple[Corner, Corner, Corner, Corner]
    name: str = ""


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
) -> tuple[Shape, ...] | None:
    """Show shapes over a picture to be changed. Returns them as last drawn, None when nothing was changed.

    rev: to be raised when `shapes` should replace what is in the browser.
    """
    data = {
        "rev": rev,
        "url": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode(),
        "size": list(size_px),
        "shapes": [{"key": s.key, "name": s.name, "corners": [list(c) for c in s.corners]} for s in shapes],
        "noun": noun,
        "words": words,
        "can": {"split": can_split, "merge": can_split},
    }
    answer = _outline_view(key=key, data=data, on_drawn_change=lambda: None).drawn
    return read_shapes(answer, shapes, rev=rev, size_px=size_px)


def read_shapes(
    answer: Any, shapes: Sequence[Shape], *, rev: int, size_px: tuple[int, int]
) -> tuple[Shape, ...] | None:
    """The shapes in an answer from the browser, checked; None when there is none for this revision."""
    if not isinstance(answer, Mapping) or answer.get("rev") != rev:
        return None
    known = {s.key: s for s in shapes}
    try:
        drawn = tuple(_read_shape(item, known, size_px) for item in answer["shapes"][:_MOST_SHAPES])
    except (TypeError, ValueError, KeyError):
        return None
    return drawn if len({s.key for s in drawn}) == len(drawn) else None


def _read_shape(item: Mapping[str, Any], known: Mapping[str, Shape], size_px: tuple[int, int]) -> Shape:
    key = str(item["key"])
    if key not in known and not (key.startswith("new-") and key[4:].isdecimal()):
        raise ValueError("an unknown shape")
    corners = [(float(x), float(y)) for x, y in item["corners"]]
    inside = all(
        math.isfinite(x) and math.isfinite(y) and 0 <= x <= size_px[0] and 0 <= y <= size_px[1]
        for x, y in corners
    )
    if len(corners) != 4 or not inside:
        raise ValueError("corners out of the picture")
    a, b, c, d = corners
    return Shape(key, (a, b, c, d), known[key].name if key in known else "")
