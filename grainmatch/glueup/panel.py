"""The glued panel before trimming: where each board lies in it.

Panel frame: x to the right from the leftmost board end, y down from the upper edge, in mm. A board is
ripped parallel, as wide as its narrower end less what the layout takes off either edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Layout, Placement

Box = tuple[float, float, float, float]
"""left, top, right, bottom"""


@dataclass(frozen=True, eq=False)
class PanelBoard:
    """One board in the panel."""

    board: Board
    placement: Placement
    left_mm: float
    top_mm: float
    width_mm: float

    @property
    def right_mm(self) -> float:
        """Where its right end lies."""
        return self.left_mm + self.board.length_mm

    @property
    def bottom_mm(self) -> float:
        """Where its lower edge lies."""
        return self.top_mm + self.width_mm


@dataclass(frozen=True, eq=False)
class Panel:
    """Boards top to bottom; cut_mm is the finished top, or the largest one all boards reach."""

    boards: tuple[PanelBoard, ...]
    cut_mm: Box
    middle_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Length and width over all."""
        return max(b.right_mm for b in self.boards), self.boards[-1].bottom_mm


def place_panel(layout: Layout, boards: Sequence[Board], top_mm: tuple[float, float] | None = None) -> Panel:
    """Lay the boards edge to edge; the cut is centred. top_mm: length and width, None for the layout's own.

    Raises LayoutError when a board is missing or ripped to nothing.
    """
    by_id = {b.id: b for b in boards}
    missing = [p.board_id for p in layout.placements if p.board_id not in by_id]
    if missing or not layout.placements:
        raise LayoutError(
            f"Board {missing[0]} of the layout is missing." if missing else "The layout holds no boards.",
            "Use the boards the layout was made from.",
        )
    pairs = [(p, by_id[p.board_id]) for p in layout.placements]
    shift = min(p.pose.slide_mm - b.length_mm / 2 for p, b in pairs)
    placed: list[PanelBoard] = []
    top = 0.0
    for placement, board in pairs:
        width = board.width_mm - sum(placement.rip_mm)
        if width <= 0:
            raise LayoutError(
                f"Nothing is left of board {board.id} after ripping.", "Take less off its edges."
            )
        placed.append(
            PanelBoard(board, placement, placement.pose.slide_mm - board.length_mm / 2 - shift, top, width)
        )
        top += width
    return Panel(tuple(placed), _cut(placed, top_mm or layout.top_mm, -shift), -shift)


def _cut(placed: Sequence[PanelBoard], top_mm: tuple[float, float] | None, middle_mm: float) -> Box:
    length, width = max(b.right_mm for b in placed), placed[-1].bottom_mm
    if top_mm is None:
        left, right = max(b.left_mm for b in placed), min(b.right_mm for b in placed)
        return (left, 0.0, right, width) if right > left else (0.0, 0.0, length, width)
    upper = max(0.0, (width - top_mm[1]) / 2)
    left, right = middle_mm - top_mm[0] / 2, middle_mm + top_mm[0] / 2
    return max(left, 0.0), upper, min(right, length), width - upper
