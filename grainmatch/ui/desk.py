"""What every page needs: the open store, the job at hand, the units, and errors in words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import streamlit as st

from grainmatch.errors import GrainmatchError, LayoutError
from grainmatch.report.measures import restate
from grainmatch.store import Job, Shop, home_folder, open_shop
from grainmatch.units import LengthUnits, format_length

_JOB = "job_id"
# A full stop that ends a sentence is none of Markdown's business; one within a word may make it a link.
_MARKUP = re.compile(r"[\\`*_{}\[\]()#+\-!|~:$<>]|\.(?=\S)")


def the_shop() -> Shop:
    """The store of this process, opened once for each home folder."""
    return _open(str(home_folder()))


@st.cache_resource(show_spinner=False, max_entries=4)
def _open(home: str) -> Shop:
    shop = open_shop(Path(home))
    shop.sweep()
    return shop


def current_job() -> Job:
    """The job this browser works on: the one picked here, else the one in the link, else the last one."""
    jobs = the_shop().list_jobs()
    wanted = (
        st.session_state.get(_JOB),
        st.query_params.get("job"),
        the_shop().read_setting("last_job"),
    )
    by_id = {job.id: job for job in jobs}
    return next((by_id[w] for w in wanted if w in by_id), jobs[0])


def pick_job(job_id: str) -> None:
    """Work on this job from now on."""
    st.session_state[_JOB] = job_id
    st.query_params["job"] = job_id
    the_shop().write_setting("last_job", job_id)


def units() -> LengthUnits:
    """How lengths are shown: mm, or inches to the sixteenth."""
    return "in" if the_shop().read_setting("units", "mm") == "in" else "mm"


def length(length_mm: float, *, decimals: int = 0) -> str:
    """A length in the units at hand."""
    return format_length(length_mm, units(), decimals=decimals)


@contextmanager
def in_words() -> Iterator[None]:
    """Show an error as what is wrong and what to do, instead of a broken page."""
    try:
        yield
    except GrainmatchError as error:
        show_error(error)


def show_error(error: GrainmatchError) -> None:
    """One sentence on what is wrong, one on what to do."""
    said = (error.message, error.advice)
    if isinstance(error, LayoutError):  # others quote what was typed, and names of files
        said = (in_my_units(error.message), in_my_units(error.advice))
    st.error(f"**{plain(said[0])}** {plain(said[1])}", icon=":material/error:")


def show_header(title: str, *, about: str = "") -> Job:
    """The page's title with the job it belongs to. Returns the job."""
    job = current_job()
    if st.session_state.get(_JOB) != job.id:
        st.session_state[_JOB] = job.id
    st.title(title, anchor=False)
    st.caption(f"Job: **{plain(job.name)}**" + (f" · {about}" if about else ""))
    return job


def in_my_units(text: str) -> str:
    """A sentence of the program's own, which speaks in metric units, for the reader at hand."""
    return restate(text, units())


def plain(text: str) -> str:
    """Text that Markdown shows as typed: no markup, no link, no picture fetched from anywhere."""
    return _MARKUP.sub(r"\\\g<0>", " ".join(text.split()))


def count(number: int, noun: str) -> str:
    """`1 board`, `4 boards`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
