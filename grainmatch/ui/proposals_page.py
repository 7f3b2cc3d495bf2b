"""The asked size and the wishes, and three proposals side by side."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from grainmatch.model import Layout, Wishes
from grainmatch.report.record import layout_from_json
from grainmatch.report.score_words import describe_proof
from grainmatch.report.top import draw_top
from grainmatch.store import Job, SavedLayout
from grainmatch.ui import desk
from grainmatch.ui.choosing import save_layout
from grainmatch.ui.comparing import compare_words
from grainmatch.ui.measuring import (
    continue_measuring,
    prepare_top,
    show_progress,
    start_proposing,
    workroom,
)
from grainmatch.ui.proposing import PRESETS, SLIDER_WORDS, asked_size, keep_wishes, read_wishes
from grainmatch.ui.stock import Stock, read_stock, to_jpeg
from grainmatch.ui.ways import go, show_way
from grainmatch.units import format_length, parse_size_mm

_LONG_SIDE_PX = 1100
_PRESET = "wishes_preset"


def show() -> None:
    """The page."""
    job = desk.show_header("Proposals")
    with desk.in_words():
        shop = desk.the_shop()
        if not shop.list_boards(job.id):
            _show_waiting(job.id)
            return
        _show_asked(job)
        work = workroom().work_on(job.id)
        if work is None and not shop.list_layouts(job.id, "proposal"):
            start_proposing(job.id)
            work = workroom().work_on(job.id)
        if work is not None and work.busy:
            _show_search(job.id)
        else:
            show_progress(job.id)
        _show_proposals(job)


@st.fragment(run_every=1.0)
def _show_waiting(job_id: str) -> None:
    """No boards yet: measure the photos that wait, or say what to do."""
    shop = desk.the_shop()
    photos = shop.list_photos(job_id)
    if shop.list_boards(job_id):
        st.rerun(scope="app")
    continue_measuring(job_id)
    if any(p.state in ("waiting", "measuring") for p in photos):
        st.write(
            "The boards in the photos are being measured. This takes a few seconds, and only the first time."
        )
        show_progress(job_id)
        return
    show_progress(job_id)
    st.info("No boards yet. Bring in photos of them first.")
    show_way("photos", "Bring in photos")


# Only what is shown while work goes on is looked up again by itself: a page that refreshes itself could
# lose the press of a button that leads to another page.
@st.fragment(run_every=0.7)
def _show_search(job_id: str) -> None:
    work = show_progress(job_id)
    if work is None or not work.busy:
        st.rerun(scope="app")


def _show_asked(job: Job) -> None:
    size = asked_size(job)
    with st.expander("Size and wishes"):
        shown = " x ".join(format_length(mm, desk.units(), decimals=0) for mm in size) if size else ""
        typed = st.text_input("Size of the top, length x width", shown, help="Empty: all boards are used.")
        st.pills("Wishes to start from", list(PRESETS), key=_PRESET, on_change=_use_preset, args=(job.id,))
        wishes = _show_sliders(job, read_wishes(job))
        if st.button("Propose again", type="primary"):
            desk.the_shop().update_job(job.id, details={"top_mm": _size(typed)})
            keep_wishes(desk.the_shop(), job, wishes)
            start_proposing(job.id)
            st.rerun()


def _use_preset(job_id: str) -> None:
    preset = PRESETS.get(st.session_state.get(_PRESET, ""))
    if preset is not None:
        for name in SLIDER_WORDS:
            st.session_state[f"{name}_{job_id}"] = float(getattr(preset, name))


def _size(typed: str) -> list[float] | None:
    return list(parse_size_mm(typed)) if typed.strip() else None


def _show_sliders(job: Job, now: Wishes) -> Wishes:
    columns = st.columns(3)
    values: dict[str, Any] = {}
    for k, (name, words) in enumerate(SLIDER_WORDS.items()):
        key = f"{name}_{job.id}"
        st.session_state.setdefault(key, float(getattr(now, name)))
        values[name] = columns[k % 3].slider(words, 0.0, 1.0, step=0.1, key=key)
    return replace(now, **values)


def _show_proposals(job: Job) -> None:
    """The proposals there are, side by side."""
    shop = desk.the_shop()
    proposals = shop.list_layouts(job.id, "proposal")
    if not proposals:
        return
    stock = read_stock(shop, job)
    layouts = [layout_from_json(p.body) for p in proposals]
    words = compare_words(layouts)
    for column, proposal, layout, lines in zip(
        st.columns(len(proposals)), proposals, layouts, words, strict=True
    ):
        with column.container(border=True):
            _show_proposal(job, stock, proposal, layout, lines)
    show_way("top", "Change one by hand")
    prepare_top(job, stock)


def _show_proposal(job: Job, stock: Stock, proposal: SavedLayout, layout: Layout, lines: list[str]) -> None:
    st.markdown(f"**{proposal.name}**")
    st.image(top_picture(proposal.body, stock.key, _stock=stock))
    st.markdown("\n".join(f"- {line}" for line in lines))
    st.caption(describe_proof(layout))
    with st.container(horizontal=True):
        if st.button("Save this one", key=f"save_{proposal.id}", type="primary"):
            save_layout(job, layout, name=proposal.name)
            go("papers")
        if st.button("Work on it", key=f"work_{proposal.id}"):
            st.session_state["start_from"] = proposal.id
            go("top")


@st.cache_data(show_spinner=False, max_entries=64)
def top_picture(body: str, key: object, *, _stock: Stock, numbers: bool = True, seams: bool = True) -> bytes:
    """A layout drawn from its boards' faces, as JPEG; `key` stands for the boards."""
    layout = layout_from_json(body)
    longest = max(
        sum(_stock.by_id[p.board_id].width_mm for p in layout.placements),
        *(_stock.by_id[p.board_id].length_mm for p in layout.placements),
    )
    rgb = draw_top(layout, _stock.boards, px_per_mm=_LONG_SIDE_PX / longest, numbers=numbers, seams=seams)
    return to_jpeg(rgb)
