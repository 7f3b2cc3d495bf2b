"""What every page shares: paper, margins, heading, foot, wrapped words, tables, a check line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from grainmatch.report.canvas import GREY, PALE, Align, Drawing, Point
from grainmatch.report.pdf import text_width_mm

Paper = Literal["a4", "letter"]

PAPER_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height: ISO 216; ANSI/ASME Y14.1 size A."""
MARGIN_MM = 12.0
WORDS_MM = 3.5
"""Size of running text: 10 point."""
LINE_STEP = 1.35
_CELL_MM = 3.3
"""Size of the words in a table."""
_UNITS = "mm|m|kg|g|kN|MPa|min|h|lb|lbf|oz|psi|%|°C|°F"
_WORD = re.compile(rf"(?:\S*\d (?=\d+/\d|(?:{_UNITS})(?!\w)))*\S+")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


@dataclass(frozen=True)
class Stamp:
    """Which layout a page belongs to, and the day it was made."""

    layout_id: str
    made_on: date

    @property
    def words(self) -> str:
        """For people: `layout 49fa-e0b1, 25 November 2026`."""
        day = self.made_on
        return f"layout {self.layout_id}, {day.day} {_MONTHS[day.month - 1]} {day.year}"


def new_page(paper: Paper, stamp: Stamp, heading: str, *, landscape: bool = False) -> Drawing:
    """An empty page with its heading and the layout it belongs to."""
    width, height = PAPER_MM[paper]
    if landscape:
        width, height = height, width
    page = Drawing(width, height, title=heading)
    page.text((MARGIN_MM, MARGIN_MM + 2), heading, 5.6, bold=True)
    page.text((width - MARGIN_MM, MARGIN_MM + 2), stamp.words, WORDS_MM, align="right", colour=GREY)
    y = MARGIN_MM + 6.5
    page.line([(MARGIN_MM, y), (width - MARGIN_MM, y)], width_mm=0.3)
    return page


def number_pages(pages: Sequence[Drawing], stamp: Stamp) -> None:
    """Write the foot of every page."""
    for k, page in enumerate(pages, start=1):
        y = page.height_mm - MARGIN_MM + 4
        page.text((MARGIN_MM, y), f"grainmatch, {stamp.words}", 2.8, colour=GREY)
        page.text(
            (page.width_mm - MARGIN_MM, y), f"page {k} of {len(pages)}", 2.8, align="right", colour=GREY
        )


def wrap(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> list[str]:
    """Break words into lines no wider than width_mm; a word too long for a line is broken too.

    A whole number stays with its fraction, a figure with its unit: half of `5 1/16"` is another length.
    """
    lines: list[list[str]] = []
    room = 0.0
    space = text_width_mm(" ", size_mm, bold=bold)
    words = _WORD.findall(" ".join(text.split()))
    for word in (part for whole in words for part in _pieces(whole, width_mm, size_mm)):
        wide = text_width_mm(word, size_mm, bold=bold)
        if lines and room >= space + wide:
            lines[-1].append(word)
            room -= space + wide
        else:
            lines.append([word])
            room = width_mm - wide
    return [" ".join(line) for line in lines]


def _pieces(word: str, width_mm: float, size_mm: float) -> list[str]:
    if len(word) * size_mm <= width_mm or text_width_mm(word, size_mm) <= width_mm:
        return [word]
    n = max(1, int(width_mm / (0.95 * size_mm)))  # no Latin letter is wider than its size
    return [word[k : k + n] for k in range(0, len(word), n)]


def paragraph(
    page: Drawing, at: Point, width_mm: float, text: str, *, size_mm: float = WORDS_MM, bold: bool = False
) -> float:
    """Write wrapped words from a top-left corner; returns the y below them."""
    y = at[1] + size_mm / 2
    for line in wrap(text, width_mm, size_mm, bold=bold):
        page.text((at[0], y), line, size_mm, bold=bold)
        y += size_mm * LINE_STEP
    return y - size_mm / 2 + size_mm * 0.35


def bullets(
    page: Drawing, at: Point, width_mm: float, items: Sequence[str], *, size_mm: float = WORDS_MM
) -> float:
    """A list with a small square before each item; returns the y below it."""
    x, y = at
    for item in items:
        page.rect((x + 0.3, y + size_mm * 0.3), (size_mm * 0.35, size_mm * 0.35), colour=None, fill=(0, 0, 0))
        y = paragraph(page, (x + 1.2 * size_mm, y), width_mm - 1.2 * size_mm, item, size_mm=size_mm)
    return y


@dataclass(frozen=True)
class Column:
    """One column of a table."""

    heading: str
    width_mm: float
    align: Align = "left"


def fit_columns(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[Column]:
    """The columns, wider where a cell or heading needs it and another has room to give; as wide in all."""
    needs = [
        2.0 + max(text_width_mm(words, _CELL_MM, bold=k == 0) for k, words in enumerate(column))
        for column in zip([c.heading for c in columns], *rows, strict=True)
    ]
    if all(need <= column.width_mm for need, column in zip(needs, columns, strict=True)):
        return list(columns)
    whole = sum(c.width_mm for c in columns)
    over = whole - sum(needs)
    widths = [need * whole / sum(needs) if over < 0 else need + over / len(needs) for need in needs]
    return [replace(c, width_mm=width) for c, width in zip(columns, widths, strict=True)]


def table(
    page: Drawing,
    at: Point,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    row_mm: float = 5.2,
) -> float:
    """A ruled table; a cell too long for its column is written smaller. Returns the y below it."""
    x, y = at
    total = sum(c.width_mm for c in columns)
    page.rect((x, y), (total, row_mm), colour=None, fill=PALE)
    _row(page, (x, y + row_mm / 2), columns, [c.heading for c in columns], bold=True)
    for row in rows:
        y += row_mm
        _row(page, (x, y + row_mm / 2), columns, row)
        page.line([(x, y + row_mm), (x + total, y + row_mm)], width_mm=0.12, colour=GREY)
    return y + row_mm


def _row(
    page: Drawing,
    at: Point,
    columns: Sequence[Column],
    cells: Sequence[str],
    *,
    bold: bool = False,
) -> None:
    x, y = at
    for column, cell in zip(columns, cells, strict=True):
        room = column.width_mm - 2.0
        size = _CELL_MM * min(1.0, room / max(text_width_mm(cell, _CELL_MM, bold=bold), 1e-6))
        place = {"left": x + 1.0, "centre": x + column.width_mm / 2, "right": x + column.width_mm - 1.0}
        page.text((place[column.align], y), cell, size, align=column.align, bold=bold)
        x += column.width_mm


def check_line(page: Drawing, at: Point) -> None:
    """A line 100 mm long with end ticks, to see that the page was printed at full size."""
    x, y = at
    page.line([(x, y), (x + 100.0, y)], width_mm=0.25, layer="check line")
    for end in (x, x + 100.0):
        page.line([(end, y - 2), (end, y + 2)], width_mm=0.25, layer="check ticks")
    page.text((x + 50, y - 2.2), "this line is 100 mm long when printed at 100 %", 2.6, align="centre")
