"""The page to pin up: the top to scale with everything the hands need, the order and the score."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from grainmatch.face.planing import planing_direction
from grainmatch.model import Features, Layout, Side
from grainmatch.report.canvas import WHITE, Drawing, Point
from grainmatch.report.page import (
    MARGIN_MM,
    Column,
    Paper,
    Stamp,
    bullets,
    new_page,
    paragraph,
    table,
)
from grainmatch.report.place import Box, PlacedBoard, PlacedTop, board_name
from grainmatch.report.score_words import describe_proof, describe_score
from grainmatch.report.top import draw_notes, draw_wood
from grainmatch.units import LengthUnits, format_length

FaceFeatures = Mapping[tuple[str, Side], Features]
_PICTURE_PX_PER_MM = 8.0
"""About 200 dots an inch on paper."""
_DARK = (50, 34, 26)


def draw_pinup(
    layout: Layout,
    placed: PlacedTop,
    stamp: Stamp,
    *,
    paper: Paper,
    units: LengthUnits,
    features: FaceFeatures,
) -> Drawing:
    """The landscape page with the picture; the order table is on it when it fits."""
    page = new_page(
        paper, stamp, f"The top: {len(placed.boards)} boards, {size_words(placed.cut, units)}", landscape=True
    )
    inner = page.width_mm - 2 * MARGIN_MM
    rows = order_rows(placed, layout.score.seams, units)
    table_mm = 5.2 * (len(rows) + 1)
    on_page = table_mm <= 62
    side_mm = 62.0
    room = page.height_mm - 2 * MARGIN_MM - 14 - (table_mm + 4 if on_page else 4)
    scale = min((inner - side_mm - 6) / placed.panel.length_mm, room / placed.panel.width_mm)
    corner = MARGIN_MM, MARGIN_MM + 10.0
    _picture(page, corner, placed, scale, features)
    y_below = corner[1] + scale * placed.panel.width_mm
    page.text((corner[0], y_below + 3.2), f"Scale 1 : {1 / scale:.1f}. {_edge_words(placed)}", 2.8)
    x_side = page.width_mm - MARGIN_MM - side_mm
    y = paragraph(page, (x_side, corner[1]), side_mm, "How to read it", bold=True)
    y = bullets(page, (x_side, y), side_mm, _legend(placed), size_mm=3.0)
    y = paragraph(page, (x_side, y + 2), side_mm, "The score", bold=True)
    bullets(page, (x_side, y), side_mm, [*describe_score(layout.score), describe_proof(layout)], size_mm=3.0)
    if on_page:
        table(page, (MARGIN_MM, page.height_mm - MARGIN_MM - 1 - table_mm), order_columns(inner), rows)
    return page


def order_columns(width_mm: float) -> list[Column]:
    """The order table's columns, spread over a width."""
    shares = [
        ("Place", 8), ("Board", 10), ("Face up", 10), ("Turned", 13), ("Length", 17),
        ("Width after ripping", 23), ("Rip upper edge", 19), ("Rip lower edge", 19), ("Slide", 24),
        ("Seam below scores", 20),
    ]  # fmt: skip
    whole = sum(w for _, w in shares)
    return [Column(heading, width_mm * w / whole) for heading, w in shares]


def order_rows(placed: PlacedTop, seams: Sequence[float], units: LengthUnits) -> list[list[str]]:
    """One row a board, from the upper edge down; seams holds one cost a glue line."""
    return [
        [
            str(item.place),
            board_name(item.board.id),
            item.placement.pose.side_up,
            "end for end" if item.placement.pose.turned else "no",
            format_length(item.board.length_mm, units, decimals=0),
            format_length(item.box.width_mm, units),
            format_length(item.placement.rip_mm[0], units),
            format_length(item.placement.rip_mm[1], units),
            slide_words(item.placement.pose.slide_mm, units),
            f"{seams[item.place - 1]:.2f}" if item.place <= len(seams) else "",
        ]
        for item in placed.boards
    ]


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


