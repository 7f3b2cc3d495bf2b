"""What one layout gains and gives up against another, in a maker's words."""

from __future__ import annotations

from grainmatch.model import Layout

TERM_WORDS = {
    "tone_match": "colour runs through better at the seams",
    "line_flow": "grain lines run on better across the seams",
    "even_tone": "light and dark are spread more evenly",
    "hide_sapwood": "less sapwood shows",
    "knots": "knots lie farther from seams and ends",
    "keep_out": "less shows of what was to be kept out",
    "arches": "the arches agree better",
    "stay_flat": "it stays flatter over the year",
    "planing": "more neighbours can be planed the same way",
    "cuts": "like cuts lie side by side more often",
    "waste": "less wood is cut off",
    "narrow": "fewer narrow strips",
}
_WORTH_SAYING = 0.015
"""Share of the total below which a difference is not worth a sentence."""


def compare_layouts(first: Layout, other: Layout) -> list[str]:
    """What `other` gains and gives up against `first`, the largest difference first."""
    names = sorted(set(first.score.terms) | set(other.score.terms))
    change = {n: other.score.terms.get(n, 0.0) - first.score.terms.get(n, 0.0) for n in names}
    telling = _WORTH_SAYING * max(abs(first.score.total), 1e-9)
    lines = []
    for name in sorted(names, key=lambda n: -abs(change[n])):
        words = TERM_WORDS.get(name, name.replace("_", " ") + " is better")
        if change[name] < -telling:
            lines.append(f"Better than the first: {words} ({change[name]:+.2f}).")
        elif change[name] > telling:
            lines.append(f"The first is better: {words} ({change[name]:+.2f}).")
    mine, its = {p.board_id for p in first.placements}, {p.board_id for p in other.placements}
    if its - mine:
        came, went = ", ".join(sorted(its - mine)), ", ".join(sorted(mine - its))
        noun = "board" if len(its - mine) == 1 else "boards"
        lines.append(f"Uses {noun} {came} instead of {went}." if went else f"Uses {noun} {came} as well.")
    if not lines:
        lines.append(f"About as good in every way ({other.score.total - first.score.total:+.2f} in all).")
    return lines
