"""What each of several layouts gains and gives up against the others, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from grainmatch.model import Layout
from grainmatch.report.score_words import describe_term

_CLEAR_SHARE = 0.08  # of the lowest total: a smaller difference is not worth a sentence


def compare_words(layouts: Sequence[Layout]) -> list[list[str]]:
    """For each layout: how its score compares, then what it has least and most of among them."""
    if not layouts:
        return []
    lowest = min(layout.score.total for layout in layouts)
    return [_words(layout, [x for x in layouts if x is not layout], lowest) for layout in layouts]


def _words(layout: Layout, others: Sequence[Layout], lowest: float) -> list[str]:
    total = layout.score.total
    more = 100 * (total - lowest) / lowest if lowest > 0 else 0.0
    lines = ["Best score of these." if more < 0.05 else f"Scores {more:.0f} % above the best of these."]
    clear = _CLEAR_SHARE * max(lowest, 1e-9)
    for name, value in layout.score.terms.items():
        rest = [x.score.terms.get(name, 0.0) for x in others]
        if not rest:
            continue
        if value < min(rest) - clear:
            lines.append(f"Gains: fewest {describe_term(name)}.")
        elif value > max(rest) + clear:
            lines.append(f"Gives up: most {describe_term(name)}.")
    if len(lines) == 1 and others:
        lines.append("Close to the others in everything; the picture decides.")
    return lines
