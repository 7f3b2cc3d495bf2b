"""Say what to go by in a photo that shows no printed sheet: a plain page, or a board of known size."""

from __future__ import annotations

import streamlit as st

from grainmatch.errors import GrainmatchError
from grainmatch.photo.camera import LAY_OR_SAY
from grainmatch.photo.pose import KnownBoard, KnownPaper, KnownScale
from grainmatch.store import Job, JobPhoto
from grainmatch.ui import desk
from grainmatch.ui.lengths import in_units, read_length
from grainmatch.ui.measuring import start_measuring
from grainmatch.ui.scales import keep_scale, scale_of
from grainmatch.units import LengthUnits

_WAYS = {
    "": "the printed sheet",
    "a4": "a plain A4 sheet",
    "letter": "a plain Letter sheet",
    "length": "a board's length",
    "width": "a board's width",
}
_EXAMPLES: dict[str, dict[LengthUnits, str]] = {
    "length": {"mm": "1820 mm", "in": "71-5/8 in"},
    "width": {"mm": "142 mm", "in": "5-9/16 in"},
}
_PLACES_N = 60


def show_scale(job: Job, photo: JobPhoto) -> None:
    """The choice, under a photo that lacks a scale or that something was said of."""
    try:
        said = scale_of(job, photo.sha256)
    except GrainmatchError as error:
        desk.show_error(error)
        said = None
    if said is None and not (photo.state == "failed" and photo.note.endswith(LAY_OR_SAY)):
        return
    way = st.selectbox(
        "Go by",
        list(_WAYS),
        index=list(_WAYS).index(_way_of(said)),
        format_func=lambda w: _WAYS[w],
        key=f"scale_{photo.sha256}",
    )
    with desk.in_words():
        wanted = _ask(photo, way, said)
        pressed = wanted != said and st.button(
            _button_words(wanted),
            key=f"go_by_{photo.sha256}",
            type="primary",
            disabled=photo.state == "measuring",  # what is said meanwhile would come too late
        )
        if pressed:
            keep_scale(desk.the_shop(), job, photo.sha256, wanted)
            start_measuring(job.id)
            st.rerun(scope="app")


def _way_of(said: KnownScale | None) -> str:
    if isinstance(said, KnownBoard):
        return "width" if said.length_mm is None else "length"
    return said.paper if said else ""


def _ask(photo: JobPhoto, way: str, said: KnownScale | None) -> KnownScale | None:
    """What is asked for now: `said` while a size is still missing. Raises UsageError for what is none."""
    if way in ("a4", "letter"):
        return KnownPaper(way)
    if not way:
        return None
    now = said if isinstance(said, KnownBoard) else None
    now_mm = (now.length_mm if way == "length" else now.width_mm) if now else None
    typed = st.text_input(
        in_units("Its length" if way == "length" else "Its width"),
        "" if now_mm is None else desk.length(now_mm, decimals=1),
        placeholder=_EXAMPLES[way][desk.units()],
        key=f"scale_size_{way}_{desk.units()}_{photo.sha256}",
        help="By tape, of the face that is up. All sizes in this photo follow from it.",
    )
    place = st.number_input(
        "It is board number",
        1,
        _PLACES_N,
        now.place if now else 1,
        key=f"scale_place_{photo.sha256}",
        help="Counted in this photo from the top, or from the left where the boards lie upright.",
    )
    if not typed.strip():
        return said
    size_mm = read_length(typed, now_mm, decimals=1)
    if way == "length":
        return KnownBoard(length_mm=size_mm, place=int(place))
    return KnownBoard(width_mm=size_mm, place=int(place))


def _button_words(wanted: KnownScale | None) -> str:
    """The button says how the size was understood."""
    if not isinstance(wanted, KnownBoard):
        return f"Measure by {_WAYS[_way_of(wanted)]}"
    size_mm = wanted.length_mm or wanted.width_mm or 0.0
    side = "long" if wanted.length_mm else "wide"
    return f"Measure by board {wanted.place}, {desk.length(size_mm, decimals=1)} {side}"
