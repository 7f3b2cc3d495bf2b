"""Saved layouts, compared and chosen, and their papers and files to take along."""

from __future__ import annotations

import io
import tempfile
import time
import zipfile
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from grainmatch.pipeline.files import layout_to_files
from grainmatch.report.page import Paper
from grainmatch.report.record import layout_from_json
from grainmatch.report.score_words import describe_score
from grainmatch.store import Job, SavedLayout
from grainmatch.ui import desk
from grainmatch.ui.base import fit_base, read_base, read_room, show_base
from grainmatch.ui.offcuts import put_back, use_up
from grainmatch.ui.pricing import job_features
from grainmatch.ui.proposals_page import top_picture
from grainmatch.ui.stock import Stock, read_stock
from grainmatch.ui.tools import read_tools, show_tools
from grainmatch.ui.ways import go, show_way


@dataclass(frozen=True)
class PaperWish:
    """How papers are wanted."""

    paper: Paper
    strips: bool


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
        wanted = _show_options()
        with st.expander("The shop: clamps, machines, glue, hands"):
            show_tools()
        with st.expander("The base and the room it goes to"):
            show_base(job)
        for start in range(0, len(saved), 2):
            for column, layout in zip(st.columns(2), saved[start : start + 2], strict=False):
                with column.container(border=True):
                    _show_saved(job, stock, layout, wanted)
        show_way("dry-fit", "Lay the boards out, then check them by a photo")
        st.caption(f"Kept in {desk.plain(str(desk.the_shop().home))}")


def _show_options() -> PaperWish:
    """The paper in the printer, and whether full-size strips of the seams are wanted."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        paper = st.segmented_control("Paper", ["A4", "Letter"], default="A4")
        strips = st.toggle("Full-size strips of the seams", help="To lay along the boards at the clamps.")
    return PaperWish("letter" if paper == "Letter" else "a4", strips)


def _show_saved(job: Job, stock: Stock, saved: SavedLayout, wanted: PaperWish) -> None:
    shop = desk.the_shop()
    layout = layout_from_json(saved.body)
    when = time.strftime("%Y-%m-%d %H:%M", time.localtime(saved.created_s))
    st.markdown(f"**{desk.plain(saved.name)}**" + (" · chosen" if saved.chosen else ""))
    st.caption(f"saved {when}")
    st.image(top_picture(saved.body, stock.key, _stock=stock))
    st.markdown("\n".join(f"- {desk.plain(line)}" for line in describe_score(layout.score)[:4]))
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
            "Papers to print",
            data=lambda: _write_papers(job, stock, saved, wanted)["papers.pdf"],
            file_name=f"{stem}.pdf",
            mime="application/pdf",
            key=f"pdf_{saved.id}",
            on_click="ignore",
        )
        st.download_button(
            "All files",
            data=lambda: _zip(_write_papers(job, stock, saved, wanted)),
            file_name=f"{stem}.zip",
            mime="application/zip",
            key=f"papers_{saved.id}",
            on_click="ignore",
            help="The papers, the picture, tables of boards and cuts, and drawings for other programs.",
        )
        if not saved.chosen and st.button("Choose", key=f"choose_{saved.id}"):
            shop.choose_layout(job.id, saved.id)
            st.rerun()
        if st.button("Work on it", key=f"work_{saved.id}"):
            st.session_state["start_from"] = saved.id
            go("top")
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
        st.toast(f"Its boards are off the rack; {desk.count(kept_n, 'offcut')} went back onto it.")
        st.rerun()
    if st.button("Remove this layout", key=f"remove_{saved.id}"):
        shop.remove_layout(job.id, saved.id)
        st.rerun()


def _write_papers(job: Job, stock: Stock, saved: SavedLayout, wanted: PaperWish) -> dict[str, bytes]:
    """All papers of a layout, by file name."""
    layout = layout_from_json(saved.body)
    used = {p.board_id for p in layout.placements}
    chosen = Stock(tuple(b for b in stock.boards if b.id in used), stock.used_elsewhere, stock.key)
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
        paths = layout_to_files(
            layout,
            list(stock.boards),
            Path(folder),
            paper=wanted.paper,
            units=desk.units(),
            strips=wanted.strips,
            features=job_features(desk.the_shop(), job, chosen),
            tools=read_tools(desk.the_shop()),
            base=fit_base(read_base(job), layout, stock.boards),
            room=read_room(job),
        )
        return {path.name: path.read_bytes() for path in paths}


def _zip(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return buffer.getvalue()
