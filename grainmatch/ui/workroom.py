"""Long work done beside the pages: measuring photos and searching arrangements, with its progress.

A thread works through one job at a time and writes results to the store, so that a page may be closed,
and another browser sees them. Nothing here touches the page.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import threading
import traceback
from collections.abc import Callable, Hashable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from grainmatch.errors import GrainmatchError
from grainmatch.model import Progress
from grainmatch.store import Job, JobPhoto, Shop
from grainmatch.ui.carrying import carry_marks
from grainmatch.ui.naming import Row, name_boards
from grainmatch.ui.outlines import read_drawn
from grainmatch.ui.pricing import remember_features
from grainmatch.ui.scales import read_scales

if TYPE_CHECKING:
    from grainmatch.pipeline.gather import Measured

_PROCESSES = 2  # beside the app's own, so that pages stay quick meanwhile
Step = Callable[["Reporter"], None]


@dataclass(frozen=True)
class Work:
    """How far a piece of work has come. fault is what went wrong."""

    what: str
    done: int = 0
    total: int = 0
    text: str = ""
    state: Literal["waiting", "running", "done", "failed"] = "waiting"
    fault: GrainmatchError | None = None

    @property
    def busy(self) -> bool:
        """Whether it is still going on."""
        return self.state in ("waiting", "running")

    @property
    def part(self) -> float:
        """How much of it is done, 0 to 1."""
        return min(1.0, self.done / self.total) if self.total > 0 else 0.0


class Reporter:
    """Handed to a piece of work, to be called as a progress callback."""

    def __init__(self, room: Workroom, job_id: str) -> None:
        self._room, self._job_id = room, job_id

    def __call__(self, done: int, total: int, text: str) -> None:
        self._room.change(self._job_id, done=done, total=total, text=text)


class Workroom:
    """One worker thread with the state of the last piece of work for every job."""

    def __init__(self) -> None:
        self._works: dict[str, Work] = {}
        self._lock = threading.Lock()
        self._prepared: set[Hashable] = set()
        self._quiet_hands = ThreadPoolExecutor(1, thread_name_prefix="grainmatch-quiet")
        self._hands = ThreadPoolExecutor(1, thread_name_prefix="grainmatch-work")

    def work_on(self, job_id: str) -> Work | None:
        """The last piece of work for a job."""
        with self._lock:
            return self._works.get(job_id)

    def start(self, job_id: str, what: str, step: Step) -> bool:
        """Queue a piece of work; not while another one for the same job is going on."""
        with self._lock:
            running = self._works.get(job_id)
            if running is not None and running.busy:
                return False
            self._works[job_id] = Work(what)
        self._hands.submit(self._run, job_id, step)
        return True

    def prepare(self, key: Hashable, step: Callable[[], object]) -> None:
        """Do something quietly and once, so that a page asked for next opens at once. Its faults are kept
        for that page to show."""
        with self._lock:
            if key in self._prepared:
                return
            self._prepared.add(key)
        self._quiet_hands.submit(_try, step)

    def change(self, job_id: str, **fields: object) -> None:
        """Note how far a job's work has come."""
        with self._lock:
            self._works[job_id] = replace(self._works[job_id], **fields)  # type: ignore[arg-type]

    def _run(self, job_id: str, step: Step) -> None:
        self.change(job_id, state="running")
        try:
            step(Reporter(self, job_id))
        except GrainmatchError as error:
            # Its words alone: the error itself would hold on to the pictures that were in hand.
            self.change(job_id, state="failed", fault=type(error)(error.message, error.advice))
        except Exception:
            traceback.print_exc()
            self.change(job_id, state="failed", fault=_UNFORESEEN)
        else:
            self.change(job_id, state="done", text="")


def _try(step: Callable[[], object]) -> None:
    with contextlib.suppress(GrainmatchError):
        step()


_UNFORESEEN = GrainmatchError(
    "Something went wrong that was not foreseen; the window the app was started from says what.",
    "Your photos and layouts are kept: try again, or leave out the last photo.",
)


# --- the two pieces of work --------------------------------------------------------------------


def measure_job(shop: Shop, job_id: str, report: Progress) -> None:
    """Measure all photos of a job and put their boards into it, until no photo is left waiting."""
    while True:
        photos = shop.list_photos(job_id)
        if not photos:
            shop.put_boards(job_id, [])
            return
        _measure_photos(shop, job_id, photos, report)
        if all(p.state != "waiting" for p in shop.list_photos(job_id)):
            return


def _measure_photos(shop: Shop, job_id: str, photos: list[JobPhoto], report: Progress) -> None:
    from grainmatch.pipeline.cache import usual_cache
    from grainmatch.pipeline.pile import photos_to_boards

    job = shop.read_job(job_id)
    names = working_names(photos, job.details.get("roles", {}))
    for photo in photos:
        shop.set_photo_state(job_id, photo.sha256, "measuring")
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as scratch:
        measured = photos_to_boards(
            _lay_out(photos, names, Path(scratch) / "photos"),
            thickness_mm=float(job.details.get("thickness_mm", 27.0)),
            sheet_on=job.details.get("sheet_on", "bench"),
            species=str(job.details.get("species", "")),
            known_in=read_scales(job, names),
            corrections=read_drawn(job, names),
            progress=report,
            cache=usual_cache(),
            processes=_PROCESSES,
        )
        by_name = {name: sha256 for sha256, name in names.items()}
        rows = _keep_set(shop, job, measured, by_name, Path(scratch) / "set") if measured.boards else []
    with shop.all_or_nothing():
        job = shop.read_job(job_id)  # marks may have been corrected meanwhile
        said = carry_marks(shop, job, measured.boards, rows, by_name)
        shop.put_boards(job_id, rows)
        shop.put_proposals(job_id, [])
        shop.update_job(
            job_id,
            details={"photo_names": by_name, "warnings": list(measured.warnings), "boards": said},
        )
    faults = {Path(f.photo).name: f"{f.message} {f.advice}" for f in measured.failures}
    for photo in photos:
        fault = faults.get(names[photo.sha256])
        shop.set_photo_state(job_id, photo.sha256, "failed" if fault else "measured", fault or "")


def _lay_out(photos: list[JobPhoto], names: Mapping[str, str], folder: Path) -> list[Path]:
    """Copies of the photos under the names that say what they show."""
    folder.mkdir()
    return [Path(shutil.copyfile(photo.path, folder / names[photo.sha256])) for photo in photos]


def _keep_set(
    shop: Shop, job: Job, measured: Measured, by_name: Mapping[str, str], folder: Path
) -> list[Row]:
    """Keep measured boards in the shop, written to an empty folder first; returns the job's rows for them."""
    from grainmatch.report.record import write_boards

    write_boards(folder, measured.boards, measured.features, warnings=measured.warnings, pngs=measured.pngs)
    sha256 = shop.add_set(folder)
    remember_features(str(shop.set_folder(sha256)), measured.features)
    return name_boards(shop, job, measured.boards, sha256, by_name)


def working_names(photos: list[JobPhoto], roles: Mapping[str, str]) -> dict[str, str]:
    """A file name for each photo (by its sha256), unlike any other, that says what it shows."""
    names: dict[str, str] = {}
    for number, photo in enumerate(photos, 1):
        path = Path(photo.name)
        role = roles.get(photo.sha256, "")
        stem = f"{path.stem}_{role}" if role else path.stem
        name = f"{stem}{photo.path.suffix}"
        taken = {n.lower() for n in names.values()}
        names[photo.sha256] = f"{stem}_{number}{photo.path.suffix}" if name.lower() in taken else name
    return names
