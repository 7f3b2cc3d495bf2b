"""The page to pin up: the top to scale with everything the hands need, the order and the score."""

from __future__ import annotations

from collections.abc import Sequence

from grainmatch.face.planing import planing_direction
from grainmatch.model import Layout
from grainmatch.panel import PlacedBoard, PlacedTop
from grainmatch.report.canvas import WHITE, Drawing, Point
from grainmatch.report.page import (
    MARGIN_MM,
    Column,
    Paper,
    Stamp,
    bullets,
    fit_columns,
    new_page,
    paragraph,
    table,
)
from grainmatch.report.place import FaceFeatures, board_name, rip_at_ends, rip_words, size_words, slide_words
from grainmatch.report.score_words import describe_proof, describe_score, describe_seam
from grainmatch.report.top import draw_notes, draw_wood
from grainmatch.units import LengthUnits, format_length

_PICTURE_PX_PER_MM = 8.0
"""About 200 dots an inch on paper."""
_SIDE_MM = 50.0
ROW_MM = 5.0
_ROWS_BESIDE_PICTURE_N = 10
_ROWS_ON_OWN_PAGE_N = 30
_DARK = (50, 34, 26)


def draw_pinup(
    layout: Layout,
    placed: PlacedTop,
    stamp: Stamp,
    *,
    paper: Paper,
    units: LengthUnits,
    features: FaceFeatures,
) -> list[Drawing]:
    """The landscape page with the picture. The order table stands on it, or on pages after it when there
    are too many boards."""
    boards = f"{len(placed.boards)} boards" if len(placed.boards) > 1 else "1 board"
    title = f"The top: {boards}, {size_words(placed.cut, units)}"
    page = new_page(paper, stamp, title, landscape=True)
    inner = page.width_mm - 2 * MARGIN_MM
    rows = order_rows(placed, layout.score.seams, units)
    table_mm = ROW_MM * (len(rows) + 1) if len(rows) <= _ROWS_BESIDE_PICTURE_N else 0.0
    corner = MARGIN_MM, MARGIN_MM + 10.0
    room = page.height_mm - MARGIN_MM - corner[1] - 7.0 - (table_mm + 3.0 if table_mm else 0.0)
    scale = min((inner - _SIDE_MM - 6) / placed.panel.length_mm, room / placed.panel.width_mm)
    _picture(page, corner, placed, scale, features)
    y_below = corner[1] + scale * placed.panel.width_mm
    page.text((corner[0], y_below + 3.0), f"Scale 1 : {1 / scale:.1f}. {_edge_words(placed)}", 2.8)
    foot = page.height_mm - MARGIN_MM - 3.0 - table_mm
    _side(page, corner[1], foot, layout, placed, features)
    if table_mm:
        at = MARGIN_MM, page.height_mm - MARGIN_MM - 1 - table_mm
        table(page, at, order_columns(inner, rows), rows, row_mm=ROW_MM)
        return [page]
    return [page, *_order_pages(rows, stamp, paper=paper)]


def _side(
    page: Drawing, y: float, foot: float, layout: Layout, placed: PlacedTop, features: FaceFeatures
) -> None:
    """How to read the picture, and the score in words, beside it: as large as fits above `foot`."""
    x, legend = page.width_mm - MARGIN_MM - _SIDE_MM, _legend(placed, features)
    score = [*describe_score(layout.score), describe_proof(layout), *layout.remarks]
    for size in (2.8, 2.6, 2.4, 2.2, 2.0):
        draft = Drawing(page.width_mm, page.height_mm)
        below = paragraph(draft, (x, y), _SIDE_MM, "How to read it", bold=True)
        below = bullets(draft, (x, below), _SIDE_MM, legend, size_mm=size)
        below = paragraph(draft, (x, below + 2), _SIDE_MM, "The score", bold=True)
        below = bullets(draft, (x, below), _SIDE_MM, score, size_mm=size)
        if below <= foot:
            break
    page.add(draft)


def _order_pages(rows: list[list[str]], stamp: Stamp, *, paper: Paper) -> list[Drawing]:
    pages = []
    for first in range(0, len(rows), _ROWS_ON_OWN_PAGE_N):
        page = new_page(paper, stamp, "The order, from the upper edge down", landscape=True)
        columns = order_columns(page.width_mm - 2 * MARGIN_MM, rows)
        table(page, (MARGIN_MM, MARGIN_MM + 10), columns, rows[first : first + _ROWS_ON_OWN_PAGE_N])
        pages.append(page)
    return pages


def order_columns(width_mm: float, rows: Sequence[Sequence[str]]) -> list[Column]:
    """The order table's columns, spread over a width as its rows need it."""
    shares = [
        ("Place", 7), ("Board", 8), ("Face up", 9), ("Turned", 13), ("Length", 13), ("Finished width", 17),
        ("Off upper edge, left / right end", 31), ("Off lower edge, left / right end", 31), ("Slide", 18),
        ("Seam below", 22),
    ]  # fmt: skip
    whole = sum(w for _, w in shares)
    return fit_columns([Column(heading, width_mm * w / whole) for heading, w in shares], rows)


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
            *(rip_words(ends, units) for ends in rip_at_ends(item)),
            slide_words(item.placement.pose.slide_mm, units),
            _seam_words(seams, item.place - 1),
        ]
        for item in placed.boards
    ]


def _seam_words(seams: Sequence[float], seam: int) -> str:
    return f"{seams[seam]:.2f}, {describe_seam(seams[seam])}" if seam < len(seams) else ""


def _picture(page: Drawing, corner: Point, placed: PlacedTop, scale: float, features: FaceFeatures) -> None:
    panel = placed.panel
    wood = draw_wood(placed, panel, px_per_mm=_PICTURE_PX_PER_MM * scale)
    page.image(corner, (scale * panel.length_mm, scale * panel.width_mm), wood)
    notes = draw_notes(placed, panel, line_mm=0.2 / scale, label_share=0.66)
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
    edges = f"Upper edge: board {board_name(first.board.id)}. Lower edge: board {board_name(last.board.id)}."
    return edges if placed.cut == placed.panel else f"{edges} Dashed: where the top is cut to size."


def _legend(placed: PlacedTop, features: FaceFeatures) -> list[str]:
    lines = ["Big number: the board. Letter: the face that is up, A the show face, B the back."]
    if any(item.placement.pose.turned for item in placed.boards):
        lines.append("Round arrow: turned end for end from how it lay in its photo.")
    if any(planing_of(item, features) for item in placed.boards):
        lines.append(
            "Straight arrow: which way to push the plane over this face. The wood has the last word."
        )
    lines.append(
        "Triangle: chalk it across the boards, tip to the upper edge. "
        "Where its strokes meet, order and faces are right."
    )
    if any(item.face is None for item in placed.boards):
        lines.append("Hatched: this face was not photographed. Look at it before you glue.")
    return lines
