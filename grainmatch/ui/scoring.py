"""Score the arrangement in work, look at its seams, and finish the rest round locked boards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from grainmatch import pipeline
from grainmatch.model import Features, Layout, Rule, Side
from grainmatch.store import Job
from grainmatch.ui.arrangement import Arrangement
from grainmatch.ui.proposing import asked_size, read_wishes, with_rules
from grainmatch.ui.stock import Stock
from grainmatch.ui.top_view import SeamLook

FaceFeatures = Mapping[tuple[str, Side], Features]


def score_now(job: Job, stock: Stock, features: FaceFeatures, arrangement: Arrangement) -> Layout:
    """The arrangement as a scored layout."""
    return pipeline.score_arrangement(
        arrangement.placements,
        list(stock.boards),
        top_mm=asked_size(job),
        wishes=read_wishes(job),
        features=features,
    )


def look_at_seams(job: Job, stock: Stock, features: FaceFeatures, scored: Layout) -> list[SeamLook]:
    """How each seam is to be shown."""
    costs = scored.score.seams
    return [SeamLook("good" if c < 0.4 else "fair" if c < 0.8 else "poor", f"cost {c:.2f}") for c in costs]


def finish_rest(job: Job, stock: Stock, features: FaceFeatures, arrangement: Arrangement) -> Arrangement:
    """Arrange the unlocked boards anew; the locked ones keep their place, side and direction.

    Raises LayoutError when no arrangement allows that.
    """
    wishes = read_wishes(job)
    wishes = with_rules(wishes, wishes.rules + locked_rules(arrangement))
    found = pipeline.arrange(
        list(stock.free), top_mm=asked_size(job), wishes=wishes, n_best=1, features=features
    )
    kept = {p.board_id: p for p in arrangement.placements if p.board_id in arrangement.locked}
    placements = tuple(kept.get(p.board_id, p) for p in found[0].placements)
    return Arrangement(placements, arrangement.locked)


def locked_rules(arrangement: Arrangement) -> tuple[Rule, ...]:
    """Hard rules that hold every locked board where and how it lies."""
    rules: list[Rule] = []
    for place, placement in enumerate(arrangement.placements):
        if placement.board_id in arrangement.locked:
            board, other = (placement.board_id,), "B" if placement.pose.side_up == "A" else "A"
            rules += [
                Rule("place", board, place=place),
                Rule("never_side", board, side="B" if other == "B" else "A"),
                Rule("end_left", board, turned=placement.pose.turned),
            ]
    return tuple(rules)


def poor_seams(looks: Sequence[SeamLook]) -> int:
    """How many seams do not match well."""
    return sum(look.grade == "poor" for look in looks)
