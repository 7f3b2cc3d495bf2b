"""Where every board of a layout lies in the glued top, in millimetres.

The panel is the boards glued edge to edge before it is trimmed; its frame has x to the right from
the leftmost board end and y down from the upper edge. Every board is ripped parallel: a strip as
wide as its narrower end, centred on the line halfway between its edges, less what the layout rips
off either edge.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Face, Features, Layout, Placement, Side
from grainmatch.units import LengthUnits, format_length

FaceFeatures = Mapping[tuple[str, Side], Features]
"""What was read from each face, by board id and side."""

_SAME_MM = 0.25
"""Less taper than this cannot be set on a saw."""
LEAST_RIP_MM = 0.1
"""Less than this comes off when the edge is jointed."""


@dataclass(frozen=True)
class Box:
    """An upright rectangle in panel millimetres."""

    left_mm: float
    top_mm: float
    right_mm: float
    bottom_mm: float

    @property
    def width_mm(self) -> float:
        """Its extent across the boards."""
        return self.bottom_mm - self.top_mm

    @property
    def length_mm(self) -> float:
        """Its extent along the boards."""
        return self.right_mm - self.left_mm


@dataclass(frozen=True, eq=False)
class PlacedBoard:
    """One board in the panel. place counts from 1 at the upper edge; face is None when the side
    that is up was never photographed."""

    board: Board
    placement: Placement
    place: int
    box: Box

    @property
    def face(self) -> Face | None:
        """The face that is up."""
        return self.board.face(self.placement.pose.side_up)


@dataclass(frozen=True, eq=False)
class PlacedTop:
    """The panel, its boards, and the box it is cut to."""

    boards: tuple[PlacedBoard, ...]
    panel: Box
    cut: Box


def place_top(layout: Layout, boards: Iterable[Board], *, cut: Box | None = None) -> PlacedTop:
    """Lay the boards of a layout edge to edge.

    The cut is the size the layout asks for, centred on the panel and no larger than it, or the
    largest rectangle that every board reaches when no size was asked; `cut` overrides both.
    Raises LayoutError when a board of the layout is missing or is ripped to nothing.
    """
    by_id = {b.id: b for b in boards}
    missing = [p.board_id for p in layout.placements if p.board_id not in by_id]
    if missing:
        raise LayoutError(
            f"The layout uses board {missing[0]}, which is not among these boards.",
            "Use the folder of boards the layout was made from.",
        )
    if not layout.placements:
        raise LayoutError("The layout holds no boards.", "Arrange the boards again.")
    first = [by_id[p.board_id] for p in layout.placements]
    shift = min(p.pose.slide_mm - b.length_mm / 2 for p, b in zip(layout.placements, first, strict=True))
    placed: list[PlacedBoard] = []
    y = 0.0
    for k, (placement, board) in enumerate(zip(layout.placements, first, strict=True), start=1):
        width = finished_width_mm(board, placement)
        left = placement.pose.slide_mm - board.length_mm / 2 - shift
        placed.append(PlacedBoard(board, placement, k, Box(left, y, left + board.length_mm, y + width)))
        y += width
    panel = Box(0.0, 0.0, max(p.box.right_mm for p in placed), y)
    return PlacedTop(tuple(placed), panel, cut or _cut_box(layout, placed, panel, middle_mm=-shift))


def finished_width_mm(board: Board, placement: Placement) -> float:
    """Width of a board once ripped. Raises LayoutError when nothing is left."""
    width = board.width_mm - sum(placement.rip_mm)
    if not width > 0:
        raise LayoutError(
            f"Board {board.id} is ripped to nothing.", "Take less off its edges or arrange the boards again."
        )
    return width


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
    if max(left, right) < LEAST_RIP_MM:
        return "nothing"
    if abs(left - right) < _SAME_MM:
        return format_length((left + right) / 2, units)
    return f"{format_length(left, units)} / {format_length(right, units)}"


def size_words(box: Box, units: LengthUnits) -> str:
    """`1700 x 850 mm`, or inches with fractions."""
    if units == "mm":
        return f"{box.length_mm:.0f} x {box.width_mm:.0f} mm"
    return f"{format_length(box.length_mm, units)} x {format_length(box.width_mm, units)}"


def slide_words(slide_mm: float, units: LengthUnits) -> str:
    """`12 mm right`, or `none` below half a millimetre."""
    if abs(slide_mm) < 0.5:
        return "none"
    return f"{format_length(abs(slide_mm), units, decimals=0)} {'right' if slide_mm > 0 else 'left'}"


def _cut_box(layout: Layout, placed: list[PlacedBoard], panel: Box, *, middle_mm: float) -> Box:
    if layout.top_mm is None:
        left, right = max(p.box.left_mm for p in placed), min(p.box.right_mm for p in placed)
        return Box(left, 0.0, right, panel.bottom_mm) if right > left else panel
    length, width = layout.top_mm
    top = max(0.0, (panel.width_mm - width) / 2)
    left, right = middle_mm - length / 2, middle_mm + length / 2
    return Box(max(left, 0.0), top, min(right, panel.right_mm), panel.bottom_mm - top)


def strip_axis(face: Face) -> tuple[float, float, float]:
    """The line halfway between a face's long edges: (x_mm, y_mm) at the board's middle, slope.

    The straight line fitted to the midpoints of both edges, in face millimetres.
    """
    upper, lower = face.upper_edge_mm, face.lower_edge_mm
    left, right = max(upper[0, 0], lower[0, 0]), min(upper[-1, 0], lower[-1, 0])
    x = np.linspace(left, right, 33)
    middle = (np.interp(x, upper[:, 0], upper[:, 1]) + np.interp(x, lower[:, 0], lower[:, 1])) / 2
    slope, level = np.polyfit(x - x.mean(), middle, 1)
    return float(x.mean()), float(level), float(slope)


def board_name(board_id: str) -> str:
    """What to call a board on paper: its id without a leading word `board`."""
    return re.sub(r"^board[ _-]*", "", board_id, flags=re.IGNORECASE) or board_id
