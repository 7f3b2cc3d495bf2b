"""A card for each board, to cut out and tape on: which it is, how it lies, what is sawn off.

The square pattern on a card is a QR code (ISO/IEC 18004) holding the board's place as plain words,
so that any phone reads it without a network.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import segno

from grainmatch.model import Mark, Pose
from grainmatch.panel import PlacedBoard, PlacedTop, to_strip
from grainmatch.report.canvas import GREY, WHITE, Drawing, Point
from grainmatch.report.page import MARGIN_MM, Paper, Stamp, new_page, wrap
from grainmatch.report.pdf import text_width_mm
from grainmatch.report.pinup import planing_of, triangle_corners
from grainmatch.report.place import SAME_MM, FaceFeatures, board_name, rip_at_ends, rip_words, slide_words
from grainmatch.report.top import draw_strip
from grainmatch.units import LengthUnits, format_length

LengthWords = Callable[..., str]
_COLUMNS, _ROWS = 2, 4
_PX_PER_MM = 8.0
_NUMBER_MM = 14.0
_NAME_ROOM_MM = 34.0
"""Longer names are written smaller: `turned end for end` and the layout's number stand beside them."""
_QR_MM = 23.0
_QUIET_MODULES = 4  # ISO/IEC 18004: a light margin four modules wide
_MODULE_PX = 8  # ITU-T T.81: JPEG codes blocks of 8 x 8
_LARGEST_MARKS_N = 4
_AT_END_MM = 20.0


def draw_cards(
    placed: PlacedTop, stamp: Stamp, *, paper: Paper, units: LengthUnits, features: FaceFeatures
) -> list[Drawing]:
    """Pages of eight cards, in the order of the top."""
    pages: list[Drawing] = []
    per_page = _COLUMNS * _ROWS
    for first in range(0, len(placed.boards), per_page):
        page = new_page(paper, stamp, "Cards: tape one on each board")
        width = (page.width_mm - 2 * MARGIN_MM) / _COLUMNS
        height = (page.height_mm - 2 * MARGIN_MM - 8) / _ROWS
        for k, item in enumerate(placed.boards[first : first + per_page]):
            column, row = k % _COLUMNS, k // _COLUMNS
            corner = MARGIN_MM + column * width, MARGIN_MM + 8 + row * height
            page.add(draw_card(placed, item, stamp, (width, height), units=units, features=features), corner)
        pages.append(page)
    return pages


def draw_card(
    placed: PlacedTop,
    item: PlacedBoard,
    stamp: Stamp,
    size_mm: tuple[float, float],
    *,
    units: LengthUnits,
    features: FaceFeatures,
) -> Drawing:
    """One card of that size."""
    width, height = size_mm
    card = Drawing(width, height)
    frame = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height), (0.0, 0.0)]
    card.line(frame, width_mm=0.15, colour=GREY, dash_mm=2.0, layer="cut here")
    pose, pad = item.placement.pose, 3.0
    name = board_name(item.board.id)
    number_mm = min(_NUMBER_MM, _NAME_ROOM_MM / text_width_mm(name, 1.0, bold=True))
    card.text((pad, pad + 6), name, number_mm, bold=True)
    x = pad + text_width_mm(name, number_mm, bold=True) + 2
    card.text((x, pad + 3.5), f"face {pose.side_up} up", 4.2, bold=True)
    if pose.turned:
        card.turn_arrow((x + 2.4, pad + 9.6), 2.0, width_mm=0.5)
    card.text((x + (6.4 if pose.turned else 0), pad + 9.6), _turn_words(pose), 3.2)
    card.text((width - pad, pad + 1.5), stamp.layout_id, 2.7, align="right", colour=GREY)
    day = f"{stamp.made_on:%Y-%m-%d}"
    card.text((width - pad, pad + 5.0), day, 2.7, align="right", colour=GREY)
    _strip(card, placed, item, (pad, 18.5), width - 2 * pad)
    lines = card_lines(placed, item, units=units, features=features)
    qr_corner = width - _QR_MM - 1.0, height - _QR_MM - 1.0
    _fit_lines(card, lines, pad, qr_corner)
    draw_qr(card, qr_corner, _QR_MM, qr_words(placed, item, stamp))
    return card


