"""Save a layout in its job, beside the earlier ones."""

from __future__ import annotations

import time

from grainmatch.model import Layout
from grainmatch.report.record import layout_to_json
from grainmatch.store import Job, SavedLayout
from grainmatch.ui import desk


def save_layout(job: Job, layout: Layout, *, name: str) -> SavedLayout:
    """Keep a layout in the job as the chosen one; earlier choices stay beside it."""
    shop = desk.the_shop()
    taken = {x.name for x in shop.list_layouts(job.id, "saved")}
    wanted = " ".join(name.split())[:60] or "Layout"
    if wanted in taken:
        wanted = f"{wanted}, {time.strftime('%Y-%m-%d %H.%M.%S')}"
    saved = shop.add_layout(job.id, layout_to_json(layout), name=wanted)
    shop.choose_layout(job.id, saved.id)
    return saved
