"""From a job's boards and wishes to proposals in the store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields, replace
from functools import lru_cache
from typing import Any

from grainmatch.errors import LayoutError
from grainmatch.face.reading import read_face
from grainmatch.model import Board, Features, Layout, Progress, Rule, Side, Wishes
from grainmatch.report.record import layout_to_json
from grainmatch.store import Job, Shop
from grainmatch.ui.stock import Stock, add_keep_outs, read_set, read_stock

PROPOSALS_N = 3

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
    "waste": "Little waste",
}


def read_wishes(job: Job) -> Wishes:
    """The wishes kept with a job; unknown or broken ones fall back to the usual."""
    kept = job.details.get("wishes")
    if not isinstance(kept, Mapping):
        return Wishes()
    names = {f.name for f in fields(Wishes)} - {"rules"}
    rules = tuple(
        Rule(**{**rule, "boards": tuple(rule["boards"])})
        for rule in kept.get("rules", ())
        if "boards" in rule
    )
    try:
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
    from grainmatch import pipeline

    job = shop.read_job(job_id)
    stock = read_stock(shop, job)
    if not stock.free:
        raise LayoutError(
            "There are no free boards in this job.", "Bring in photos, or take boards from the rack."
        )
    features = job_features(shop, job, stock, report)
    layouts = pipeline.arrange(
        list(stock.free),
        top_mm=asked_size(job),
        wishes=read_wishes(job),
        n_best=PROPOSALS_N,
        features=features,
        progress=report,
    )
    keep_proposals(shop, job_id, layouts)


def keep_proposals(shop: Shop, job_id: str, layouts: list[Layout]) -> None:
    """Keep layouts as the job's proposals, best first."""
    shop.put_proposals(
        job_id, [(f"Proposal {n}", layout_to_json(layout)) for n, layout in enumerate(layouts, 1)]
    )


def job_features(
    shop: Shop, job: Job, stock: Stock, report: Progress | None = None
) -> dict[tuple[str, Side], Features]:
    """What is read from every face of a job's boards, with the maker's keep-out zones added.

    Faces read once are remembered while the app runs.
    """
    rows = {r.board_id: r for r in shop.list_boards(job.id)}
    total = sum(len(b.faces) for b in stock.boards)
    found: dict[tuple[str, Side], Features] = {}
    for board in stock.boards:
        row = rows[board.id]
        swapped = bool(job.details.get("boards", {}).get(board.id, {}).get("swap_faces"))
        for face in board.faces:
            original: Side = face.side if not swapped else ("B" if face.side == "A" else "A")
            folder = str(shop.set_folder(row.set_sha256))
            found[board.id, face.side] = _read_features(folder, row.id_in_set, original)
            if report is not None:
                report(len(found), total, f"reading face {face.side} of {board.id}")
    return add_keep_outs(found, job)


@lru_cache(maxsize=200)
def _read_features(folder: str, id_in_set: str, side: Side) -> Features:
    face = read_set(folder)[id_in_set].face(side)
    if face is None:
        raise LayoutError(f"Board {id_in_set} has no face {side}.", "Measure the photos again.")
    return read_face(face.rgb, px_per_mm=face.px_per_mm, inside=face.inside)


def with_rules(wishes: Wishes, rules: tuple[Rule, ...]) -> Wishes:
    """The same wishes with other rules."""
    return replace(wishes, rules=rules)


def board_names(boards: tuple[Board, ...]) -> str:
    """The boards' ids in a row."""
    return ", ".join(b.id for b in boards)
