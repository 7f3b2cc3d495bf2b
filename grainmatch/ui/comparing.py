"""What each of several layouts gains and gives up against the first, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from grainmatch.model import Layout


def compare_words(layouts: Sequence[Layout]) -> list[list[str]]:
    """For each layout: how its score compares with the first, then what the search says of it."""
    return [_words(layout, layouts[0], number) for number, layout in enumerate(layouts)]


def _words(layout: Layout, first: Layout, number: int) -> list[str]:
    total, best = layout.score.total, first.score.total
    if number == 0:
        return [f"Best by your wishes: score {total:.2f}, lower is better.", *layout.remarks]
    more = f", {100 * (total - best) / best:.0f} % above the first" if best > 0 else ""
    return [f"Score {total:.2f}{more}.", *layout.remarks]
