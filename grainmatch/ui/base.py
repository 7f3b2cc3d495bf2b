"""What a job's top will stand on and where: the base it is fastened to, and the room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields, replace

import streamlit as st

from grainmatch.errors import LayoutError
from grainmatch.model import Base, Board, FixedLine, Layout, Trap
from grainmatch.panel import place_top
from grainmatch.store import Job
from grainmatch.ui import desk
from grainmatch.ui.lengths import in_units, read_length
from grainmatch.wood.moisture import DEFAULT_ROOM, ROOMS, Room

_LINES: dict[FixedLine, str] = {
    "middle": "along its middle",
    "upper edge": "along its upper edge",
    "lower edge": "along its lower edge",
}
_TRAPS: dict[Trap, str] = {
    "breadboard end": "breadboard ends",
    "frame": "a frame round it",
    "fast batten": "battens glued or screwed across",
    "apron screwed tight": "aprons screwed tight across",
}


_PLACES_HELP = {
    units: f"Lengths with ; between them, like {example}. Any beside a narrower top is left out."
    for units, example in {"mm": "80; 425; 770", "in": "3; 16-3/4; 30-1/2"}.items()
}


def read_base(job: Job) -> Base:
    """The base kept with a job; what was never said, or cannot be, falls back to the usual."""
    kept = job.details.get("base")
    if not isinstance(kept, Mapping):
        return Base()
    names = {f.name for f in fields(Base)}
    try:
        base = Base(**{name: value for name, value in kept.items() if name in names})
        return replace(base, places_mm=tuple(base.places_mm), traps=tuple(base.traps))
    except (TypeError, LayoutError):
        return Base()


def read_room(job: Job) -> Room:
    """The room the top will stand in."""
    return ROOMS.get(str(job.details.get("room")), DEFAULT_ROOM)


def fit_base(base: Base, layout: Layout, boards: tuple[Board, ...]) -> Base:
    """The base without the fasteners that would lie beside this top."""
    cut = place_top(layout, boards, top_mm=layout.top_mm).cut
    width_mm = cut.bottom_mm - cut.top_mm
    return replace(base, places_mm=tuple(p for p in base.places_mm if p <= width_mm))


def show_base(job: Job) -> None:
    """The form."""
    base, rooms, lines, traps = read_base(job), list(ROOMS), list(_LINES), list(_TRAPS)
    with st.form(f"base_{job.id}", border=False):
        left, right = st.columns(2)
        room = left.selectbox("It will stand in a room that is", rooms, rooms.index(read_room(job).name))
        line = right.selectbox(
            "The top is held fast",
            lines,
            lines.index(base.fixed_line),
            format_func=lambda k: _LINES[k],
            help="From there it grows and shrinks; all other fasteners slide.",
        )
        screw = left.text_input(in_units("Screws, diameter"), desk.length(base.screw_mm, decimals=1))
        shown = [desk.length(p) for p in base.places_mm]
        places = right.text_input(
            in_units("Fasteners, from the upper edge"),
            "; ".join(shown),
            placeholder="near both edges and in the middle",
            help=_PLACES_HELP[desk.units()],
        )
        found = st.multiselect(
            "Is any of this planned?",
            traps,
            list(base.traps),
            format_func=lambda k: _TRAPS[k],
            placeholder="none of them",
        )
        if st.form_submit_button("Keep with this job"):
            with desk.in_words():
                kept = Base(
                    fixed_line=line,
                    screw_mm=read_length(screw, base.screw_mm, decimals=1),
                    places_mm=_read_places(places, base.places_mm),
                    traps=tuple(found),
                )
                desk.the_shop().update_job(job.id, details={"base": asdict(kept), "room": room})
                st.rerun()


def _read_places(typed: str, now_mm: tuple[float, ...]) -> tuple[float, ...]:
    """The places typed, mm; one that still reads as it was shown is the one it stood for."""
    shown = {desk.length(p): p for p in now_mm}
    return tuple(read_length(p, shown.get(p.strip())) for p in typed.split(";") if p.strip())
