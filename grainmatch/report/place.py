"""How placed boards are measured and named on paper."""

from __future__ import annotations

import re
from collections.abc import Mapping

from grainmatch.model import Features, Side
from grainmatch.panel import Box, PlacedBoard
from grainmatch.units import MM_PER_INCH, LengthUnits, format_length

FaceFeatures = Mapping[tuple[str, Side], Features]
"""What was read from each face, by board id and side."""

SAME_MM = 0.25
"""Less taper than this cannot be set on a saw."""
LEAST_SHOWN_MM: dict[LengthUnits, float] = {"mm": 0.5, "in": MM_PER_INCH / 32}
"""Half the step a length is written in, a millimetre or a sixteenth: less would read as 0."""
LEAST_RIP_MM = 0.1
"""Less than this comes off when the edge is jointed."""


def rip_at_ends(item: PlacedBoard) -> tuple[tuple[float, float], tuple[float, float]]:
    """What the saw takes off at the left and right end as the board lies: upper edge, lower edge.

    A tapered board loses half its taper on either edge, so that the lines stay along the strip.
    """
    board = item.board
    ends = board.start_width_mm, board.end_width_mm
    if item.placement.pose.turned:
        ends = ends[::-1]
    taper = tuple((end - board.width_mm) / 2 for end in ends)
    upper, lower = ((taper[0] + rip, taper[1] + rip) for rip in item.placement.rip_mm)
    return upper, lower


def rip_words(ends_mm: tuple[float, float], units: LengthUnits) -> str:
    """What a saw takes off one edge: one length, or `left / right` when they differ noticeably."""
    left, right = ends_mm
    if max(left, right) < (LEAST_RIP_MM if units == "mm" else LEAST_SHOWN_MM["in"]):
        return "nothing"
    if abs(left - right) < SAME_MM:
        return format_length((left + right) / 2, units)
    return f"{format_length(left, units)} / {format_length(right, units)}"


def size_words(box: Box, units: LengthUnits) -> str:
    """`1700 x 850 mm`, or inches with fractions."""
    if units == "mm":
        return f"{box.length_mm:.0f} x {box.width_mm:.0f} mm"
    return f"{format_length(box.length_mm, units)} x {format_length(box.width_mm, units)}"


def slide_words(slide_mm: float, units: LengthUnits) -> str:
    """`12 mm right`, or `none` for less than can be shown."""
    if abs(slide_mm) <= LEAST_SHOWN_MM[units]:
        return "none"
    return f"{format_length(abs(slide_mm), units, decimals=0)} {'right' if slide_mm > 0 else 'left'}"


def name_width(name: str) -> float:
    """About how wide a name comes out in bold letters 1 mm high, in mm; seldom less than it does.

    Helvetica Bold's digits and small letters take up to 0.61 em, its capitals up to 0.78, the widest signs
    0.98 (Adobe's font metrics, from memory). To measure needs a PDF library that pictures do without.
    """
    return sum(0.98 if c in "mwMW@%" else 0.78 if c.isupper() else 0.62 for c in name)


def board_name(board_id: str) -> str:
    """What to call a board on paper: its id without a leading word `board`."""
    return re.sub(r"^board[ _-]*", "", board_id, flags=re.IGNORECASE) or board_id
