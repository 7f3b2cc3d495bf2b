"""Saved layouts, compared and chosen, and their papers and files to take along."""

from __future__ import annotations

import io
import tempfile
import time
import zipfile
from pathlib import Path

import streamlit as st

from grainmatch.pipeline.files import layout_to_files
from grainmatch.report.record import layout_from_json
from grainmatch.report.score_words import describe_score
from grainmatch.store import Job, SavedLayout
from grainmatch.ui import desk
from grainmatch.ui.offcuts import put_back, use_up
from grainmatch.ui.proposals_page import top_picture
from grainmatch.ui.stock import Stock, read_stock
from grainmatch.ui.ways import show_way


def show() -> None:
    """The page."""
    job = desk.show_header("Papers", about="saved layouts, and what to print from them")
    with desk.in_words():
        saved = desk.the_shop().list_layouts(job.id, "saved")[::-1]
        if not saved:
            st.info("No layout saved yet. Pick a proposal and save it, or work on one first.")
            show_way("proposals", "See the proposals")
            return
        stock = read_stock(desk.the_shop(), job)
        for start in range(0, len(saved), 2):
            for column, layout in zip(st.columns(2), saved[start : start + 2], strict=False):
                with column.container(border=True):
                    _show_saved(job, stock, layout)
        st.caption(f"Kept in {desk.the_shop().home}")


def _show_saved(job: Job, stock: Stock, saved: SavedLayout) -> None:
    shop = desk.the_shop()
    layout = layout_from_json(saved.body)
    when = time.strftime("%Y-%m-%d %H:%M", time.localtime(saved.created_s))
    st.markdown(f"**{desk.plain(saved.name)}**" + (" · chosen" if saved.chosen else ""))
    st.caption(f"saved {when}")
    st.image(top_picture(saved.body, stock.key, _stock=stock))
    st.markdown("\n".join(f"- {line}" for line in describe_score(layout.score)[:4]))
    stem = f"layout_{saved.id}"
    with st.container(horizontal=True):
        st.download_button(
            "Layout file",
            data=saved.body,
            file_name=f"{stem}.json",
            mime="application/json",
            key=f"json_{saved.id}",
            on_click="ignore",
        )
        st.download_button(
            "All papers",
            data=lambda: _papers_zip(job, stock, saved),
            file_name=f"{stem}_papers.zip",
            mime="application/zip",
            key=f"papers_{saved.id}",
            on_click="ignore",
        )
        if not saved.chosen and st.button("Choose", key=f"choose_{saved.id}"):
            shop.choose_layout(job.id, saved.id)
            st.rerun()
        if st.button("Work on it", key=f"work_{saved.id}"):
            st.session_state["start_from"] = saved.id
            st.switch_page(st.session_state["pages"]["top"])
        with st.popover("More"):
            _show_more(job, stock, saved)


def _show_more(job: Job, stock: Stock, saved: SavedLayout) -> None:
    shop = desk.the_shop()
    layout = layout_from_json(saved.body)
    ids = [p.board_id for p in layout.placements]
    used = {b.board_id for b in shop.list_boards(job.id) if b.used_by == job.id}
    if used == set(ids):
        if st.button("Not glued after all: boards back to the rack", key=f"unuse_{saved.id}"):
            put_back(shop, job)
            st.rerun()
    elif st.button("It is glued: take its boards off the rack", key=f"use_{saved.id}"):
        kept_n = use_up(shop, job, stock, layout)
        st.toast(f"Its boards are off the rack; {kept_n} offcuts went back onto it.")
        st.rerun()
    if st.button("Remove this layout", key=f"remove_{saved.id}"):
        shop.remove_layout(job.id, saved.id)
        st.rerun()


def _papers_zip(job: Job, stock: Stock, saved: SavedLayout) -> bytes:
    """All papers of a layout in one zip file."""
    buffer = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder, zipfile.ZipFile(buffer, "w") as archive:
        for path in layout_to_files(layout_from_json(saved.body), list(stock.boards), Path(folder)):
            archive.write(path, Path(path).name, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
