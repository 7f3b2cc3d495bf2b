"""Words, tables and figures one below the other, on as many pages as they need."""

from __future__ import annotations

from collections.abc import Sequence

from grainmatch.report.canvas import Drawing
from grainmatch.report.page import (
    LINE_STEP,
    MARGIN_MM,
    WORDS_MM,
    Column,
    Paper,
    Stamp,
    bullets,
    fit_columns,
    new_page,
    paragraph,
    table,
    wrap,
)

_ROW_MM = 5.2
_ROWS_KEPT_N = 6
"""A table this short is not parted by the end of a page."""


class Flow:
    """A column of content as wide as the page. `pages` are what it filled; `y` is where it goes on."""

    def __init__(self, paper: Paper, stamp: Stamp, heading: str) -> None:
        self._paper, self._stamp, self._heading = paper, stamp, heading
        self.pages: list[Drawing] = []
        self.y = 0.0
        self._turn()

    @property
    def width_mm(self) -> float:
        """Width between the margins."""
        return self.pages[-1].width_mm - 2 * MARGIN_MM

    def reserve(self, height_mm: float) -> None:
        """Go on to a new page unless that much room is left."""
        if self.y + height_mm > self.pages[-1].height_mm - MARGIN_MM - 1.0:
            self._turn()

    def heading(self, text: str, *, keep_mm: float = 9.0) -> None:
        """A bold line that stays with at least keep_mm of what follows."""
        self.reserve(2.5 + WORDS_MM * LINE_STEP + keep_mm)
        self.y = paragraph(self.pages[-1], (MARGIN_MM, self.y + 2.5), self.width_mm, text, bold=True)

    def paragraph(self, text: str, *, size_mm: float = WORDS_MM, bold: bool = False) -> None:
        """Wrapped words."""
        self.reserve(len(wrap(text, self.width_mm, size_mm, bold=bold)) * size_mm * LINE_STEP)
        self.y = paragraph(
            self.pages[-1], (MARGIN_MM, self.y), self.width_mm, text, size_mm=size_mm, bold=bold
        )

    def bullets(self, items: Sequence[str], *, size_mm: float = 3.1) -> None:
        """A list."""
        for item in items:
            lines = wrap(item, self.width_mm - 1.2 * size_mm, size_mm)
            self.reserve(len(lines) * size_mm * LINE_STEP)
            self.y = bullets(self.pages[-1], (MARGIN_MM, self.y), self.width_mm, [item], size_mm=size_mm)

    def table(self, shares: Sequence[tuple[str, float]], rows: Sequence[Sequence[str]]) -> None:
        """A table whose columns share the width as given, or as their words need it; long ones go on with a
        new heading row."""
        whole = sum(share for _, share in shares)
        columns = [Column(heading, self.width_mm * share / whole) for heading, share in shares]
        columns = fit_columns(columns, rows)
        self.reserve((min(len(rows), _ROWS_KEPT_N) + 1) * _ROW_MM + 1)
        left = list(rows)
        while True:
            room = self.pages[-1].height_mm - MARGIN_MM - 1.0 - self.y
            n = max(1, int(room / _ROW_MM) - 1)
            self.y = table(self.pages[-1], (MARGIN_MM, self.y), columns, left[:n], row_mm=_ROW_MM) + 2.0
            left = left[n:]
            if not left:
                return
            self._turn()

    def figure(self, drawing: Drawing) -> None:
        """A drawing at its own size, at the left margin."""
        self.reserve(drawing.height_mm)
        self.pages[-1].add(drawing, (MARGIN_MM, self.y))
        self.y += drawing.height_mm

    def space(self, height_mm: float) -> None:
        """Leave a gap."""
        self.y += height_mm

    def _turn(self) -> None:
        heading = self._heading if not self.pages else f"{self._heading}, continued"
        self.pages.append(new_page(self._paper, self._stamp, heading))
        self.y = MARGIN_MM + 9.0
