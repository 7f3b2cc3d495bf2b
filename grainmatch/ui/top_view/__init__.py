"""The large view of the top, in the browser: drag, flip, turn, slide, rip, lock, bring in, take out."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import streamlit as st

from grainmatch.ui.arrangement import Arrangement
from grainmatch.units import MM_PER_INCH, LengthUnits

_FOLDER = Path(__file__).parent


def _text(name: str) -> str:
    return (_FOLDER / name).read_text("utf-8")


_face_pictures = st.components.v2.component("face_pictures", js=_text("face_pictures.js"))
_top_view = st.components.v2.component(
    "top_view", html=_text("top_view.html"), css=_text("top_view.css"), js=_text("top_view.js")
)


@dataclass(frozen=True)
class SeamLook:
    """How a seam is shown: its grade, and in words what is wrong with it."""

    grade: Literal["good", "fair", "poor"]
    words: str


@dataclass(frozen=True)
class BoardLook:
    """What the view must know of a board; pictures are JPEG, None for a face never photographed."""

    label: str
    length_mm: float
    width_mm: float
    pictures: Mapping[str, bytes | None]


def show_pictures(boards: Mapping[str, BoardLook]) -> None:
    """Send the face pictures to the page, once: as long as they stay the same nothing moves."""
    found = [jpeg for look in boards.values() for jpeg in look.pictures.values() if jpeg]
    urls = {_name(jpeg): "data:image/jpeg;base64," + base64.b64encode(jpeg).decode() for jpeg in found}
    _face_pictures(key="face_pictures", data={"pictures": urls})


def show_top(
    boards: Mapping[str, BoardLook],
    arrangement: Arrangement,
    *,
    rev: int,
    seq: int,
    seams: Sequence[SeamLook],
    top_mm: tuple[float, float] | None,
    units: LengthUnits,
    key: str,
) -> None:
    """Show the view. What it sends lies in the session under `key`, for Workbench.take to check."""
    data = {
        "rev": rev,
        "seq": seq,
        "boards": {
            board_id: {
                "label": look.label,
                "length_mm": look.length_mm,
                "width_mm": look.width_mm,
                "pictures": {side: _name(jpeg) if jpeg else None for side, jpeg in look.pictures.items()},
            }
            for board_id, look in boards.items()
        },
        "layout": arrangement.to_items(),
        "seams": [{"grade": s.grade, "words": s.words} for s in seams],
        "top_mm": list(top_mm) if top_mm else None,
        "units": units,
        "step_mm": MM_PER_INCH / 16 if units == "in" else 1.0,
    }
    _top_view(key=key, data=data, on_edit_change=lambda: None)


def _name(jpeg: bytes) -> str:
    return hashlib.sha256(jpeg).hexdigest()[:16]