def _picture(page: Drawing, corner: Point, placed: PlacedTop, scale: float, features: FaceFeatures) -> None:
    panel = placed.panel
    wood = draw_wood(placed, panel, px_per_mm=_PICTURE_PX_PER_MM * scale)
    page.image(corner, (scale * panel.length_mm, scale * panel.width_mm), wood)
    notes = draw_notes(placed, panel, line_mm=0.2 / scale)
    draw_triangle(notes, placed, line_mm=0.6 / scale)
    for item in placed.boards:
        _planing_arrow(notes, item, placed, planing_of(item, features), line_mm=0.5 / scale)
    page.add(notes, corner, scale)


def triangle_corners(placed: PlacedTop) -> tuple[Point, Point, Point]:
    """The chalk triangle in panel millimetres: tip near the upper edge, base near the lower one."""
    cut = placed.cut
    x = cut.left_mm + 0.62 * cut.length_mm
    top, bottom = cut.top_mm + 0.04 * cut.width_mm, cut.bottom_mm - 0.04 * cut.width_mm
    half = min(0.55 * (bottom - top), 0.22 * cut.length_mm)
    return (x, top), (x + half, bottom), (x - half, bottom)


def draw_triangle(notes: Drawing, placed: PlacedTop, *, line_mm: float) -> None:
    """One triangle over all the boards: out of order or turned, its strokes no longer meet."""
    corners = triangle_corners(placed)
    notes.polygon(corners, width_mm=1.8 * line_mm, colour=_DARK, layer="triangle")
    notes.polygon(corners, width_mm=line_mm, colour=WHITE, layer="triangle")


def planing_of(item: PlacedBoard, features: FaceFeatures) -> int:
    """Way to plane the face that is up as it lies in the top: +1 right, -1 left, 0 not known."""
    pose = item.placement.pose
    found = features.get((item.board.id, pose.side_up))
    if found is None:
        return 0
    bark = item.board.bark_side
    if bark is None and item.board.end_grain is not None:
        bark = item.board.end_grain.bark_side
    bark_up = found.bark_side_up if bark is None else bark == pose.side_up
    direction, _ = planing_direction(found, bark_up)
    return -direction if pose.turned else int(direction)


def _planing_arrow(
    notes: Drawing, item: PlacedBoard, placed: PlacedTop, direction: int, *, line_mm: float
) -> None:
    if direction == 0:
        return
    length = min(0.06 * placed.cut.length_mm, 1.2 * item.box.width_mm)
    x = placed.cut.right_mm - 0.9 * length
    y = (item.box.top_mm + item.box.bottom_mm) / 2
    ends = [(x - direction * length / 2, y), (x + direction * length / 2, y)]
    notes.rect(
        (x - 0.62 * length, y - 3.2 * line_mm), (1.24 * length, 6.4 * line_mm), colour=None, fill=WHITE
    )
    notes.arrow(ends, head_mm=5 * line_mm, width_mm=line_mm, layer="planing")


def _edge_words(placed: PlacedTop) -> str:
    first, last = placed.boards[0], placed.boards[-1]
    return (
        f"Upper edge: board {board_name(first.board.id)}. Lower edge: board {board_name(last.board.id)}. "
        "Dashed: where the top is cut to size."
    )


def _legend(placed: PlacedTop) -> list[str]:
    lines = [
        "Big number: the board. Small letter: the face that is up, A the show face, B the back.",
        "Round arrow: the board is turned end for end from how it lay in its photo.",
        "Chalk this triangle across the boards, tip to the upper edge. "
        "If its strokes meet, the boards are in order and the right way round.",
        "Straight arrow at the right: the way to push the plane or feed the planer over this face.",
    ]
    if any(item.face is None for item in placed.boards):
        lines.append("Hatched: that face was not photographed; look at it before you glue.")
    return lines
