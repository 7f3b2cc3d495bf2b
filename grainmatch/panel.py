"""Where every board of a layout lies in the glued panel, in millimetres.

The panel is the boards glued edge to edge before it is trimmed; its frame has x to the right from
the leftmost board end and y down from the upper edge. Every board is ripped parallel: a strip as
wide as its narrower end, centred on the line halfway between its edges, less what the layout rips
off either edge.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from grainmatch.errors import LayoutError
from grainmatch.geometry import Points
from grainmatch.model import Board, Face, Layout, Placement


class Box(NamedTuple):
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
    """The panel, its boards, the box it is cut to, and the x of the layout's middle."""

    boards: tuple[PlacedBoard, ...]
    panel: Box
    cut: Box
    middle_mm: float


def place_top(
    layout: Layout,
    boards: Iterable[Board],
    *,
    top_mm: tuple[float, float] | None = None,
    cut: Box | None = None,
) -> PlacedTop:
    """Lay the boards of a layout edge to edge.

    The cut is the size asked for (top_mm, else the layout's own), centred on the panel and no larger than
    it, or the largest rectangle that every board reaches when no size was asked; `cut` overrides both.
    Raises LayoutError when a board of the layout is missing or is ripped to nothing.
    """
    by_id = {b.id: b for b in boards}
    missing = [p.board_id for p in layout.placements if p.board_id not in by_id]
    if missing:
        raise LayoutError(
            f"The layout uses board {missing[0]}, which is not among these boards.",
            "Use the boards the layout was made from.",
        )
    if not layout.placements:
        raise LayoutError("The layout holds no boards.", "Arrange the boards again.")
    pairs = [(p, by_id[p.board_id]) for p in layout.placements]
    shift = min(p.pose.slide_mm - b.length_mm / 2 for p, b in pairs)
    placed: list[PlacedBoard] = []
    y = 0.0
    for k, (placement, board) in enumerate(pairs, start=1):
        width = finished_width_mm(board, placement)
        left = placement.pose.slide_mm - board.length_mm / 2 - shift
        placed.append(PlacedBoard(board, placement, k, Box(left, y, left + board.length_mm, y + width)))
        y += width
    panel = Box(0.0, 0.0, max(p.box.right_mm for p in placed), y)
    cut = cut or _cut_box(placed, panel, top_mm or layout.top_mm, middle_mm=-shift)
    return PlacedTop(tuple(placed), panel, cut, -shift)


def finished_width_mm(board: Board, placement: Placement) -> float:
    """Width of a board once ripped. Raises LayoutError when nothing is left."""
    width = board.width_mm - sum(placement.rip_mm)
    if not width > 0:
        raise LayoutError(
            f"Board {board.id} is ripped to nothing.", "Take less off its edges or arrange the boards again."
        )
    return width


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


def to_strip(face: Face, points_mm: Points) -> Points:
    """Points (n, 2) of a face as they lie in its strip, in mm: from the board's middle along it, towards the
    right, and from the line halfway between its edges, downward. Turned or flipped boards are not turned."""
    x, y, slope = strip_axis(face)
    along = np.array([1.0, slope]) / np.hypot(1.0, slope)
    off = np.asarray(points_mm, dtype=np.float64) - (x, y)
    return np.column_stack([off @ along, off @ np.array([-along[1], along[0]])])


def _cut_box(
    placed: list[PlacedBoard], panel: Box, top_mm: tuple[float, float] | None, *, middle_mm: float
) -> Box:
    if top_mm is None:
        left, right = max(p.box.left_mm for p in placed), min(p.box.right_mm for p in placed)
        return Box(left, 0.0, right, panel.bottom_mm) if right > left else panel
    length, width = top_mm
    top = max(0.0, (panel.width_mm - width) / 2)
    left, right = middle_mm - length / 2, middle_mm + length / 2
    return Box(max(left, 0.0), top, min(right, panel.right_mm), panel.bottom_mm - top)
