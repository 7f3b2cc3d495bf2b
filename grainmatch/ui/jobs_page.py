"""The jobs: open one, begin another, take one along as a file; and the rack of boards they share."""

from __future__ import annotations

import re
import tempfile
import time
from pathlib import Path

import streamlit as st

from grainmatch.errors import GrainmatchError
from grainmatch.photo.pose import check_thickness
from grainmatch.store import Job, write_archive
from grainmatch.store.archive import MOST_ARCHIVE_MB
from grainmatch.ui import desk
from grainmatch.ui.bringing import bring_in
from grainmatch.ui.demo import add_demo
from grainmatch.ui.lengths import in_units, read_length, read_size
from grainmatch.ui.ways import go, show_way
from grainmatch.units import format_length


def show() -> None:
    """The page."""
    st.title("Jobs", anchor=False)
    with desk.in_words():
        _show_settings()
        current = desk.current_job()
        for job in desk.the_shop().list_jobs():
            _show_job(job, is_current=job.id == current.id)
        _show_new()
        _show_import()
        _show_rack()


def _show_settings() -> None:
    shown = st.segmented_control(
        "Lengths in", ["mm", "in"], default=desk.units(), key="units_choice", format_func=_unit_words
    )
    if shown and shown != desk.units():
        desk.the_shop().write_setting("units", shown)
        st.rerun()


def _unit_words(unit: str) -> str:
    return {"mm": "millimetres", "in": "inches (1/16)"}[unit]


def _show_job(job: Job, *, is_current: bool) -> None:
    shop = desk.the_shop()
    photos, boards = shop.list_photos(job.id), shop.list_boards(job.id)
    saved = shop.list_layouts(job.id, "saved")
    with st.container(border=True):
        words, buttons = st.columns([3, 2], vertical_alignment="center")
        mark = " · open now" if is_current else ""
        words.markdown(f"**{desk.plain(job.name)}**{mark}")
        begun = time.strftime("%Y-%m-%d", time.localtime(job.created_s))
        words.caption(
            f"begun {begun} · {desk.count(len(photos), 'photo')} · {desk.count(len(boards), 'board')} · "
            f"{desk.count(len(saved), 'saved layout')}"
        )
        with buttons.container(horizontal=True):
            if st.button("Open", key=f"open_{job.id}", type="primary" if not is_current else "secondary"):
                desk.pick_job(job.id)
                go("proposals" if boards else "photos")
            with st.popover("More"):
                _show_more(job)


def _show_more(job: Job) -> None:
    shop = desk.the_shop()
    name = st.text_input("Name", job.name, key=f"name_{job.id}", max_chars=80)
    if name != job.name and st.button("Rename", key=f"rename_{job.id}"):
        shop.update_job(job.id, name=name)
        st.rerun()
    st.download_button(
        "Export job",
        data=lambda: _archive_bytes(job.id),
        file_name=f"{_file_stem(job.name)}.grainmatch.zip",
        mime="application/zip",
        key=f"export_{job.id}",
        on_click="ignore",
        help="One file with the photos, boards and layouts, for keeping or for another computer.",
    )
    sure = st.checkbox("Remove this job with its photos and layouts", key=f"sure_{job.id}")
    st.caption("Boards that it has not used stay on the rack.")
    if st.button("Remove", key=f"remove_{job.id}", disabled=not sure):
        shop.remove_job(job.id)
        st.rerun()


def _archive_bytes(job_id: str) -> bytes:
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
        path = Path(folder) / "job.zip"
        write_archive(desk.the_shop(), job_id, path)
        return path.read_bytes()


def _file_stem(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower() or "job"


def _show_new() -> None:
    st.subheader("Begin a job", anchor=False)
    with st.form("new_job", border=True):
        name = st.text_input("Name", placeholder="Kitchen table", max_chars=80)
        left, right = st.columns(2)
        sizes = {"mm": ("1700 x 850 mm", "27 mm"), "in": ("67 x 33-1/2 in", "1-1/16 in")}[desk.units()]
        size = left.text_input(in_units("Size of the top, length x width"), placeholder=sizes[0])
        thickness = right.text_input(in_units("Thickness of the boards, by caliper"), sizes[1])
        benches = st.number_input(
            "Benches that go with it", 0, 6, 0, help="Each becomes a job on the same rack."
        )
        if st.form_submit_button("Begin", type="primary"):
            with desk.in_words():
                job = begin_job(name, size, thickness, benches_n=int(benches))
                desk.pick_job(job.id)
                go("photos")
    if not any(job.details.get("demo") for job in desk.the_shop().list_jobs()) and st.button(
        "Bring back the demo job"
    ):
        demo = add_demo(desk.the_shop())
        if demo is not None:
            desk.pick_job(demo.id)
            go("proposals")


def begin_job(name: str, size: str, thickness: str, *, benches_n: int = 0) -> Job:
    """A new job, and one for each bench that goes with it. Raises UsageError for unreadable sizes."""
    thickness_mm, top_mm = read_length(thickness), read_size(size)
    check_thickness(thickness_mm)
    details: dict[str, object] = {"thickness_mm": thickness_mm}
    if top_mm is not None:
        details["top_mm"] = list(top_mm)
    shop = desk.the_shop()
    job = shop.add_job(name, details)
    for number in range(1, benches_n + 1):
        shop.add_job(f"{job.name}, bench {number}", {"thickness_mm": details["thickness_mm"]})
    return job


def _show_import() -> None:
    with st.expander("Bring in a job from a file"):
        file = st.file_uploader(
            "A file made with 'Export job'", type=["zip"], max_upload_size=MOST_ARCHIVE_MB
        )
        if file is not None and st.button("Bring in", type="primary"):
            try:
                job_id = bring_in(desk.the_shop(), file.getvalue())
            except GrainmatchError as error:
                desk.show_error(error)
            else:
                desk.pick_job(job_id)
                go("boards")


def _show_rack() -> None:
    shop = desk.the_shop()
    rack = shop.list_rack()
    free = [b for b in rack if b.state == "free"]
    st.subheader("Rack", anchor=False)
    if not rack:
        st.write("The rack is empty. Boards come onto it when their photos are measured.")
        show_way("photos", "Bring in photos")
        return
    names = {job.id: job.name for job in shop.list_jobs()}
    st.write(f"On the rack: {desk.count(len(free), 'board')} free, {len(rack) - len(free)} used.")
    rows = []
    for entry in rack:
        size = _size_words(entry.set_sha256, entry.id_in_set)
        rows.append(
            {
                "board": entry.id_in_set,
                "size": size,
                "came with": names.get(entry.home_job or "", "a job since removed"),
                "is": "free" if entry.used_by is None else f"used in {names.get(entry.used_by, '')}",
                "note": entry.note,
            }
        )
    st.dataframe(rows, hide_index=True)


@st.cache_data(show_spinner=False, max_entries=500)
def _sizes(folder: str) -> dict[str, tuple[float, float, float]]:
    from grainmatch.report.record import read_boards_record

    record = read_boards_record(Path(folder))
    return {b.id: (b.length_mm, min(b.start_width_mm, b.end_width_mm), b.thickness_mm) for b in record.boards}


def _size_words(set_sha256: str, id_in_set: str) -> str:
    try:
        size = _sizes(str(desk.the_shop().set_folder(set_sha256))).get(id_in_set)
    except GrainmatchError:
        size = None
    if size is None:
        return "missing on disk"
    return " x ".join(format_length(mm, desk.units(), decimals=0) for mm in size)
