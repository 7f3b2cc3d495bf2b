"""Start measuring and searching in the background, and show how far they have come."""

from __future__ import annotations

import streamlit as st

from grainmatch.store import Job
from grainmatch.ui import desk
from grainmatch.ui.pricing import price_job
from grainmatch.ui.proposing import asked_size, propose, read_wishes
from grainmatch.ui.stock import Stock
from grainmatch.ui.ways import show_way
from grainmatch.ui.workroom import Reporter, Work, Workroom, measure_job

UNFINISHED = ("waiting", "measuring")


@st.cache_resource(show_spinner=False)
def workroom() -> Workroom:
    """The worker of this process."""
    return Workroom()


def start_measuring(job_id: str) -> None:
    """Measure the photos of a job and propose arrangements, beside the page."""
    shop = desk.the_shop()

    def step(report: Reporter) -> None:
        measure_job(shop, job_id, report)
        if shop.list_boards(job_id):
            propose(shop, job_id, report)

    workroom().start(job_id, "Measuring", step)


def continue_measuring(job_id: str) -> None:
    """Go on with photos that wait or that an earlier run left unfinished; not after a failure."""
    work = workroom().work_on(job_id)
    if work is not None and (work.busy or work.state == "failed"):
        return
    if any(p.state in UNFINISHED for p in desk.the_shop().list_photos(job_id)):
        start_measuring(job_id)


def start_proposing(job_id: str) -> None:
    """Search arrangements for a job's boards, beside the page."""
    shop = desk.the_shop()
    workroom().start(job_id, "Searching arrangements", lambda report: propose(shop, job_id, report))


def prepare_top(job: Job, stock: Stock) -> None:
    """Read the faces and price the seams of a job beside the page, for the Top page to open at once."""
    shop = desk.the_shop()
    wishes, top_mm = read_wishes(job), asked_size(job)
    workroom().prepare(
        (job.id, stock.key, wishes, top_mm),
        lambda: price_job(shop, job, stock, top_mm=top_mm, wishes=wishes),
    )


def show_waiting_photos(job_id: str) -> bool:
    """Have the photos that wait measured and show how far it is, for a page that needs boards and has none.
    False when none waits."""
    continue_measuring(job_id)
    waits = any(p.state in UNFINISHED for p in desk.the_shop().list_photos(job_id))
    if waits:
        _show_waiting(job_id)
    else:
        show_progress(job_id)
    return waits


def tell_no_boards(job_id: str, words: str) -> None:
    """Say that the job has no boards, in `words` while no photo is there, and the way on."""
    photos = desk.the_shop().list_photos(job_id)
    if not photos:
        st.info(words)
        show_way("photos", "Bring in photos")
        return
    none = f"None of the {len(photos)} photos gave a board" if photos[1:] else "The photo gave no board"
    st.info(f"{none}. The Photos page says why, and what to do.")
    show_way("photos", "See what to do about the photos")


@st.fragment(run_every=1.0)
def _show_waiting(job_id: str) -> None:
    shop = desk.the_shop()
    if shop.list_boards(job_id) or all(p.state not in UNFINISHED for p in shop.list_photos(job_id)):
        st.rerun(scope="app")
    work = show_progress(job_id)
    if work is None or work.state != "failed":
        st.caption("The boards in the photos are being measured: a few seconds, and only the first time.")


def show_progress(job_id: str) -> Work | None:
    """Show the work going on for a job, or what went wrong with it. Returns it."""
    work = workroom().work_on(job_id)
    if work is None:
        return None
    if work.busy:
        st.progress(work.part, f"{work.what}: {desk.plain(work.text) or 'starting'}")
    elif work.fault is not None:
        desk.show_error(work.fault)
        if st.button("Try again", key=f"again_{job_id}"):
            if any(p.state in UNFINISHED for p in desk.the_shop().list_photos(job_id)):
                start_measuring(job_id)
            else:
                start_proposing(job_id)
            st.rerun()
    return work


def show_work(job_id: str) -> None:
    """As `show_progress`, looked up again by itself while work goes on; the page is shown anew at its end.

    Only this part of a page is: one that refreshes itself whole could lose the press of a button.
    """
    work = workroom().work_on(job_id)
    if work is not None and work.busy:
        _show_busy(job_id)
    else:
        show_progress(job_id)


@st.fragment(run_every=0.7)
def _show_busy(job_id: str) -> None:
    work = show_progress(job_id)
    if work is None or not work.busy:
        st.rerun(scope="app")
