"""Drawings -> PDF pages at true size.

Words use the fonts every PDF reader has, so nothing is embedded; characters outside Latin-1 are
replaced by the nearest plain one.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from grainmatch.model import Rgb
from grainmatch.report.canvas import CAP_HEIGHT, Drawing, Line, Picture, Polygon, Text

if TYPE_CHECKING:  # 0.3 s to import, and most runs print nothing
    from fpdf import FPDF

POINT_MM = 25.4 / 72
_FONT = "helvetica"
_JPEG_QUALITY = 88
_PLAIN = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "…": "...", "′": "'", "″": '"',
     "≤": "<=", "≥": ">=", "→": "->", "≈": "about "}
)  # fmt: skip


def draw_pdf(pages: Sequence[Drawing], *, title: str, made_on: date) -> bytes:
    """One PDF page a drawing, each exactly the drawing's size. The same input gives the same bytes."""
    from fpdf import FPDF, ViewerPreferences

    pdf = FPDF(unit="mm")
    pdf.set_auto_page_break(False)
    pdf.set_title(latin1(title))
    pdf.set_creator("grainmatch")
    pdf.set_creation_date(datetime.combine(made_on, time(12), UTC))
    # Printing software must not shrink the true-size pages.
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    for page in pages:
        pdf.add_page(format=(page.width_mm, page.height_mm))
        for shape in page.shapes:
            _draw(pdf, shape)
    return bytes(pdf.output())


def text_width_mm(text: str, size_mm: float, *, bold: bool = False) -> float:
    """How wide one line of words comes out. The built-in fonts do not kern: widths of words add up."""
    return size_mm * _width_of(text, bold)


@lru_cache(maxsize=4096)
def _width_of(text: str, bold: bool) -> float:
    """The width of words 1 mm high, in mm."""
    pdf = _ruler()
    pdf.set_font(_FONT, "B" if bold else "", 1 / POINT_MM)
    return float(pdf.get_string_width(latin1(text)))


def latin1(text: str) -> str:
    """The text in characters the built-in fonts have; `?` where there is no plain likeness."""
    folded = text.translate(_PLAIN)
    try:
        folded.encode("latin-1")
    except UnicodeEncodeError:
        # Letters with marks the fonts lack lose the mark rather than the letter.
        folded = "".join(
            c if ord(c) < 256 else unicodedata.normalize("NFKD", c).encode("ascii", "ignore").decode() or "?"
            for c in folded
        )
    return folded


@lru_cache(maxsize=1)
def _ruler() -> FPDF:
    from fpdf import FPDF

    return FPDF(unit="mm")


def _draw(pdf: FPDF, shape: Line | Polygon | Text | Picture) -> None:
    match shape:
        case Line():
            pdf.set_draw_color(*shape.colour)
            pdf.set_line_width(shape.width_mm)
            if shape.dash_mm > 0:
                pdf.set_dash_pattern(shape.dash_mm, shape.dash_mm)
            pdf.polyline(list(shape.points))
            if shape.dash_mm > 0:
                pdf.set_dash_pattern()
        case Polygon():
            if shape.fill is not None:
                pdf.set_fill_color(*shape.fill)
            if shape.colour is not None:
                pdf.set_draw_color(*shape.colour)
                pdf.set_line_width(shape.width_mm)
            style = ("D" if shape.colour is not None else "") + ("F" if shape.fill is not None else "")
            if style:
                pdf.polygon(list(shape.points), style=style)
        case Text():
            _write(pdf, shape)
        case Picture():
            pdf.image(_jpeg(shape.rgb), *shape.at, *shape.size_mm)


def _write(pdf: FPDF, text: Text) -> None:
    words = latin1(text.text)
    pdf.set_font(_FONT, "B" if text.bold else "", text.size_mm / POINT_MM)
    pdf.set_text_color(*text.colour)
    share = {"left": 0.0, "centre": 0.5, "right": 1.0}[text.align]
    x = text.at[0] - share * pdf.get_string_width(words)
    y = text.at[1] + CAP_HEIGHT / 2 * text.size_mm
    if text.turn_deg:
        with pdf.rotation(text.turn_deg, *text.at):
            pdf.text(x, y, words)
    else:
        pdf.text(x, y, words)


def _jpeg(rgb: Rgb) -> io.BytesIO:
    options = [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), options)
    return io.BytesIO(data.tobytes())
