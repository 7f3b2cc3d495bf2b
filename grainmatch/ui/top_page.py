"""The large view: change the top by hand, with every change scored at once."""

from __future__ import annotations

from typing import Any

import streamlit as st

from grainmatch.errors import GrainmatchError
from grainmatch.model import Layout
from grainmatch.report.score_words import describe_score
from grainmatch.store import Job
from grainmatch.ui import desk
from grainmatch.ui.arrangement import Workbench
from grainmatch.ui.base import read_room
from grainmatch.ui.choosing import save_layout
from grainmatch.ui.pricing import Memory
from grainmatch.ui.proposing import asked_size
from grainmatch.ui.rack import show_rack
from grainmatch.ui.scoring import better_by_one, finish_rest, problem_for, score_now
from grainmatch.ui.shape import draw_shape
from grainmatch.ui.stock import PICTURE_PX_PER_MM, Stock, face_jpeg, read_stock
from grainmatch.ui.top_view import BoardLook, SeamLook, show_pictures, show_top
from grainmatch.ui.ways import go, show_way
from grainmatch.ui.working import bench_of, keep_working, note_kept
from grainmatch.wood.top import predict_top_year

_VIEW = "top_view"


def show() -> None:
    """The page."""
    job = desk.show_header("Top")
    with desk.in_words():
        shop = desk.the_shop()
        stock = read_stock(shop, job)
        bench = bench_of(shop, job, stock) if stock.boards else None
        if bench is None:
            st.info("Nothing to work on yet. Proposals come first.")
            show_way("proposals", "See the proposals")
            return
        # Here and not at every edit: a message that comes and goes would move the buttons under a finger.
        with st.spinner("Reading the faces and pricing every seam, once", show_time=True):
            problem_for(shop, job, stock, bench.now)
        show_pictures(_looks(stock))
        _show_editor(job.id)
        show_rack(job, stock)


_looks_kept = Memory(4)


def _looks(stock: Stock) -> dict[str, BoardLook]:
    looks: dict[str, BoardLook] = _looks_kept.get(
        (stock.key, stock.used_elsewhere), lambda: _draw_looks(stock)
    )
    return looks


def _draw_looks(stock: Stock) -> dict[str, BoardLook]:
    return {
        b.id: BoardLook(
            label=b.id,
            length_mm=b.length_mm,
            width_mm=b.width_mm,
            pictures={side: face_jpeg(b, side, px_per_mm=PICTURE_PX_PER_MM) for side in ("A", "B")},
        )
        for b in stock.free
    }


@st.fragment
def _show_editor(job_id: str) -> None:
    """The view and all that changes with every edit."""
    with desk.in_words():
        shop = desk.the_shop()
        job = shop.read_job(job_id)
        stock = read_stock(shop, job)
        bench: Workbench = st.session_state[f"bench_{job_id}"]
        _take_edit(job, stock, bench)
        fault = st.session_state.pop("top_fault", None)
        if fault is not None:
            desk.show_error(fault)
        told = st.session_state.pop("top_told", None)
        if told is not None:
            st.toast(desk.plain(told))
        problem = problem_for(shop, job, stock, bench.now)
        scored, seams = score_now(shop, job, stock, problem, bench.now)
        _show_buttons(job, stock, bench, scored)
        show_top(
            _looks(stock),
            bench.now,
            rev=bench.rev,
            seq=bench.seq,
            seams=seams,
            top_mm=asked_size(job),
            units=desk.units(),
            key=_VIEW,
        )
        left, right = st.columns(2)
        with left:
            _show_score(scored, seams)
        with right:
            _show_year(job, scored, stock)


def _take_edit(job: Job, stock: Stock, bench: Workbench) -> None:
    """Take over what the browser's view sent, and keep it."""
    sent = st.session_state.get(_VIEW)
    if sent is not None and bench.take(sent.get("edit"), {b.id: b for b in stock.free}):
        _keep(job, stock, bench)


def _keep(job: Job, stock: Stock, bench: Workbench) -> None:
    shop = desk.the_shop()
    problem = problem_for(shop, job, stock, bench.now)
    scored, _ = score_now(shop, job, stock, problem, bench.now)
    note_kept(job.id, keep_working(shop, job.id, scored, bench.now.locked))


def _go(job: Job, stock: Stock, bench: Workbench, way: Any) -> None:
    bench.go(way)
    _keep(job, stock, bench)


def _finish(job: Job, stock: Stock, bench: Workbench) -> None:
    try:
        bench.put(finish_rest(desk.the_shop(), job, stock, bench.now))
    except GrainmatchError as error:
        st.session_state["top_fault"] = error
    else:
        _keep(job, stock, bench)


def _improve(job: Job, stock: Stock, bench: Workbench) -> None:
    """Words are kept for the view to tell: what a callback itself shows lands above the page and moves it."""
    try:
        found = better_by_one(desk.the_shop(), job, stock, bench.now)
    except GrainmatchError as error:
        st.session_state["top_fault"] = error
        return
    if found is None:
        st.session_state["top_told"] = "No single change lowers the score."
        return
    words, arrangement = found
    bench.put(arrangement)
    _keep(job, stock, bench)
    st.session_state["top_told"] = f"Done: {words}"


def _show_buttons(job: Job, stock: Stock, bench: Workbench, scored: Layout) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.button(
            "Undo",
            icon=":material/undo:",
            disabled=not bench.past,
            on_click=_go,
            args=(job, stock, bench, "back"),
        )
        st.button(
            "Redo",
            icon=":material/redo:",
            disabled=not bench.future,
            on_click=_go,
            args=(job, stock, bench, "forward"),
        )
        st.button(
            "Finish the rest for me",
            help="Locked boards stay; the others are arranged round them.",
            on_click=_finish,
            args=(job, stock, bench),
        )
        st.button(
            "Better by one change",
            help="Tries every single change and does the one that helps most.",
            on_click=_improve,
            args=(job, stock, bench),
        )
        name = st.text_input("Name", "My layout", label_visibility="collapsed", max_chars=60)
        if st.button("Save this layout", type="primary"):
            save_layout(job, scored, name=name)
            go("papers")


def _show_score(scored: Layout, seams: list[SeamLook]) -> None:
    placed = scored.placements
    bad = [
        f"- **{desk.plain(above.board_id)} | {desk.plain(below.board_id)}** ({seam.grade}): {seam.words}"
        for above, below, seam in zip(placed, placed[1:], seams, strict=False)
        if seam.grade != "good"
    ]
    st.markdown("**Seams** · = good, ≈ fair, ≠ poor")
    st.markdown("\n".join(bad) if bad else "Every seam matches well.")
    st.markdown("**Score**")
    lines = (*describe_score(scored.score), *scored.remarks)
    st.markdown("\n".join(f"- {desk.plain(desk.in_my_units(line))}" for line in lines))


def _show_year(job: Job, scored: Layout, stock: Stock) -> None:
    year = predict_top_year(scored, stock.boards, room=read_room(job))
    thickness = max(stock.by_id[p.board_id].thickness_mm for p in scored.placements)
    st.markdown("**Over the year**")
    st.image(draw_shape(year, thickness_mm=thickness, units=desk.units()), width="stretch")
    assumptions = desk.in_my_units(" ".join(year.assumptions[:3]))
    st.caption(f"Room: {year.room.name}. Heights are larger than life. {desk.plain(assumptions)}")
    for words in year.warnings:
        st.warning(desk.plain(desk.in_my_units(words)))
