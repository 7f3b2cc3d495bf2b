"""Everything to carry into the shop, as files: a PDF to print, tables, drawings, a picture."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from grainmatch.model import Board, Layout
from grainmatch.report.canvas import Drawing
from grainmatch.report.disk import write_bytes
from grainmatch.report.page import Paper, Stamp, number_pages
from grainmatch.report.pdf import draw_pdf
from grainmatch.report.pinup import FaceFeatures, draw_pinup
from grainmatch.report.place import PlacedTop, place_top
from grainmatch.report.record import layout_id, layout_to_json
from grainmatch.report.top import draw_png
from grainmatch.units import LengthUnits


def write_papers(
    folder: Path,
    layout: Layout,
    boards: Sequence[Board],
    *,
    paper: Paper = "a4",
    units: LengthUnits = "mm",
    features: FaceFeatures | None = None,
    made_on: date | None = None,
) -> list[Path]:
    """Write the papers of a layout into a folder; returns what was written, the PDF first.

    Raises LayoutError when a board of the layout is missing, StoreError when the disk refuses.
    """
    stamp = Stamp(layout_id(layout), made_on or datetime.now(UTC).astimezone().date())
    placed = place_top(layout, boards)
    pages = draw_pages(layout, placed, stamp, paper=paper, units=units, features=features or {})
    pdf = draw_pdf(pages, title=f"Table top, {stamp.words}", made_on=stamp.made_on)
    return [
        write_bytes(folder / "papers.pdf", pdf),
        write_bytes(folder / "top.png", draw_png(layout, boards)),
        write_bytes(folder / "layout.json", layout_to_json(layout).encode()),
    ]


def draw_pages(
    layout: Layout,
    placed: PlacedTop,
    stamp: Stamp,
    *,
    paper: Paper,
    units: LengthUnits,
    features: FaceFeatures,
) -> list[Drawing]:
    """All pages of the PDF, numbered."""
    pages = [draw_pinup(layout, placed, stamp, paper=paper, units=units, features=features)]
    number_pages(pages, stamp)
    return pages
