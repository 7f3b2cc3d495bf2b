"""The layout in work: on the bench in this browser, and kept in the job after every edit."""

from __future__ import annotations

import json

import streamlit as st

from grainmatch.errors import StoreError
from grainmatch.model import Board, Layout
from grainmatch.report.record import layout_from_json, layout_to_json
from grainmatch.store import Job, SavedLayout, Shop
from grainmatch.ui.arrangement import Arrangement, Workbench
from grainmatch.ui.stock import Stock


def working_body(shop: Shop, job_id: str) -> str | None:
    """The layout in work as layout JSON, None when there is none."""
    kept = shop.list_layouts(job_id, "working")
    return json.dumps(json.loads(kept[0].body)["layout"]) if kept else None


def keep_working(shop: Shop, job_id: str, layout: Layout, locked: frozenset[str]) -> int:
    """Keep the layout in work with its locks. Returns its number in the store."""
    body = json.dumps({"layout": json.loads(layout_to_json(layout)), "locked": sorted(locked)})
    return shop.add_layout(job_id, body, name="In work", kind="working").id


def bench_of(shop: Shop, job: Job, stock: Stock) -> Workbench | None:
    """The bench of this browser for a job, set up anew when boards or another browser changed it.

    It starts from the layout asked for with 'Work on it', else the one kept in work, else the chosen one,
    else the first proposal. None when there is nothing to start from.
    """
    name = f"bench_{job.id}"
    bench: Workbench | None = st.session_state.get(name)
    start_from = st.session_state.pop("start_from", None)
    layouts = shop.list_layouts(job.id)
    if start_from is not None:
        asked = next((x for x in layouts if x.id == start_from), None)
        arrangement = _arrangement(asked, stock.by_id) if asked else None
        if arrangement is not None and bench is not None:
            bench.put(arrangement)
        elif arrangement is not None:
            bench = Workbench(arrangement)
        st.session_state.pop(f"kept_{job.id}", None)
    else:
        working = next((x for x in layouts if x.kind == "working"), None)
        theirs = working is not None and working.id != st.session_state.get(f"kept_{job.id}")
        if bench is None or theirs:
            bench = _fresh(bench, working, layouts, stock)
            st.session_state[f"kept_{job.id}"] = working.id if working else None
    if bench is not None and not {p.board_id for p in bench.now.placements} <= stock.by_id.keys():
        bench = _fresh(None, None, [x for x in layouts if x.kind == "proposal"], stock)
    st.session_state[name] = bench
    return bench


def note_kept(job_id: str, layout_number: int) -> None:
    """Remember that the layout in work in the store is this browser's own."""
    st.session_state[f"kept_{job_id}"] = layout_number


def _fresh(
    bench: Workbench | None, working: SavedLayout | None, layouts: list[SavedLayout], stock: Stock
) -> Workbench | None:
    chosen = [x for x in layouts if x.chosen] + [x for x in layouts if x.kind == "proposal"]
    for kept in ([working] if working else []) + chosen:
        arrangement = _arrangement(kept, stock.by_id)
        if arrangement is not None:
            if bench is None:
                return Workbench(arrangement)
            bench.put(arrangement)
            return bench
    return bench


def _arrangement(kept: SavedLayout, boards: dict[str, Board]) -> Arrangement | None:
    """A kept layout as an arrangement; None when its boards are no longer in the job."""
    try:
        body = json.loads(kept.body)
        locked = frozenset(body["locked"]) if kept.kind == "working" else frozenset()
        layout = layout_from_json(json.dumps(body["layout"]) if kept.kind == "working" else kept.body)
    except (StoreError, ValueError, KeyError, TypeError):
        return None
    if not {p.board_id for p in layout.placements} <= boards.keys():
        return None
    return Arrangement(layout.placements, locked)
