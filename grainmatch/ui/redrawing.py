"""Correct outlines in the photo, and measure the boards anew from what was drawn."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import streamlit as st

from grainmatch.board.correct import Correction
from grainmatch.photo.read import read_photo
from grainmatch.store import Job, JobPhoto
from grainmatch.ui import desk
from grainmatch.ui.measuring import start_measuring
from grainmatch.ui.outline_view import show_outlines
from grainmatch.ui.outlines import FoundFace, correct_shapes, keep_drawn
from grainmatch.ui.stock import to_jpeg

_LONGEST_PX = 1800
_HOW = "Drag a corner or an edge where an outline is off. Widths and lengths follow from the outlines."
_HOW_WITH_NONE = "No board was found in this photo. Add each that lies there and drag its corners into place."


@st.fragment
def show_redrawing(job: Job, photo: JobPhoto, name: str, faces: Sequence[FoundFace]) -> None:
    """The photo with its outlines to be corrected, and the button that measures anew."""
    jpeg, size, scale = _picture(photo.sha256, _path=photo.path)
    shapes = [face.as_shape(scale) for face in faces]
    round_n = st.session_state.setdefault(f"redraw_{job.id}", 1)
    drawn = show_outlines(
        jpeg,
        size,
        shapes,
        rev=round_n,
        noun="board",
        words=f"{desk.count(len(faces), 'board')} outlined in {name}",
        key=f"outlines_{photo.sha256}",
        can_split=True,
    )
    changes = correct_shapes(faces, drawn, scale) if drawn is not None else []
    if not changes:
        st.caption(_HOW if faces else _HOW_WITH_NONE)
        if photo.sha256 in job.details.get("drawn", {}) and st.button("Forget what was drawn in this photo"):
            _measure_again(job, photo, ())
        return
    with st.container(horizontal=True):
        if st.button("Measure with these outlines", type="primary"):
            st.session_state[f"redraw_{job.id}"] = round_n + 1
            _measure_again(job, photo, changes)
        if st.button("Back to the measured ones"):
            st.session_state[f"redraw_{job.id}"] = round_n + 1
            st.rerun()


def _measure_again(job: Job, photo: JobPhoto, changes: Sequence[Correction]) -> None:
    """Keep what was drawn and measure beside the page; photos that did not change are not read again."""
    keep_drawn(desk.the_shop(), job, photo.sha256, changes)
    start_measuring(job.id)
    st.rerun(scope="app")


@st.cache_data(show_spinner="Opening the photo", max_entries=12)
def _picture(sha256: str, *, _path: Path) -> tuple[bytes, tuple[int, int], float]:
    rgb = read_photo(_path).rgb
    scale = min(1.0, _LONGEST_PX / max(rgb.shape[:2]))
    small = np.asarray(
        cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )
    return to_jpeg(small, quality=80), (small.shape[1], small.shape[0]), small.shape[1] / rgb.shape[1]
