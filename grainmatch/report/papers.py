"""Everything to carry into the shop, as files: a PDF to print, tables, drawings, a picture."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from grainmatch.disk import sweep_parts, write_bytes
from grainmatch.model import Board, Layout
from grainmatch.panel import Box, PlacedTop, place_top
from grainmatch.plans import Fastening, GlueUp, TrimPlan
from grainmatch.report.canvas import Drawing
from grainmatch.report.cards import draw_cards
from grainmatch.report.dxf import draw_dxf
from grainmatch.report.fastening import flow_fastening
from grainmatch.report.flow import Flow
from grainmatch.report.movement import flow_movement
from grainmatch.report.page import Paper, Stamp, number_pages
from grainmatch.report.pdf import draw_pdf
from grainmatch.report.pinup import draw_pinup
from grainmatch.report.place import FaceFeatures
from grainmatch.report.plan import boards_csv, cuts_csv, draw_plan
from grainmatch.report.record import layout_id, layout_to_json
from grainmatch.report.stages import flow_glueup
from grainmatch.report.strips import draw_strips
from grainmatch.report.svg import draw_svg
from grainmatch.report.top import draw_png
from grainmatch.report.trimming import flow_trim
from grainmatch.units import LengthUnits
from grainmatch.wood.moisture import DEFAULT_ROOM, Room
from grainmatch.wood.top import TopYear, predict_top_year


def write_papers(
    folder: Path,
    layout: Layout,
    boards: Sequence[Board],
    *,
    glueup: GlueUp | None = None,
    trim: TrimPlan | None = None,
    fastening: Fastening | None = None,
    paper: Paper = "a4",
    units: LengthUnits = "mm",
    features: FaceFeatures | None = None,
    room: Room = DEFAULT_ROOM,
    strips: bool = False,
    made_on: date | None = None,
) -> list[Path]:
    """Write the papers of a layout into a folder; returns what was written, the PDF to print first.

    The plans add their pages when given; trim also says where the top is cut. strips adds a PDF of
    every seam at full size, if there is one. Raises LayoutError when a board of the layout is missing,
    WoodError for a wood no figures are known for, StoreError when the disk refuses.
    """
    stamp = Stamp(layout_id(layout), made_on or datetime.now(UTC).astimezone().date())
    placed = place_top(layout, boards, cut=None if trim is None else Box(*trim.cut_mm))
    year = predict_top_year(layout, boards, room=room)
    plans = Plans(year, glueup, trim, fastening)
    title = f"Table top, {stamp.words}"
    plan = draw_plan(placed, title=title)
    with ThreadPoolExecutor(1) as beside:
        picture = beside.submit(draw_png, layout, boards, cut=placed.cut)
        pages = draw_pages(layout, placed, plans, stamp, paper=paper, units=units, features=features or {})
        printed = draw_pdf(pages, title=title, made_on=stamp.made_on)
    files = {
        "papers.pdf": printed,
        "top.png": picture.result(),
        "boards.csv": boards_csv(placed, units).encode("utf-8-sig"),
        "cuts.csv": cuts_csv(placed, units).encode("utf-8-sig"),
        "layout.svg": draw_svg(plan).encode(),
        "layout.dxf": draw_dxf(plan).encode("ascii"),
        "layout.json": layout_to_json(layout).encode(),
    }
    tiles = draw_strips(placed, stamp, paper=paper, units=units) if strips else []
    if tiles:
        number_pages(tiles, stamp)
        files["strips.pdf"] = draw_pdf(tiles, title=f"Seam strips, {stamp.words}", made_on=stamp.made_on)
    sweep_parts(folder)
    return [write_bytes(folder / name, data) for name, data in files.items()]


@dataclass(frozen=True, eq=False)
class Plans:
    """What goes on the pages between the picture and the cards."""

    year: TopYear
    glueup: GlueUp | None = None
    trim: TrimPlan | None = None
    fastening: Fastening | None = None


def draw_pages(
    layout: Layout,
    placed: PlacedTop,
    plans: Plans,
    stamp: Stamp,
    *,
    paper: Paper,
    units: LengthUnits,
    features: FaceFeatures,
) -> list[Drawing]:
    """All pages of the PDF, numbered: to pin up, gluing, size and movement, cards."""
    pages = draw_pinup(layout, placed, stamp, paper=paper, units=units, features=features)
    if plans.glueup is not None:
        gluing = Flow(paper, stamp, "Gluing up")
        rough = {} if plans.trim is None else plans.trim.rough_mm
        flow_glueup(gluing, placed, plans.glueup, units=units, rough_mm=rough)
        pages += gluing.pages
    sizing = Flow(paper, stamp, "Size, movement, fastening")
    if plans.trim is not None:
        flow_trim(sizing, placed, plans.trim, units=units)
    flow_movement(sizing, placed, plans.year, units=units)
    if plans.fastening is not None:
        width, said = placed.cut.width_mm, plans.year.assumptions
        flow_fastening(sizing, plans.fastening, width_mm=width, units=units, said=said)
    pages += sizing.pages
    pages += draw_cards(placed, stamp, paper=paper, units=units, features=features)
    number_pages(pages, stamp)
    return pages
