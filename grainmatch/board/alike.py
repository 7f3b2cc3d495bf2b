"""Boards of the bench's own colour: their ends tell that they are there, and nothing else does surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from grainmatch.board.backdrop import Backdrop
from grainmatch.board.doubts import MAY_BE_MORE
from grainmatch.board.endlines import find_end_lines, map_ends
from grainmatch.board.outline import BoardOutline
from grainmatch.model import Bench

LEAST_YELLOW = (0.25, 0.45)
"""Log R/G and G/B from which a bench may be of wood: grey things in a yellow lamp's light reach 0.22 and
0.37, drawn wooden benches in white light 0.36 and 0.65. Only along wood does grain that stops tell ends."""
LEAST_LENGTH_MM = 120.0


def doubt_alike(
    bench: Bench, backdrop: Backdrop, outlines: Sequence[BoardOutline]
) -> tuple[BoardOutline, ...]:
    """The outlines of one photo, the first with a note where ends that face each other, on a bench that may
    be of wood, belong to no outline.

    Where such a board's long edges run can seldom be told: a streak of the bench looks just like one.
    """
    if not outlines or not (backdrop.surface[0, 1:] > LEAST_YELLOW).all():
        return tuple(outlines)
    lines = find_end_lines(map_ends(bench, backdrop, outlines), outlines)
    facing = any(
        right.middle_u - left.middle_u >= LEAST_LENGTH_MM and left.shares_most(right)
        for left in lines
        for right in lines
    )
    if not facing:
        return tuple(outlines)
    return replace(outlines[0], notes=(*outlines[0].notes, MAY_BE_MORE)), *outlines[1:]
