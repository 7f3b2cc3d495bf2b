"""Correct outlines in the photo, and measure the boards anew from what was drawn."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import streamlit as st

from grainmatch.model import Board, Face, Side
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.drawn import measure_drawn, move_corners
from grainmatch.report.record import write_boards
from grainmatch.store import Job, JobPhoto
from grainmatch.ui import desk
from grainmatch.ui.measuring import start_proposing
from grainmatch.ui.outline_view import Shape, show_outlines
from grainmatch.ui.outlines import FoundFace
from grainmatch.ui.stock import Stock, to_jpeg

_LONGEST_PX = 1800
_MOVED_PX = 0.05


@st.fragment
def show_redrawing(job: Job, stock: Stock, photo: JobPhoto, name: str, faces: list[FoundFace]) -> None:
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
        words=f"{len(faces)} boards outlined in {name}",
        key=f"outlines_{photo.sha256}",
        can_split=True,
    )
    if drawn is None or not _differs(drawn, shapes):
        st.caption(
            "Drag a corner or an edge where an outline is off. Widths and lengths follow from the outlines."
        )
        return
    with st.container(horizontal=True):
        if st.button("Measure with these outlines", type="primary"):
            with st.spinner("Measuring"), desk.in_words():
                _measure(job, stock, photo, name, faces, drawn, scale)
                st.session_state[f"redraw_{job.id}"] = round_n + 1
                st.rerun()
        if st.button("Back to the measured ones"):
            st.session_state[f"redraw_{job.id}"] = round_n + 1
            st.rerun()


@st.cache_data(show_spinner="Opening the photo", max_entries=12)
def _picture(sha256: str, *, _path: Path) -> tuple[bytes, tuple[int, int], float]:
    rgb = read_photo(_path).rgb
    scale = min(1.0, _LONGEST_PX / max(rgb.shape[:2]))
    small = np.asarray(
        cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )
    return to_jpeg(small, quality=80), (small.shape[1], small.shape[0]), small.shape[1] / rgb.shape[1]


def _differs(drawn: Sequence[Shape], shapes: Sequence[Shape]) -> bool:
    before = {s.key: s for s in shapes}
    return {s.key for s in drawn} != before.keys() or any(_moved(s, before[s.key]) for s in drawn)


def _moved(now: Shape, before: Shape | None) -> bool:
    return before is None or float(np.abs(np.subtract(now.corners, before.corners)).max()) > _MOVED_PX


def _measure(
    job: Job,
    stock: Stock,
    photo: JobPhoto,
    name: str,
    faces: list[FoundFace],
    drawn: Sequence[Shape],
    scale: float,
) -> None:
    """Measure what was drawn, put the boards so changed into the job, and search again."""
    before = {f.key: f for f in faces}
    changed = [s for s in drawn if _moved(s, before[s.key].as_shape(scale) if s.key in before else None)]
    outlines = [
        move_corners(before[s.key].outline_px, np.divide(s.corners, scale))
        if s.key in before
        else np.divide(s.corners, scale)
        for s in changed
    ]
    measured = []
    if outlines:
        measured = measure_drawn(
            replace(read_photo(photo.path), name=name),
            outlines,
            thickness_mm=float(job.details.get("thickness_mm", 27.0)),
            sheet_on=job.details.get("sheet_on", "bench"),
        )
    boards = redraw_boards(stock.boards, before, {s.key for s in drawn}, changed, measured)
    _keep(job, boards)


def redraw_boards(
    boards: Sequence[Board],
    before: dict[str, FoundFace],
    kept: set[str],
    changed: Sequence[Shape],
    measured: Sequence[Board],
) -> list[Board]:
    """The job's boards after redrawing one photo.

    A redrawn face takes its place on its board, and its sizes too when it is the show face; a removed one
    leaves its board, and a board without faces is gone; a new outline is a new board.
    """
    fresh = {shape.key: board for shape, board in zip(changed, measured, strict=True)}
    gone = before.keys() - kept
    out = [b for b in (_redraw(board, fresh, gone) for board in boards) if b is not None]
    taken = {b.id for b in boards}
    for key, board in fresh.items():
        if key not in before:
            number = next(n for n in range(1, 10_000) if str(n) not in taken)
            taken.add(str(number))
            species = boards[0].species if boards else ""
            out.append(replace(board, id=str(number), species=species))
    return out


def _redraw(board: Board, fresh: dict[str, Board], gone: set[str]) -> Board | None:
    faces: list[Face] = []
    sizes = None
    for face in board.faces:
        key = f"{board.id}/{face.side}"
        if key in gone:
            continue
        if key in fresh:
            faces.append(replace(fresh[key].faces[0], side=face.side))
            sizes = fresh[key] if face.side == "A" or len(board.faces) == 1 else sizes
        else:
            faces.append(face)
    if not faces:
        return None
    if len(faces) == 1:
        only: Side = "A"
        faces = [replace(faces[0], side=only)]
    if sizes is None:
        return replace(board, faces=tuple(faces))
    return replace(
        board,
        faces=tuple(faces),
        length_mm=sizes.length_mm,
        start_width_mm=sizes.start_width_mm,
        end_width_mm=sizes.end_width_mm,
        crook_mm=sizes.crook_mm,
        sigma_length_mm=sizes.sigma_length_mm,
        sigma_width_mm=sizes.sigma_width_mm,
    )


def _keep(job: Job, boards: list[Board]) -> None:
    shop = desk.the_shop()
    rows = []
    if boards:
        with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
            write_boards(Path(folder) / "set", boards)
            sha256 = shop.add_set(Path(folder) / "set")
        rows = [(b.id, sha256, b.id) for b in boards]
    # What the maker said of each board is in the new records; a show face once swapped must not swap back.
    said = {
        i: {k: v for k, v in s.items() if k == "keep_out"} for i, s in job.details.get("boards", {}).items()
    }
    shop.put_boards(job.id, rows)
    shop.put_proposals(job.id, [])
    shop.update_job(job.id, details={"boards": said})
    if rows:
        start_proposing(job.id)
