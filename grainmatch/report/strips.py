"""True-size strips of every seam, to lay along the boards' edges.

Each seam is printed at full size from the left end of the panel to the right, in tiles that overlap;
a ruler runs along it and every page carries a line of 100 mm to measure.
"""

from __future__ import annotations

import math

from grainmatch.panel import Box, PlacedBoard, PlacedTop
from grainmatch.report.canvas import GREY, WHITE, Drawing, Point
from grainmatch.report.page import MARGIN_MM, Paper, Stamp, check_line, new_page
from grainmatch.report.place import board_name
from grainmatch.report.top import draw_wood
from grainmatch.units import MM_PER_INCH, LengthUnits

OVERLAP_MM = 10.0
HALF_MM = 35.0
_PX_PER_MM = 3.0
_ROW_MM = 2 * HALF_MM + 13.0
_ROWS = 2


def draw_strips(placed: PlacedTop, stamp: Stamp, *, paper: Paper, units: LengthUnits) -> list[Drawing]:
    """Landscape pages at full size, two tiles each, seam after seam from the upper edge; none for no seam."""
    pages: list[Drawing] = []
    width_mm = new_page(paper, stamp, "", landscape=True).width_mm - 2 * MARGIN_MM
    tiles = [
        (seam, left, part, parts)
        for seam in range(1, len(placed.boards))
        for part, parts, left in tile_starts(placed.panel.length_mm, width_mm)
    ]
    for first in range(0, len(tiles), _ROWS):
        page = new_page(paper, stamp, "Seam strips at full size: print at 100 %", landscape=True)
        for row, (seam, left, part, parts) in enumerate(tiles[first : first + _ROWS]):
            corner = MARGIN_MM, MARGIN_MM + 10.0 + row * _ROW_MM
            tile = Box(left, 0.0, min(left + width_mm, placed.panel.right_mm), 0.0)
            follows = "; the next part begins at the dashed line" if part < parts else ""
            _tile(page, corner, placed, seam, tile, f"Part {part} of {parts}{follows}.", units)
        check_line(page, (page.width_mm / 2 - 50.0, page.height_mm - MARGIN_MM + 1.5))
        pages.append(page)
    return pages


def tile_starts(length_mm: float, tile_mm: float) -> list[tuple[int, int, float]]:
    """(part, parts, left) of tiles that cover a length, each sharing OVERLAP_MM with the next."""
    step = tile_mm - OVERLAP_MM
    parts = max(1, math.ceil((length_mm - OVERLAP_MM) / step))
    return [(k + 1, parts, k * step) for k in range(parts)]


def _tile(
    page: Drawing, corner: Point, placed: PlacedTop, seam: int, tile: Box, part: str, units: LengthUnits
) -> None:
    above, below = placed.boards[seam - 1], placed.boards[seam]
    up, down = min(HALF_MM, above.box.width_mm), min(HALF_MM, below.box.width_mm)
    y_seam = above.box.bottom_mm
    view = Box(tile.left_mm, y_seam - up, tile.right_mm, y_seam + down)
    x, y = corner[0], corner[1] + 4.0
    page.text((x + 1.5, corner[1] + 1.0), _tile_words(above, below, seam, part, units), 2.8)
    wood = draw_wood(placed, view, px_per_mm=_PX_PER_MM)
    # The size of whole pixels, not of the view: rounding must not stretch what is printed at full size.
    page.image((x, y), (wood.shape[1] / _PX_PER_MM, wood.shape[0] / _PX_PER_MM), wood)
    page.line([(x, y + up), (x + view.length_mm, y + up)], width_mm=0.15, colour=WHITE, layer="seam")
    _ruler(page, (x, y + view.width_mm), view, 10.0 if units == "mm" else MM_PER_INCH / 2)
    _corner_marks(page, (x, y), view)
    if view.right_mm < placed.panel.right_mm:
        lap = x + view.length_mm - OVERLAP_MM
        page.line([(lap, y), (lap, y + view.width_mm)], width_mm=0.2, colour=GREY, dash_mm=1.5, layer="lap")


def _tile_words(above: PlacedBoard, below: PlacedBoard, seam: int, part: str, units: LengthUnits) -> str:
    figures = "centimetres" if units == "mm" else "inches"
    return (
        f"Seam {seam}: board {board_name(above.board.id)} above, board {board_name(below.board.id)} below. "
        f"{part} Figures: {figures} from the left end of the panel."
    )


def _corner_marks(page: Drawing, at: Point, view: Box) -> None:
    for x in (at[0], at[0] + view.length_mm):
        for y in (at[1], at[1] + view.width_mm):
            page.line([(x - 3, y), (x + 3, y)], width_mm=0.15, layer="corner")
            page.line([(x, y - 3), (x, y + 3)], width_mm=0.15, layer="corner")


def _ruler(page: Drawing, at: Point, view: Box, step_mm: float) -> None:
    """A tick every step, a figure at every fifth centimetre or every inch."""
    figure_every = 5 if step_mm == 10.0 else 2
    for k in range(math.ceil(view.left_mm / step_mm), math.floor(view.right_mm / step_mm) + 1):
        x = at[0] + step_mm * k - view.left_mm
        numbered = k % figure_every == 0
        page.line([(x, at[1]), (x, at[1] + (2.4 if numbered else 1.4))], width_mm=0.15, layer="ruler")
        if numbered:
            figure = k if step_mm == 10.0 else k // 2
            page.text((x, at[1] + 4.0), str(figure), 2.4, align="centre", layer="ruler")