def _fit_lines(card: Drawing, lines: Sequence[str], pad_mm: float, qr_corner: Point) -> None:
    """Write the lines around the code, as large as leaves room for all of them."""
    for size in (2.7, 2.5, 2.3, 2.1, 1.9):
        places: list[tuple[float, str]] = []
        y = 32.0
        for line in lines:
            beside = y + 2 * size > qr_corner[1]
            right = qr_corner[0] if beside else card.width_mm - pad_mm
            for part in wrap(line, right - pad_mm, size):
                places.append((y, part))
                y += 1.28 * size
        if y - size < card.height_mm - 1.0:
            break
    for y, part in places:
        card.text((pad_mm, y), part, size)


def _turn_words(pose: Pose) -> str:
    return "turned end for end" if pose.turned else "not turned"


def _strip(card: Drawing, placed: PlacedTop, item: PlacedBoard, at: Point, width_mm: float) -> None:
    """The ripped board as it lies, with its part of the chalk triangle."""
    box = item.box
    scale = min(width_mm / box.length_mm, 9.0 / box.width_mm)
    drawn = scale * box.length_mm, scale * box.width_mm
    px_per_mm = _PX_PER_MM * scale
    shape = max(1, round(box.width_mm * px_per_mm)), max(1, round(box.length_mm * px_per_mm))
    rgb, inside = draw_strip(item, shape, px_per_mm=px_per_mm)
    card.image(at, drawn, np.where(inside[..., None], rgb, np.uint8(255)))
    card.rect(at, drawn, width_mm=0.2)
    for start, end in _triangle_strokes(placed, item):
        stroke = [
            (at[0] + scale * (p[0] - box.left_mm), at[1] + scale * (p[1] - box.top_mm)) for p in (start, end)
        ]
        card.line(stroke, width_mm=1.0, colour=(40, 28, 20), layer="triangle")
        card.line(stroke, width_mm=0.55, colour=WHITE, layer="triangle")
    y = at[1] + drawn[1] + 1.8
    card.text((at[0], y), "left end", 2.2, colour=GREY)
    card.text((at[0] + drawn[0], y), "right end", 2.2, align="right", colour=GREY)
    card.text((at[0] + drawn[0] / 2, at[1] - 1.5), "upper edge", 2.2, align="centre", colour=GREY)


def _triangle_strokes(placed: PlacedTop, item: PlacedBoard) -> list[tuple[Point, Point]]:
    """The triangle's strokes within one board, in panel millimetres."""
    corners = triangle_corners(placed)
    strokes: list[tuple[Point, Point]] = []
    for (x0, y0), (x1, y1) in zip(corners, (*corners[1:], corners[0]), strict=True):
        low, high = 0.0, 1.0
        if abs(y1 - y0) < 1e-9:
            if not item.box.top_mm <= y0 <= item.box.bottom_mm:
                continue
        else:
            cuts = sorted(((item.box.top_mm - y0) / (y1 - y0), (item.box.bottom_mm - y0) / (y1 - y0)))
            low, high = max(low, cuts[0]), min(high, cuts[1])
            if high <= low:
                continue
        strokes.append(
            ((x0 + low * (x1 - x0), y0 + low * (y1 - y0)), (x0 + high * (x1 - x0), y0 + high * (y1 - y0)))
        )
    return strokes


def card_lines(
    placed: PlacedTop, item: PlacedBoard, *, units: LengthUnits, features: FaceFeatures
) -> list[str]:
    """What a card says, one fact a line."""
    board = item.board
    words = partial(format_length, units=units)
    lines = [
        _place_words(placed, item),
        f"{words(board.length_mm, decimals=0)} long, {words(board.thickness_mm)} thick, "
        f"{_width_words(item, words)}.",
        _saw_words(item, units),
        f"Slide from centred: {slide_words(item.placement.pose.slide_mm, units)}.",
    ]
    direction = planing_of(item, features)
    if direction:
        lines.append(
            f"Plane towards the {'right' if direction > 0 else 'left'} end; the wood has the last word."
        )
    found = features.get((board.id, item.placement.pose.side_up))
    if found is not None and found.marks:
        lines.append(f"Marks on this face: {_mark_words(found.marks, item, words)}.")
    if item.face is None:
        lines.append("This face was not photographed: look at it before you glue.")
    return lines


