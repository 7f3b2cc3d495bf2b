"""Bring in photos, see at once that they are there, and watch them being measured."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import cv2
import numpy as np
import streamlit as st
from PIL import Image

from grainmatch.errors import GrainmatchError
from grainmatch.photo.camera import LAY_OR_SAY
from grainmatch.photo.pose import check_thickness
from grainmatch.photo.read import read_photo
from grainmatch.photo.sheet import write_sheet
from grainmatch.store import Job, JobPhoto
from grainmatch.ui import desk
from grainmatch.ui.door import show_phone_link
from grainmatch.ui.guide import show_guide
from grainmatch.ui.lengths import in_units, read_length
from grainmatch.ui.measuring import UNFINISHED, continue_measuring, show_progress, start_measuring
from grainmatch.ui.outlines import keep_drawn
from grainmatch.ui.scale_choice import show_scale
from grainmatch.ui.ways import show_way

_STATE_WORDS = {
    "waiting": "waiting",
    "measuring": "being measured",
    "measured": "measured",
    "failed": "could not be used",
}
_ROLES = {"": "tell by its name", "show": "show faces", "back": "back faces", "ends": "left ends"}
PHOTO_TYPES = ["jpg", "jpeg", "png", "heic", "heif", "tif", "tiff", "webp"]
_THUMB_PX = 360
_NEEDS: dict[str, object] = {"thickness_mm": 27.0, "sheet_on": "bench", "species": ""}
"""What the measuring needs to know when the job does not say."""


def show() -> None:
    """The page."""
    job = desk.show_header(
        "Photos", about="photos of the boards on the bench, with the printed sheet beside them"
    )
    with desk.in_words():
        _show_upload(job)
        _show_live(job.id)
        left, right = st.columns(2)
        with left.expander("How to take the photos", expanded=not desk.the_shop().list_photos(job.id)):
            show_guide()
        with right.expander("Print the sheet"):
            _show_sheet()
        with right.expander("Photos from a phone"):
            show_phone_link(job.id)


def _show_upload(job: Job) -> None:
    files = st.file_uploader(
        "Add photos",
        type=PHOTO_TYPES,
        accept_multiple_files=True,
        max_upload_size=60,
        key=f"upload_{job.id}_{st.session_state.get('upload_round', 0)}",
    )
    if files:
        for file in files:
            desk.the_shop().add_photo(job.id, file.name, file.getvalue())
        # An emptied uploader shows that the photos are kept, and lets the same one be added again.
        st.session_state["upload_round"] = st.session_state.get("upload_round", 0) + 1
        start_measuring(job.id)
        st.rerun()
    with st.expander("What the measuring needs to know"), desk.in_words():
        _show_needs(job)


def _show_needs(job: Job) -> None:
    left, middle, right = st.columns(3)
    now_mm = float(job.details.get("thickness_mm", 27.0))
    thickness = left.text_input(
        in_units("Thickness of the boards"),
        desk.length(now_mm, decimals=1),
        help="By caliper. It sets how high the faces lie above the bench.",
    )
    places = {"bench": "on the bench", "boards": "on the boards"}
    sheet_on = middle.selectbox(
        "The sheet lies",
        list(places),
        index=list(places).index(job.details.get("sheet_on", "bench")),
        format_func=lambda p: places[p],
    )
    species = right.text_input("Species", job.details.get("species", ""), placeholder="cherry")
    thickness_mm = read_length(thickness, now_mm, decimals=1)
    check_thickness(thickness_mm)
    wanted = {"thickness_mm": thickness_mm, "sheet_on": sheet_on, "species": species.strip()}
    known = {name: job.details.get(name, default) for name, default in _NEEDS.items()}
    changed = abs(wanted["thickness_mm"] - known["thickness_mm"]) > 0.05 or any(
        wanted[n] != known[n] for n in ("sheet_on", "species")
    )
    if changed and st.button("Measure again with these", type="primary"):
        desk.the_shop().update_job(job.id, details=wanted)
        start_measuring(job.id)
        st.rerun()


@st.fragment(run_every=2.0)
def _show_live(job_id: str) -> None:
    """The photos, looked up every two seconds so that those from another browser appear by themselves."""
    job, photos = desk.the_shop().read_job(job_id), desk.the_shop().list_photos(job_id)
    work = show_progress(job_id)
    continue_measuring(job_id)
    if work is not None and work.state == "failed" and not any(p.state in UNFINISHED for p in photos):
        show_way("proposals", "Ask for another size of top")  # the photos are done, what failed came after
    if not photos:
        st.info("No photos yet. Add some above; those of the demo job show how they should look.")
        show_way("jobs", "Find the demo job among the jobs")
        return
    for start in range(0, len(photos), 3):
        for column, photo in zip(st.columns(3), photos[start : start + 3], strict=False):
            with column.container(border=True):
                _show_photo(job, photo)
    measured_n = len(desk.the_shop().list_boards(job_id))
    if measured_n:
        show_way("boards", f"See the {desk.count(measured_n, 'board')} found")


def _show_photo(job: Job, photo: JobPhoto) -> None:
    thumb = thumbnail(photo.sha256, str(photo.path))
    if thumb is not None:
        st.image(thumb)
    st.markdown(f"**{desk.plain(photo.name)}**")
    st.caption(_STATE_WORDS[photo.state])
    if photo.note:
        st.warning(desk.plain(photo.note))
        if photo.state == "failed" and can_be_drawn_in(photo):
            show_way("boards", "Outline the boards by hand")
    show_scale(job, photo)
    roles = dict(job.details.get("roles", {}))
    role = st.selectbox(
        "Shows",
        list(_ROLES),
        index=list(_ROLES).index(roles.get(photo.sha256, "")),
        format_func=lambda r: _ROLES[r],
        key=f"role_{photo.sha256}",
    )
    if role != roles.get(photo.sha256, ""):
        desk.the_shop().update_job(job.id, details={"roles": {**roles, photo.sha256: role}})
        start_measuring(job.id)
    drawn_in = photo.state == "failed" and photo.sha256 in job.details.get("drawn", {})
    if drawn_in and st.button("Forget what was drawn in it", key=f"undraw_{photo.sha256}"):
        keep_drawn(desk.the_shop(), job, photo.sha256, ())
        start_measuring(job.id)
        st.rerun(scope="app")
    if st.button("Remove", key=f"drop_{photo.sha256}"):
        desk.the_shop().remove_photo(job.id, photo.sha256)
        start_measuring(job.id)
        st.rerun(scope="app")


def can_be_drawn_in(photo: JobPhoto) -> bool:
    """A photo in which nothing was found can still be drawn in; a damaged one, or one of no scale, cannot."""
    if photo.state != "failed":
        return True
    return not photo.note.endswith(LAY_OR_SAY) and thumbnail(photo.sha256, str(photo.path)) is not None


@st.cache_data(show_spinner=False, max_entries=200)
def thumbnail(sha256: str, path: str) -> bytes | None:
    """A small picture of a photo, None when it cannot be read."""
    try:
        rgb = read_photo(path).rgb
    except GrainmatchError:
        return None
    scale = _THUMB_PX / max(rgb.shape[:2])
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    buffer = io.BytesIO()
    Image.fromarray(np.asarray(small, dtype=np.uint8)).save(buffer, "JPEG", quality=80)
    return buffer.getvalue()


def _show_sheet() -> None:
    st.write(
        "Print it at 100 %, check with a ruler that its line is 100 mm long, and glue it to something flat."
    )
    paper = st.segmented_control("Paper", ["A4", "Letter"], default="A4") or "A4"
    number = st.number_input("Number", 0, 9, 0, help="Sheets with different numbers may lie in one photo.")
    st.download_button(
        "Download the sheet",
        data=lambda: _sheet_pdf(paper.lower(), int(number)),
        file_name=f"sheet_{paper.lower()}_{number}.pdf",
        mime="application/pdf",
        on_click="ignore",
    )


def _sheet_pdf(paper: str, number: int) -> bytes:
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
        path = Path(folder) / "sheet.pdf"
        write_sheet(path, paper="letter" if paper == "letter" else "a4", number=number)
        return path.read_bytes()
