"""From a job's boards and wishes to proposals in the store."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from grainmatch.errors import LayoutError
from grainmatch.model import Layout, Problem, Progress, Rule, Wishes
from grainmatch.report.record import layout_to_json
from grainmatch.score.shortlist import shortlist_boards, tell_shortlist
from grainmatch.search.best import search_layouts
from grainmatch.search.change import with_rules
from grainmatch.store import Job, Shop
from grainmatch.ui.pricing import price_job
from grainmatch.ui.stock import read_stock

PROPOSALS_N = 3
_PROPOSED_FROM = "proposed_from"

PRESETS: dict[str, Wishes] = {
    "Balanced": Wishes(),
    "One picture": Wishes(tone_match=0.9, line_flow=1.0, even_tone=0.5, stay_flat=0.2, arches=0.4, waste=0.1),
    "Calm and even": Wishes(tone_match=1.0, line_flow=0.4, even_tone=1.0, hide_sapwood=0.8, knots=0.6),
    "Stay flat first": Wishes(tone_match=0.4, line_flow=0.3, even_tone=0.2, stay_flat=1.0, planing=0.4),
    "Easy to make": Wishes(planing=1.0, waste=0.8, stay_flat=0.6, line_flow=0.4),
}

SLIDER_WORDS: dict[str, str] = {
    "tone_match": "Neighbours alike in colour",
    "line_flow": "Grain runs on across the seams",
    "even_tone": "Light and dark spread well",
    "hide_sapwood": "Sapwood out of sight",
    "knots": "Knots and marks out of sight",
    "arches": "Arches in order",
    "stay_flat": "Stays flat over the year",
    "planing": "Planes the same way throughout",
    "cuts": "Like cuts side by side",
    "waste": "Little waste",
}


def read_wishes(job: Job) -> Wishes:
    """The wishes kept with a job; unknown or broken ones fall back to the usual."""
    kept = job.details.get("wishes")
    if not isinstance(kept, Mapping):
        return Wishes()
    names = {f.name for f in fields(Wishes)} - {"rules"}
    try:
        rules = tuple(
            Rule(**{**rule, "boards": tuple(rule["boards"])})
            for rule in kept.get("rules", ())
            if "boards" in rule
        )
        return Wishes(**{k: v for k, v in kept.items() if k in names}, rules=rules)
    except (TypeError, LayoutError):
        return Wishes()


def keep_wishes(shop: Shop, job: Job, wishes: Wishes) -> Job:
    """Keep wishes with a job."""
    return shop.update_job(job.id, details={"wishes": asdict(wishes)})


def asked_size(job: Job) -> tuple[float, float] | None:
    """The size of the top that was asked for, length and width in mm."""
    size: Any = job.details.get("top_mm")
    return (float(size[0]), float(size[1])) if size else None


def propose(shop: Shop, job_id: str, report: Progress) -> None:
    """Search the best arrangements of a job's free boards and keep them as its proposals.

    Raises LayoutError when the boards cannot make the top.
    """
    job = shop.read_job(job_id)
    stock = read_stock(shop, job)
    if not stock.free:
        raise LayoutError(
            "There are no free boards in this job.", "Bring in photos, or take boards from the rack."
        )
    report(0, 0, "reading the faces and pricing every seam")
    wishes = read_wishes(job)
    problem = price_job(shop, job, stock, top_mm=asked_size(job), wishes=wishes)
    held = with_rules(problem, usable_rules(wishes.rules, problem))
    found = search_layouts(held, n_best=PROPOSALS_N, progress=report)
    weighed = shortlist_boards(stock.free, top_mm=asked_size(job), wishes=wishes)
    keep_proposals(shop, job_id, [tell_shortlist(layout, weighed) for layout in found])
    shop.update_job(job_id, details={_PROPOSED_FROM: _boards_stamp(shop, job)})


def is_outdated(shop: Shop, job: Job) -> bool:
    """Whether a job's boards, or what the maker says of them, changed since its proposals were made."""
    return job.details.get(_PROPOSED_FROM) not in (None, _boards_stamp(shop, job))


def _boards_stamp(shop: Shop, job: Job) -> str:
    """What stands for a job's boards and what is said of each, whatever their names."""
    said: Mapping[str, Any] = job.details.get("boards", {})
    rows = shop.list_boards(job.id)
    boards = sorted((r.set_sha256, r.id_in_set, json.dumps(said.get(r.board_id, {}))) for r in rows)
    return hashlib.sha256(repr(boards).encode()).hexdigest()[:16]


def usable_rules(rules: tuple[Rule, ...], problem: Problem) -> tuple[Rule, ...]:
    """The rules about boards that are still there; a board may have been renamed or used elsewhere since."""
    return tuple(rule for rule in rules if set(rule.boards) <= set(problem.board_ids))


def keep_proposals(shop: Shop, job_id: str, layouts: list[Layout]) -> None:
    """Keep layouts as the job's proposals, best first."""
    shop.put_proposals(
        job_id, [(f"Proposal {n}", layout_to_json(layout)) for n, layout in enumerate(layouts, 1)]
    )
