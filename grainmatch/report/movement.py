"""The page on movement: how wide the top becomes over the year, and what shape it would take."""

from __future__ import annotations

import numpy as np

from grainmatch.report.canvas import GREY, Drawing, Point
from grainmatch.report.page import MARGIN_MM, Column, Paper, Stamp, bullets, new_page, paragraph, table
from grainmatch.report.place import PlacedTop, board_name
from grainmatch.units import LengthUnits, format_inches, format_length
from grainmatch.wood.shrinkage import Movement
from grainmatch.wood.top import SeasonShape, TopYear

_WOOD = (222, 196, 160)
_SEAM = (120, 84, 50)
_LARGEST_RISE_ON_PAPER_MM = 9.0
_BASIS = (
    "The range is what real boards did against the handbook's figures.",
    "Wood moves across the grain; along it, hardly at all.",
    "Each season is taken to last until the wood has settled; a finish and a short season give less.",
)
_EXAGGERATIONS = (1, 2, 5, 10, 20, 50)


def draw_movement(
    placed: PlacedTop, year: TopYear, stamp: Stamp, *, paper: Paper, units: LengthUnits
) -> Drawing:
    """A figure of the end of the top a season, a table, and what the figures rest on."""
    page = new_page(paper, stamp, "Movement over the year")
    inner = page.width_mm - 2 * MARGIN_MM
    y = paragraph(page, (MARGIN_MM, MARGIN_MM + 9), inner, _summary(year, units))
    scale = (inner - 4) / (1.02 * max(float(s.across_mm[-1]) for s in year.seasons))
    worst = max(float(np.abs(_upright(s)).max()) for s in year.seasons)
    exaggeration = _exaggeration(worst, scale)
    y = paragraph(page, (MARGIN_MM, y + 2), inner, _figure_words(scale, exaggeration), size_mm=3.0)
    for season in year.seasons:
        y = _section(page, (MARGIN_MM, y + 3), placed, season, scale, exaggeration, units)
    y = table(page, (MARGIN_MM, y + 3), _columns(inner), [_row(s, year, units) for s in year.seasons])
    y = paragraph(page, (MARGIN_MM, y + 4), inner, "What this rests on", bold=True)
    notes = [*_BASIS, *year.warnings, *year.assumptions]
    if year.room.source:
        notes.append(f"Room: {year.room.name} ({year.room.source}).")
    bullets(page, (MARGIN_MM, y), inner, notes, size_mm=3.0)
    return page


def _summary(year: TopYear, units: LengthUnits) -> str:
    made, swing = (
        format_length(year.made_width_mm, units, decimals=0),
        fine_length(year.width_swing_mm, units),
    )
    return (
        f"In a room that is {year.room.name}, this top, {made} wide when glued, will grow and shrink across "
        f"the boards by about {swing} in a year. Fasten it so that it can."
    )


def _figure_words(scale: float, exaggeration: int) -> str:
    heights = "true to scale" if exaggeration == 1 else f"drawn {exaggeration} times too large"
    return (
        "The top seen from its left end, its upper edge on the left. "
        f"Width at scale 1 : {1 / scale:.1f}, heights {heights}. Dashed: flat."
    )


def fine_length(length_mm: float, units: LengthUnits) -> str:
    """A small length: tenths of a millimetre, or inches to the nearest 64th."""
    return format_inches(length_mm, per_inch=64) if units == "in" else format_length(length_mm, units)


def _exaggeration(rise_mm: float, scale: float) -> int:
    """The largest round factor that keeps the figure within its room."""
    fitting = [f for f in _EXAGGERATIONS if f * rise_mm * scale <= _LARGEST_RISE_ON_PAPER_MM]
    return fitting[-1] if fitting else 1


def _upright(season: SeasonShape) -> np.ndarray:
    """Heights of the upper face over the straight line between its two edges."""
    y, z = season.across_mm, season.rise_mm
    return np.asarray(z - np.interp(y, [y[0], y[-1]], [z[0], z[-1]]))


def _section(
    page: Drawing,
    at: Point,
    placed: PlacedTop,
    season: SeasonShape,
    scale: float,
    exaggeration: int,
    units: LengthUnits,
) -> float:
    """The end of the top in one season; returns the y below it."""
    heights = _upright(season) * scale * exaggeration
    across = season.across_mm * scale
    thick = max(scale * placed.boards[0].board.thickness_mm, 1.6)
    page.text((at[0], at[1] + 1.5), _caption(season, units), 3.0, bold=True)
    base = at[1] + 5.5 + max(0.0, float(heights.max()))
    upper = [(at[0] + a, base - h) for a, h in zip(across, heights, strict=True)]
    lower = [(x, y + thick) for x, y in reversed(upper)]
    page.polygon([*upper, *lower], width_mm=0.25, fill=_WOOD)
    foot = base + thick + 5.5 - min(0.0, float(heights.min()))
    widths = np.cumsum([item.box.width_mm for item in placed.boards])
    for share in widths[:-1] / widths[-1]:
        x = float(across[-1] * share)
        y = base - float(np.interp(x, across, heights))
        page.line([(at[0] + x, y), (at[0] + x, y + thick)], width_mm=0.2, colour=_SEAM)
    for item, end in zip(placed.boards, widths, strict=True):
        x = float(across[-1] * (end - item.box.width_mm / 2) / widths[-1])
        page.text((at[0] + x, foot - 2.0), board_name(item.board.id), 2.6, align="centre", colour=GREY)
    page.line([(at[0], base), (at[0] + across[-1], base)], width_mm=0.15, colour=GREY, dash_mm=1.2)
    return foot


def _caption(season: SeasonShape, units: LengthUnits) -> str:
    flat = fine_length(season.out_of_flat_mm, units)
    change = _change_words(season.width.change_mm, units)
    return f"{season.season.capitalize()}: {change}, a loose top {flat} out of flat"


def _change_words(change_mm: float, units: LengthUnits) -> str:
    if abs(change_mm) < 0.05:
        return "as wide as made"
    return f"{fine_length(abs(change_mm), units)} {'wider' if change_mm > 0 else 'narrower'}"


def _columns(inner_mm: float) -> list[Column]:
    shares = [("Season", 22), ("Wood moisture", 16), ("Width", 16), ("Change", 20), ("Range to expect", 26),
              ("Out of flat", 14)]  # fmt: skip
    return [Column(heading, inner_mm * share / sum(w for _, w in shares)) for heading, share in shares]


def _row(season: SeasonShape, year: TopYear, units: LengthUnits) -> list[str]:
    return [
        season.season.capitalize(),
        f"{season.moisture_pct:.1f} %",
        format_length(year.made_width_mm + season.width.change_mm, units),
        _change_words(season.width.change_mm, units),
        _range_words(season.width, units),
        fine_length(season.out_of_flat_mm, units),
    ]


def _range_words(movement: Movement, units: LengthUnits) -> str:
    low, high = sorted((abs(movement.low_mm), abs(movement.high_mm)))
    return f"{fine_length(low, units)} to {fine_length(high, units)}"
