"""What may be wrong with outlines though nothing in the photo says it: told, never acted on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from grainmatch.board.outline import BoardOutline

MAY_BE_TWO = "may be two boards"
BY_HAND = "by hand"
WIDER_FRAC = 1.7
WIDE_MM = 200.0
"""Two boards of a pile together are about twice as wide as the others; single ones over 200 mm are uncommon
(common practice, no source)."""
DOUBTED = 0.5


def doubt_widths(outlines: Sequence[BoardOutline]) -> tuple[BoardOutline, ...]:
    """The outlines of one photo, with a note and less confidence where a seam may have been missed.

    A seam between boards of one tree that touch can be fainter than growth rings, which are no seam; what
    remains is a board far wider than the others.
    """
    widths = np.array([_width_mm(o) for o in outlines])
    told = []
    for n, outline in enumerate(outlines):
        others = np.delete(widths, n)
        wide = len(others) > 0 and widths[n] > max(WIDE_MM, WIDER_FRAC * float(np.median(others)))
        noted = replace(outline, confidence=DOUBTED, notes=(*outline.notes, MAY_BE_TWO))
        told.append(noted if wide else outline)
    return tuple(told)


def tell_doubts(outlines: Sequence[BoardOutline]) -> tuple[str, ...]:
    """The doubts of one photo's outlines, in reading order, in words; none of boards corrected by hand."""
    return tuple(
        f"Board {n}, {_width_mm(outline):.0f} mm wide, may be two boards that touch; "
        "look at its picture and split it if so."
        for n, outline in enumerate(outlines, 1)
        if MAY_BE_TWO in outline.notes and not any(note.endswith(BY_HAND) for note in outline.notes)
    )


def _width_mm(outline: BoardOutline) -> float:
    """Between the middles of the long edges."""
    return float(np.hypot(*(outline.lower_mm.mean(axis=0) - outline.upper_mm.mean(axis=0))))