def _saw_words(item: PlacedBoard, units: LengthUnits) -> str:
    width = format_length(item.box.width_mm, units)
    upper, lower = (rip_words(ends, units) for ends in rip_at_ends(item))
    if upper == lower == "nothing":
        return f"Not ripped: {width} wide, edges only jointed."
    ends = " (left end / right end)" if "/ " in upper + lower else ""
    return f"Rip to {width}: off the upper edge {upper}, off the lower edge {lower}{ends}."


def _width_words(item: PlacedBoard, words: LengthWords) -> str:
    """Width before ripping; at either end as the board lies where a saw would notice."""
    left, right = item.board.start_width_mm, item.board.end_width_mm
    if abs(left - right) < SAME_MM:
        return f"{words((left + right) / 2)} wide"
    if item.placement.pose.turned:
        left, right = right, left
    return f"{words(left)} wide at the left end, {words(right)} at the right one"


def _place_words(placed: PlacedTop, item: PlacedBoard) -> str:
    k, n = item.place, len(placed.boards)
    if n == 1:
        return "The only board."
    above = f"above it board {board_name(placed.boards[k - 2].board.id)}" if k > 1 else ""
    below = f"below it board {board_name(placed.boards[k].board.id)}" if k < n else ""
    edge = ", at the upper edge" if k == 1 else ", at the lower edge" if k == n else " from the upper edge"
    neighbours = ", ".join(words for words in (above, below) if words)
    return f"Place {k} of {n}{edge}{'; ' if neighbours else ''}{neighbours}."


def _mark_words(marks: Sequence[Mark], item: PlacedBoard, words: LengthWords) -> str:
    ordered = sorted(marks, key=_mark_area, reverse=True)
    shown = [f"{mark.kind} {_where(mark, item, words)}" for mark in ordered[:_LARGEST_MARKS_N]]
    more = len(ordered) - len(shown)
    return "; ".join(shown) + (f"; and {more} smaller" if more else "")


def _where(mark: Mark, item: PlacedBoard, words: LengthWords) -> str:
    along = _from_left_mm(mark, item)
    if along < _AT_END_MM:
        return "at the left end"
    if along > item.board.length_mm - _AT_END_MM:
        return "at the right end"
    return f"{words(along, decimals=0)} from the left end"


def _mark_area(mark: Mark) -> float:
    left, top, right, bottom = mark.box_mm
    return (right - left) * (bottom - top)


def _from_left_mm(mark: Mark, item: PlacedBoard) -> float:
    left, top, right, bottom = mark.box_mm
    if item.face is None:  # nothing tells where on the picture it begins
        along = (left + right) / 2 - item.board.length_mm / 2
    else:
        along = float(to_strip(item.face, np.array([[left + right, top + bottom]]) / 2)[0, 0])
    return item.board.length_mm / 2 + (-along if item.placement.pose.turned else along)


def qr_words(placed: PlacedTop, item: PlacedBoard, stamp: Stamp) -> str:
    """The board's place in the layout as one line of plain words (always millimetres)."""
    pose, (upper, lower) = item.placement.pose, item.placement.rip_mm
    return (
        f"grainmatch layout {stamp.layout_id}: board {board_name(item.board.id)}, "
        f"place {item.place} of {len(placed.boards)} from the upper edge, face {pose.side_up} up, "
        f"{_turn_words(pose)}, slide {slide_words(pose.slide_mm, 'mm')}, "
        f"rip {upper:.1f} mm upper and {lower:.1f} mm lower edge"
    )


def draw_qr(drawing: Drawing, at: Point, size_mm: float, words: str) -> None:
    """A QR code filling a square, quiet margin included, as a picture of even blocks.

    A picture, for a page of cards holds thousands of modules; each is as large as the blocks JPEG works in,
    so that its edges stay hard.
    """
    code = segno.make(words, error="m", micro=False, boost_error=False)
    dark = np.array([list(row) for row in code.matrix], dtype=np.uint8)
    grey = np.where(np.pad(dark, _QUIET_MODULES), np.uint8(0), np.uint8(255))
    grey = grey.repeat(_MODULE_PX, axis=0).repeat(_MODULE_PX, axis=1)
    drawing.image(at, (size_mm, size_mm), grey[..., None].repeat(3, axis=2))
