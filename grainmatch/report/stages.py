"""The pages on gluing: days and stages, how to joint, where the clamps stand, what to mind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from grainmatch.model import Side
from grainmatch.panel import Box, PlacedBoard, PlacedTop
from grainmatch.plans import GlueUp, Stage
from grainmatch.report.canvas import BLACK, GREY, PALE, WHITE, Drawing
from grainmatch.report.flow import Flow
from grainmatch.report.measures import force_words, glue_words, restate, weight_words
from grainmatch.report.page import LINE_STEP, WORDS_MM, bullets, paragraph, wrap
from grainmatch.report.place import board_name, name_width, size_words
from grainmatch.units import LengthUnits, format_length

_WOOD = (233, 212, 182)
_COLUMNS = [
    ("Stage", 8), ("Day", 6), ("Joins", 34), ("Panel", 26), ("Weight", 12), ("Clamps", 12), ("Apart", 14),
    ("Force each", 14), ("Glue at hand", 16), ("Work / open time", 20),
]  # fmt: skip
_BAR_MM = 2.4
_NAMED_IN_FULL_N = 4
_LEAST_NAME_MM = 2.8
RoughEnds = Mapping[str, tuple[float, float]]
"""Panel x of the two ends of each board when it is glued."""


def flow_glueup(
    flow: Flow,
    placed: PlacedTop,
    plan: GlueUp,
    *,
    units: LengthUnits,
    rough_mm: RoughEnds,
) -> None:
    """The whole plan, stage after stage."""

    def told(lines: Sequence[str]) -> list[str]:
        return [restate(line, units) for line in lines]

    _cautions(flow, told(plan.cautions))
    if plan.warnings:
        flow.heading("Look at this first")
        flow.bullets(told(plan.warnings))
    if plan.stages:
        flow.heading("The stages")
        flow.table(_COLUMNS, [_row(k, stage, units) for k, stage in enumerate(plan.stages, 1)])
        enough = "the bottle holds enough" if plan.glue_enough else "the bottle does not hold enough"
        flow.paragraph(f"Glue in all: {glue_words(plan.glue_g, units)}; {enough}.", size_mm=3.1)
    flow.heading("In this order")
    flow.bullets(told(plan.steps))
    if plan.edge_marks:
        _jointing(flow, plan)
    told_in: dict[tuple[str, ...], int] = {}
    for k, stage in enumerate(plan.stages, 1):
        _stage(flow, placed, k, stage, units, rough_mm, same_as=told_in.get(stage.steps))
        told_in.setdefault(stage.steps, k)
    if plan.cauls:
        flow.heading("Battens across the panel (cauls)")
        flow.bullets(told(plan.cauls))
    if plan.assumptions:
        flow.heading("What the plan rests on")
        flow.bullets(told(plan.assumptions))


def _cautions(flow: Flow, cautions: Sequence[str]) -> None:
    """A framed block, so that it is not overlooked."""
    size, pad = 3.1, 2.5
    inner = flow.width_mm - 2 * pad
    lines = sum(len(wrap(c, inner - 1.2 * size, size)) for c in cautions)
    height = 2 * pad + WORDS_MM * LINE_STEP + lines * size * LINE_STEP + len(cautions) * 0.35 * size + 1.5
    box = Drawing(flow.width_mm, height + 1.5)
    box.rect((0, 0), (flow.width_mm, height), width_mm=0.6)
    y = paragraph(box, (pad, pad), inner, "Take care", bold=True)
    bullets(box, (pad, y), inner, cautions, size_mm=size)
    flow.figure(box)


def _row(number: int, stage: Stage, units: LengthUnits) -> list[str]:
    return [
        str(number),
        str(stage.day),
        " + ".join(_part_name(part) for part in stage.parts),
        size_words(Box(0.0, 0.0, stage.length_mm, stage.width_mm), units),
        weight_words(stage.weight_kg, units),
        str(len(stage.clamps)),
        format_length(stage.spacing_mm, units, decimals=0) if len(stage.clamps) > 1 else "",
        force_words(stage.force_n, units),
        glue_words(stage.glue_g, units),
        f"{stage.work_min:.0f} of {stage.open_min:.0f} min",
    ]


def _part_name(part: Sequence[str]) -> str:
    """A board, or a panel glued before by the boards in it."""
    names = [board_name(i) for i in part]
    if len(names) > _NAMED_IN_FULL_N:
        return f"({names[0]} ... {names[-1]})"
    return names[0] if len(names) == 1 else f"({' '.join(names)})"


def _clamp_words(stage: Stage, units: LengthUnits) -> str:
    """How many clamps, how far apart, how hard."""
    low, high = stage.wanted_mpa
    pressure = f"{stage.pressure_mpa:.2f} MPa on the seam, {low:.1f} to {high:.1f} MPa asked for"
    clamps = "1 clamp in the middle"
    if len(stage.clamps) > 1:
        apart = format_length(stage.spacing_mm, units, decimals=0)
        clamps = f"{len(stage.clamps)} clamps, {apart} apart"
    return f"{clamps}, about {force_words(stage.force_n, units)} each: {restate(pressure, units)}."


def _jointing(flow: Flow, plan: GlueUp) -> None:
    """One cell a board: show face in to the fence, or out."""
    flow.heading("Marks for the jointer", keep_mm=26)
    flow.paragraph(
        "In: the face that will be up goes against the fence. Out: it looks away from the fence. "
        "Taking turns lets a fence that is a little out of square cancel itself at every seam.",
        size_mm=3.1,
    )
    longest = max(name_width(_face_name(mark.board_id, mark.face_up)) for mark in plan.edge_marks)
    cell = min(16.0, flow.width_mm / min(16, len(plan.edge_marks)))
    cell = min(flow.width_mm, max(cell, _LEAST_NAME_MM * longest + 2.0))
    per_row = int(flow.width_mm / cell + 1e-9)
    for first in range(0, len(plan.edge_marks), per_row):
        row = Drawing(flow.width_mm, 14.0)
        for k, mark in enumerate(plan.edge_marks[first : first + per_row]):
            fill = PALE if mark.show_face_in else WHITE
            row.rect((k * cell, 1.0), (cell, 11.0), width_mm=0.25, fill=fill)
            name = _face_name(mark.board_id, mark.face_up)
            size = min(4.2, (cell - 1.5) / name_width(name))
            row.text((k * cell + cell / 2, 4.4), name, size, align="centre", bold=True)
            row.text((k * cell + cell / 2, 9.2), "in" if mark.show_face_in else "out", 3.6, align="centre")
        flow.figure(row)


def _face_name(board_id: str, side_up: Side) -> str:
    """`3 B`: which board, which face up."""
    return f"{board_name(board_id)} {side_up}"


def _stage(
    flow: Flow,
    placed: PlacedTop,
    number: int,
    stage: Stage,
    units: LengthUnits,
    rough_mm: RoughEnds,
    *,
    same_as: int | None,
) -> None:
    """One stage; same_as is an earlier stage whose steps are the same, which are then not repeated."""
    figure = draw_stage(placed, stage, flow.width_mm, units=units, rough_mm=rough_mm)
    parts = [_part_name(part) for part in stage.parts]
    flow.heading(
        f"Stage {number}, day {stage.day}: join {', '.join(parts[:-1])} and {parts[-1]}",
        keep_mm=figure.height_mm + 8,
    )
    flow.figure(figure)
    flow.space(2)
    steps = [f"Then as in stage {same_as}."] if same_as else [restate(step, units) for step in stage.steps]
    flow.bullets(
        [
            _clamp_words(stage, units),
            *steps,
            *(f"Mind: {restate(warning, units)}" for warning in stage.warnings),
        ]
    )


def draw_stage(
    placed: PlacedTop, stage: Stage, width_mm: float, *, units: LengthUnits, rough_mm: RoughEnds
) -> Drawing:
    """The panel of one stage from above, with its clamps: solid over the boards, dashed under them."""
    items = [p for p in placed.boards if p.board.id in set(stage.board_ids)]
    ends = {p.board.id: rough_mm.get(p.board.id, (p.box.left_mm, p.box.right_mm)) for p in items}
    left, right = min(e[0] for e in ends.values()), max(e[1] for e in ends.values())
    scale = min((width_mm - 2.0) / (right - left), 75.0 / stage.width_mm)
    top = items[0].box.top_mm
    above, foot = 9.0, 12.0
    drawing = Drawing(width_mm, above + scale * stage.width_mm + foot)

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        return 1.0 + scale * (x_mm - left), above + scale * (y_mm - top)

    bottom = above + scale * stage.width_mm
    for item in items:
        start, end = ends[item.board.id]
        drawing.rect(
            at(start, item.box.top_mm), (scale * (end - start), scale * item.box.width_mm), width_mm=0.2,
            colour=GREY, fill=_WOOD,
        )  # fmt: skip
    for seam in stage.seams:
        y = at(0, placed.boards[seam].box.bottom_mm)[1]
        drawing.line([(1.0, y), (1.0 + scale * (right - left), y)], width_mm=0.9, layer="seams")
    for clamp in stage.clamps:
        x = at(left + clamp.place_mm, 0)[0]
        _bar(drawing, x, above, bottom, over=clamp.over)
        drawing.circle((x, above - 5.4), 2.2, width_mm=0.25, fill=WHITE)
        drawing.text((x, above - 5.4), str(clamp.number), 2.8, align="centre", bold=True)
        place = format_length(clamp.place_mm, units, decimals=0).removesuffix(" mm")
        drawing.text((x, bottom + 5.4), place, 2.6, align="centre")
    free_mm, room_mm = _free_place_mm(stage)
    for item in items:
        middle = at(left + free_mm, (item.box.top_mm + item.box.bottom_mm) / 2)
        _name(drawing, item, middle, scale * room_mm, size_mm=min(4.0, 0.7 * scale * item.box.width_mm))
    drawing.text((0, bottom + 9.6), _figure_words(units), 2.6, colour=GREY)
    return drawing


def _name(
    drawing: Drawing, item: PlacedBoard, middle: tuple[float, float], room_mm: float, *, size_mm: float
) -> None:
    """A board's name between two clamps; a longer one on a tag over them, from the left end."""
    name = _face_name(item.board.id, item.placement.pose.side_up)
    wide = size_mm * name_width(name)
    x, y = middle
    if wide > 0.9 * room_mm:
        x = max(x, 2.5 + wide / 2)
        drawing.rect(
            (x - wide / 2 - 0.5, y - 0.6 * size_mm), (wide + 1.0, 1.2 * size_mm), colour=None, fill=_WOOD
        )
    drawing.text((x, y), name, size_mm, align="centre", bold=True)


