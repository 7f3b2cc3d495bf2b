"""The demo job: eight cherry boards for a kitchen table, from the photos that come with the project."""

from __future__ import annotations

from pathlib import Path

import grainmatch
from grainmatch.store import Job, Shop

_NAME = "Kitchen table (demo)"
_DETAILS = {"demo": True, "top_mm": [1700.0, 850.0], "thickness_mm": 27.0, "species": "cherry"}


def sample_folder() -> Path | None:
    """Where the demo photos lie: in the installed package, or beside it in a copy of the project."""
    package = Path(grainmatch.__file__).parent
    places = (package / "sample_images", package.parent / "sample_images")
    return next((p for p in places if any(p.glob("*.jpg"))), None)


def add_demo(shop: Shop) -> Job | None:
    """A new demo job with its photos, not yet measured; None when the photos are not there."""
    folder = sample_folder()
    if folder is None:
        return None
    job = shop.add_job(_NAME, _DETAILS)
    for path in sorted(folder.glob("*.jpg")):
        shop.add_photo(job.id, path.name, path.read_bytes())
    return shop.read_job(job.id)


def first_job(shop: Shop) -> Job:
    """Some job to open on: the newest, else the demo, else an empty one."""
    jobs = shop.list_jobs()
    if jobs:
        return jobs[0]
    return add_demo(shop) or shop.add_job("First job", {"thickness_mm": 27.0})
