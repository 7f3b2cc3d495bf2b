"""The page on movement: how wide the top becomes over the year, and what shape it would take."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from grainmatch.panel import PlacedTop
from grainmatch.report.canvas import GREY, Drawing
from grainmatch.report.flow import Flow
from grainmatch.report.measures import fine_length, restate
from grainmatch.report.place import board_name
from grainmatch.units import LengthUnits, format_length
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
_COLUMNS = [
    ("Season", 22), ("Wood moisture", 16), ("Width", 16), ("Change", 20), ("Range to expect", 26),
    ("Out of flat", 14),
]  # fmt: skip
_EXAGGERATIONS = (1, 2, 5, 10, 20, 50)


def flow_movement(flow: Flow, placed: PlacedTop, year: TopYear, *, units: LengthUnits) -> None:
    """A figure of the end of the top a season, a table, and what the figures rest on."""
    flow.heading("Movement over the year", keep_mm=60)
    flow.paragraph(_summary(year, units), size_mm=3.1)
    scale = min(1.0, (flow.width_mm - 4) / (1.02 * max(float(s.across_mm[-1]) for s in year.seasons)))
    worst = max(float(np.abs(_upright(s)).max()) for s in year.seasons)
    exaggeration = _exaggeration(worst, scale)
    flow.paragraph(_figure_words(scale, exaggeration), size_mm=3.0)
    for season in year.seasons:
        flow.figure(_draw_section(placed, season, flow.width_mm, scale, exaggeration, units))
    flow.space(2)
    flow.table(_COLUMNS, [_row(s, year, units) for s in year.seasons])
    flow.heading("What these figures rest on")
    notes = [*_BASIS, *year.warnings, *gather(year.assumptions, [p.board.id for p in placed.boards])]
    if year.room.source:
        notes.append(f"Room: {year.room.name} ({year.room.source}).")
    flow.bullets([restate(note, units) for note in notes])


def gather(lines: Sequence[str], board_ids: Sequence[str]) -> list[str]:
    """Lines that differ only in the board they name become one that names them all."""
    named: dict[str, list[str]] = {}
    longest_first = sorted(board_ids, key=len, reverse=True)
    for line in lines:
        found = next((i for i in longest_first if re.search(rf"[Bb]oard {re.escape(i)}\b", line)), None)
        key = line if found is None else re.sub(rf"([Bb]oard) {re.escape(found)}\b", "\\1 {}", line, count=1)
        named.setdefault(key, []).append("" if found is None else board_name(found))
    return [_named(key, names) for key, names in named.items()]


def _named(line: str, names: Sequence[str]) -> str:
    if len(names) == 1:
        return line.replace("{}", names[0])
    listed = f"{', '.join(names[:-1])} and {names[-1]}"
    return (
        line.replace("oard {}", f"oards {listed}")
        .replace("its cup is", "their cup is")
        .replace("it counts", "they count")
    )


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


def _exaggeration(rise_mm: float, scale: float) -> int:
    """The largest round factor that keeps the figure within its room."""
    fitting = [f for f in _EXAGGERATIONS if f * rise_mm * scale <= _LARGEST_RISE_ON_PAPER_MM]
    return fitting[-1] if fitting else 1


def _upright(season: SeasonShape) -> np.ndarray:
    """Heights of the upper face over the straight line between its two edges."""
    y, z = season.across_mm, season.rise_mm
    return np.asarray(z - np.interp(y, [y[0], y[-1]], [z[0], z[-1]]))


def _draw_section(
    placed: PlacedTop,
    season: SeasonShape,
    width_mm: float,
    scale: float,
    exaggeration: int,
    units: LengthUnits,
) -> Drawing:
    """The end of the top in one season, with its caption above and the boards' numbers below."""
    heights = _upright(season) * scale * exaggeration
    across = season.across_mm * scale
    thick = max(scale * placed.boards[0].board.thickness_mm, 1.6)
    base = 8.0 + max(0.0, float(heights.max()))
    foot = base + thick + 5.0 - min(0.0, float(heights.min()))
    drawing = Drawing(width_mm, foot)
    drawing.text((0, 3.5), _caption(season, units), 3.0, bold=True)
    upper = [(float(a), float(base - h)) for a, h in zip(across, heights, strict=True)]
    lower = [(x, y + thick) for x, y in reversed(upper)]
    drawing.polygon([*upper, *lower], width_mm=0.25, fill=_WOOD)
    widths = np.cumsum([item.box.width_mm for item in placed.boards])
    for share in widths[:-1] / widths[-1]:
        x = float(across[-1] * share)
        y = base - float(np.interp(x, across, heights))
        drawing.line([(x, y), (x, y + thick)], width_mm=0.2, colour=_SEAM)
    for item, end in zip(placed.boards, widths, strict=True):
        x = float(across[-1] * (end - item.box.width_mm / 2) / widths[-1])
        drawing.text((x, foot - 2.0), board_name(item.board.id), 2.6, align="centre", colour=GREY)
    drawing.line([(0, base), (across[-1], base)], width_mm=0.15, colour=GREY, dash_mm=1.2)
    return drawing


def _caption(season: SeasonShape, units: LengthUnits) -> str:
    flat = fine_length(season.out_of_flat_mm, units)
    change = _change_words(season.width.change_mm, units)
    return f"{season.season.capitalize()}: {change}, a loose top {flat} out of flat"


def _change_words(change_mm: float, units: LengthUnits) -> str:
    if abs(change_mm) < 0.05:
        return "as wide as made"
    return f"{fine_length(abs(change_mm), units)} {'wider' if change_mm > 0 else 'narrower'}"


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
    """The way is told beside it; both ways where boards of unlike moisture may move against each other."""
    if movement.low_mm < 0 < movement.high_mm:
        return f"{_change_words(movement.low_mm, units)} to {_change_words(movement.high_mm, units)}"
    low, high = sorted((abs(movement.low_mm), abs(movement.high_mm)))
    return f"{fine_length(low, units)} to {fine_length(high, units)}"
