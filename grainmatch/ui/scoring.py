"""Score the arrangement in work, look at its seams, and finish the rest round locked boards."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from grainmatch.errors import LayoutError
from grainmatch.model import Layout, Placement, Problem, Rule, Side
from grainmatch.pipeline.hand import HandScorer
from grainmatch.report.score_words import SEAM_WORDS, describe_seam
from grainmatch.search.change import finish_around, suggest_change, with_rules
from grainmatch.store import Job, Shop
from grainmatch.ui.arrangement import Arrangement
from grainmatch.ui.pricing import Memory, job_features, price_job
from grainmatch.ui.proposing import asked_size, read_wishes, usable_rules
from grainmatch.ui.stock import Stock
from grainmatch.ui.top_view import SeamLook

# A seam's look is 0 where the boards look as if never cut apart and 1 where chance laid them together.
_GOOD, _FAIR = 0.6, 0.9
_TELLING = 0.12
_scorers = Memory(6)


def problem_for(shop: Shop, job: Job, stock: Stock, arrangement: Arrangement) -> Problem:
    """Everything priced for a job's boards and wishes.

    An arrangement with boards that are too short for the asked size, or too few for it, is priced without
    that size.
    """
    wishes = read_wishes(job)
    try:
        problem = price_job(shop, job, stock, top_mm=asked_size(job), wishes=wishes)
    except LayoutError:
        problem = None
    if problem is not None and {p.board_id for p in arrangement.placements} <= set(problem.board_ids):
        return problem
    return price_job(shop, job, stock, top_mm=None, wishes=wishes)


def score_now(
    shop: Shop, job: Job, stock: Stock, problem: Problem, arrangement: Arrangement
) -> tuple[Layout, list[SeamLook]]:
    """The arrangement as a scored layout, and how each of its seams is to be shown."""
    wishes = read_wishes(job)
    said = repr(job.details.get("boards"))

    def set_up() -> HandScorer:
        free = Stock(stock.free, stock.used_elsewhere, stock.key)
        return HandScorer(stock.free, job_features(shop, job, free), wishes)

    scorer: HandScorer = _scorers.get((stock.key, stock.used_elsewhere, said, wishes), set_up)
    score, shares = scorer.score(problem, arrangement.placements)
    looks = [_look(look, share) for look, share in zip(score.seams, shares, strict=True)]
    return Layout(arrangement.placements, score, top_mm=asked_size(job)), looks


def _look(look: float, share: Mapping[str, float]) -> SeamLook:
    telling = sorted(((value, name) for name, value in share.items() if value > _TELLING), reverse=True)
    words = ", ".join(SEAM_WORDS.get(name, name.replace("_", " ")) for _, name in telling[:3])
    grade = grade_of(look)
    return SeamLook(grade, words if words and grade != "good" else describe_seam(look))


def grade_of(look: float) -> Literal["good", "fair", "poor"]:
    """Good, fair or poor, from a seam's look."""
    return "good" if look < _GOOD else "fair" if look < _FAIR else "poor"


def finish_rest(shop: Shop, job: Job, stock: Stock, arrangement: Arrangement) -> Arrangement:
    """Arrange the unlocked boards anew; the locked ones keep their place, side and direction.

    Raises LayoutError when no arrangement allows that.
    """
    problem = problem_for(shop, job, stock, arrangement)
    problem = with_rules(problem, usable_rules(read_wishes(job).rules, problem))
    best = finish_around(problem, locked_places(arrangement))
    return _keep_as_they_lie(best, arrangement)


def better_by_one(
    shop: Shop, job: Job, stock: Stock, arrangement: Arrangement
) -> tuple[str, Arrangement] | None:
    """The single change that helps most, in words and done; None when none helps. Locked boards stay."""
    problem = with_rules(problem_for(shop, job, stock, arrangement), locked_rules(arrangement))
    change = suggest_change(problem, arrangement.placements)
    if change is None:
        return None
    words = f"{change.words} The score falls by {change.gain:.2f}."
    return words, _keep_as_they_lie(change.layout, arrangement)


def _keep_as_they_lie(layout: Layout, arrangement: Arrangement) -> Arrangement:
    """The layout, with boards that did not change their face or direction slid and ripped as before."""
    before = {(p.board_id, p.pose.side_up, p.pose.turned): p for p in arrangement.placements}
    placements = tuple(before.get((p.board_id, p.pose.side_up, p.pose.turned), p) for p in layout.placements)
    return Arrangement(placements, arrangement.locked)


def locked_places(arrangement: Arrangement) -> dict[int, Placement]:
    """The locked placements by their index from the top."""
    return {k: p for k, p in enumerate(arrangement.placements) if p.board_id in arrangement.locked}


def locked_rules(arrangement: Arrangement) -> tuple[Rule, ...]:
    """Hard rules that hold every locked board where and how it lies."""
    rules: list[Rule] = []
    for place, placement in locked_places(arrangement).items():
        board = (placement.board_id,)
        hidden: Side = "B" if placement.pose.side_up == "A" else "A"
        rules += [
            Rule("place", board, place=place),
            Rule("never_side", board, side=hidden),
            Rule("end_left", board, turned=placement.pose.turned),
        ]
    return tuple(rules)
