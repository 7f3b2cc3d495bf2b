"""The top as it would look glued up, large enough to judge."""

from __future__ import annotations

from typing import Literal

import numpy as np
import streamlit as st

from grainmatch.report.record import layout_from_json
from grainmatch.report.top import draw_top
from grainmatch.store import SavedLayout
from grainmatch.ui import desk
from grainmatch.ui.stock import Stock, read_stock, to_jpeg
from grainmatch.ui.ways import show_way
from grainmatch.ui.working import working_body
from grainmatch.ui.zoom_view import show_zoomable

_LOOKS: dict[str, Literal["dry", "wetted"]] = {"as it is": "dry", "wetted (rough idea)": "wetted"}


def show() -> None:
    """The page."""
    job = desk.show_header("Preview")
    with desk.in_words():
        layouts = _layouts(job.id)
        if not layouts:
            st.info("Nothing to look at yet. Proposals come first.")
            show_way("proposals", "See the proposals")
            return
        stock = read_stock(desk.the_shop(), job)
        name = st.selectbox("Layout", list(layouts), key=f"preview_{job.id}")
        left, middle, right = st.columns(3)
        seams = left.toggle("Draw seams and numbers", value=False)
        trimmed = middle.toggle("Trim to the asked size", value=True)
        look = right.segmented_control("Wood", list(_LOOKS), default="as it is") or "as it is"
        upright = left.toggle("Stand it upright", value=False, help="Larger on a phone.")
        picture = _picture(layouts[name], stock.key, seams, trimmed, _LOOKS[look], upright, _stock=stock)
        show_zoomable(picture, words=f"{name}, {look}", key="preview")
        if _LOOKS[look] == "wetted":
            st.caption(
                "A rough idea of the wood under a clear finish, not a measurement. "
                "Try your finish on an offcut."
            )
        if desk.the_shop().list_layouts(job.id, "saved"):
            show_way("papers", "Open the papers of what is saved")
        else:
            show_way("proposals", "Save a proposal, or work on it")


def _layouts(job_id: str) -> dict[str, str]:
    """Every layout there is to look at, by name: the one in work, saved ones, proposals."""
    shop = desk.the_shop()
    found: dict[str, str] = {}
    working = working_body(shop, job_id)
    if working:
        found["The one in work"] = working
    listed: list[SavedLayout] = shop.list_layouts(job_id, "saved")[::-1] + shop.list_layouts(
        job_id, "proposal"
    )
    found.update({x.name + (" (chosen)" if x.chosen else ""): x.body for x in listed})
    return found


@st.cache_data(show_spinner="Drawing the top", max_entries=12)
def _picture(
    body: str,
    key: object,
    seams: bool,
    trimmed: bool,
    look: Literal["dry", "wetted"],
    upright: bool,
    *,
    _stock: Stock,
) -> bytes:
    layout = layout_from_json(body)
    longest = max(_stock.by_id[p.board_id].length_mm for p in layout.placements)
    rgb = draw_top(
        layout,
        _stock.boards,
        px_per_mm=min(2.0, 2800 / longest),
        numbers=seams,
        seams=seams,
        trimmed=trimmed,
        look=look,
    )
    return to_jpeg(np.ascontiguousarray(np.rot90(rgb)) if upright else rgb, quality=88)
