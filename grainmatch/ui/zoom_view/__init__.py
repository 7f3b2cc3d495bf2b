"""A picture to look at closely: wheel, pinch, buttons or keys to zoom, drag to move about."""

from __future__ import annotations

import base64
from pathlib import Path

import streamlit as st

_FOLDER = Path(__file__).parent
_zoom_view = st.components.v2.component(
    "zoom_view",
    html=(_FOLDER / "zoom_view.html").read_text("utf-8"),
    css=(_FOLDER / "zoom_view.css").read_text("utf-8"),
    js=(_FOLDER / "zoom_view.js").read_text("utf-8"),
)


def show_zoomable(jpeg: bytes, *, words: str, key: str) -> None:
    """Show a JPEG picture that can be zoomed; `words` says what it shows to those who cannot see it."""
    url = "data:image/jpeg;base64," + base64.b64encode(jpeg).decode()
    _zoom_view(key=key, data={"url": url, "words": words})
