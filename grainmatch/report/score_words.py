"""Scores in the words of a workshop."""

from __future__ import annotations

from grainmatch.model import Layout, Score

TERM_WORDS: dict[str, str] = {
    "tone_match": "colour steps at the seams",
    "line_flow": "grain lines that break at the seams",
    "even_tone": "light and dark boards unevenly spread",
    "hide_sapwood": "sapwood in sight",
    "knots": "knots and marks in sight",
    "keep_out": "areas in sight that were to be kept out of the top",
    "arches": "arches that point the wrong way",
    "stay_flat": "cup when the air changes",
    "planing": "boards to be planed against their neighbours",
    "cuts": "plain and quartered wood side by side",
    "narrow": "boards almost too narrow to use",
    "waste": "wood that ends as offcuts",
}
"""What a high value of each term means."""

SEAM_WORDS: dict[str, str] = {
    "line_flow": "grain lines break",
    "tone_match": "colour steps",
    "knots": "a knot or mark at the glue line",
    "planing": "the two plane against each other",
    "cuts": "plain and quartered wood meet",
    "stay_flat": "their cups add up",
    "arches": "arches point apart",
    "hide_sapwood": "sapwood along it",
}
"""What a high share of each term means at one seam."""
_QUIET = 0.6
"""A seam whose look is below this needs no reason."""


def describe_term(name: str) -> str:
    """What a high value of a term means, in words; an unknown term is spelled out."""
    return TERM_WORDS.get(name, name.replace("_", " "))


def describe_score(score: Score) -> list[str]:
    """A few sentences, the largest share of the score first."""
    lines = [f"Score {score.total:.2f}; lower is better."]
    costs = sorted(((v, k) for k, v in score.terms.items() if v > 0), reverse=True)
    whole = sum(v for v, _ in costs)
    lines += [f"{_share(value / whole)} {describe_term(name)} ({value:.2f})." for value, name in costs]
    if len(score.seams) > 1:
        order = sorted(range(len(score.seams)), key=score.seams.__getitem__)
        lines.append(_describe_extremes(score, order[0], order[-1]))
    return lines


def _describe_extremes(score: Score, best: int, worst: int) -> str:
    """The seam that shows least and the one that shows most, counted from the upper edge."""
    least, most = describe_seam(score.seams[best]), describe_seam(score.seams[worst])
    look, reasons = score.seams[worst], score.seam_reasons
    if worst < len(reasons) and look >= _QUIET:
        most += f": {SEAM_WORDS.get(reasons[worst], reasons[worst].replace('_', ' '))}"
    if least == most:
        return f"Every seam: {most}; from the upper edge, seam {worst + 1} shows most."
    return f"From the upper edge, seam {best + 1} shows least ({least}) and seam {worst + 1} most ({most})."


def describe_seam(look: float) -> str:
    """How much a seam shows: 0 is like wood that was never cut, 1 like two boards laid together by chance."""
    for limit, words in ((0.25, "hard to find"), (0.6, "quiet"), (0.9, "visible")):
        if look < limit:
            return words
    return "as if by chance" if look < 1.2 else "stands out"


def describe_proof(layout: Layout) -> str:
    """How sure it is that nothing scores lower."""
    if layout.proven_optimal:
        return "Every other arrangement was ruled out: none scores lower."
    if layout.bound is not None and layout.score.total > 0:
        gap = max(0.0, (layout.score.total - layout.bound) / layout.score.total)
        return f"Best found; another could score at most {100 * gap:.0f} % lower."
    return "Best found; a lower score may exist."


def _share(part: float) -> str:
    if part >= 0.6:
        return "Most of it:"
    if part >= 0.35:
        return "A large part:"
    return "Some:" if part >= 0.1 else "A little:"
