"""The asked size and the wishes, and three proposals side by side."""

from __future__ import annotations

import streamlit as st

from grainmatch.model import Layout
from grainmatch.report.record import layout_from_json
from grainmatch.report.score_words import describe_proof
from grainmatch.report.top import draw_top
from grainmatch.store import Job, SavedLayout
from grainmatch.ui import desk
from grainmatch.ui.choosing import save_layout
from grainmatch.ui.comparing import compare_words
from grainmatch.ui.lengths import size_words
from grainmatch.ui.measuring import (
    prepare_top,
    show_waiting_photos,
    show_work,
    start_proposing,
    tell_no_boards,
    workroom,
)
from grainmatch.ui.proposing import asked_size, is_outdated
from grainmatch.ui.stock import Stock, read_stock, to_jpeg
from grainmatch.ui.ways import go, show_way
from grainmatch.ui.wishing import show_wishes

_LONG_SIDE_PX = 1100
_LABEL_SHARE, _LABEL_N = 0.75, 7
"""The numbers on the boards are as large as they fit: on a phone the whole top is as wide as a hand."""


def show() -> None:
    """The page."""
    job = desk.show_header("Proposals")
    with desk.in_words():
        shop = desk.the_shop()
        if not shop.list_boards(job.id):
            if not show_waiting_photos(job.id):
                tell_no_boards(job.id, "No boards yet. Bring in photos of them first.")
            return
        show_wishes(job, read_stock(shop, job).boards)
        if workroom().work_on(job.id) is None and not shop.list_layouts(job.id, "proposal"):
            start_proposing(job.id)
        show_work(job.id)
        _show_proposals(job)


def _show_proposals(job: Job) -> None:
    """The proposals there are, side by side."""
    shop = desk.the_shop()
    proposals = shop.list_layouts(job.id, "proposal")
    if not proposals:
        return
    if is_outdated(shop, job):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.info("Boards or their marks changed since these were proposed.")
            if st.button("Propose again with them", type="primary"):
                start_proposing(job.id)
                st.rerun()
    stock = read_stock(shop, job)
    layouts = [layout_from_json(p.body) for p in proposals]
    made, asked = (size_words(size) for size in (layouts[0].top_mm, asked_size(job)))
    if made != asked:  # the search for the size asked for now goes on, or failed
        st.info(f"These are of the size asked for before: {made or 'all boards at full length'}.")
    words = compare_words(layouts)
    for column, proposal, layout, lines in zip(
        st.columns(len(proposals)), proposals, layouts, words, strict=True
    ):
        with column.container(border=True):
            _show_proposal(job, stock, proposal, layout, lines)
    show_way("top", "Change one by hand")
    prepare_top(job, stock)


def _show_proposal(job: Job, stock: Stock, proposal: SavedLayout, layout: Layout, lines: list[str]) -> None:
    st.markdown(f"**{desk.plain(proposal.name)}**")
    st.image(top_picture(proposal.body, stock.key, _stock=stock))
    st.markdown("\n".join(f"- {desk.plain(desk.in_my_units(line))}" for line in lines))
    st.caption(describe_proof(layout))
    with st.container(horizontal=True):
        if st.button("Save this one", key=f"save_{proposal.id}", type="primary"):
            save_layout(job, layout, name=proposal.name)
            go("papers")
        if st.button("Work on it", key=f"work_{proposal.id}"):
            st.session_state["start_from"] = proposal.id
            go("top")


@st.cache_data(show_spinner=False, max_entries=64)
def top_picture(body: str, key: object, *, _stock: Stock) -> bytes:
    """A layout drawn from its boards' faces, as JPEG; `key` stands for the boards."""
    layout = layout_from_json(body)
    longest = max(
        sum(_stock.by_id[p.board_id].width_mm for p in layout.placements),
        *(_stock.by_id[p.board_id].length_mm for p in layout.placements),
    )
    rgb = draw_top(
        layout,
        _stock.boards,
        px_per_mm=_LONG_SIDE_PX / longest,
        label_share=_LABEL_SHARE,
        label_n=_LABEL_N,
    )
    return to_jpeg(rgb)