def _free_place_mm(stage: Stage) -> tuple[float, float]:
    """Somewhere near the left end where no clamp hides a name, and how much room there is."""
    places = sorted(clamp.place_mm for clamp in stage.clamps)
    start, end = (places[0], places[1]) if len(places) > 1 else (0.0, places[0])
    return (start + end) / 2, end - start


def _figure_words(units: LengthUnits) -> str:
    return (
        "Dark: clamps over the boards. Dashed: clamps under them. Circles: order of tightening. Thick: seams "
        f"glued now. Below: {'mm' if units == 'mm' else 'inches'} from the panel's left end."
    )


def _bar(drawing: Drawing, x: float, above: float, bottom: float, *, over: bool) -> None:
    """A clamp: its bar and the two jaws beyond the edges."""
    if over:
        drawing.line([(x, above - 2.2), (x, bottom + 2.2)], width_mm=1.1, colour=(70, 70, 70))
    else:
        drawing.line([(x, above), (x, bottom)], width_mm=0.25, colour=GREY, dash_mm=1.2)
    for level in (above - 1.6, bottom + 1.6):
        fill = BLACK if over else WHITE
        drawing.rect((x - _BAR_MM, level - 0.7), (2 * _BAR_MM, 1.4), width_mm=0.2, fill=fill)
