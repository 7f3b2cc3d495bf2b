"""The part on fastening: where the top is held, where it slides, how long every slot must be."""

from __future__ import annotations

from collections.abc import Sequence

from grainmatch.plans import Fastening, Slot
from grainmatch.report.canvas import BLACK, GREY, WHITE, Drawing
from grainmatch.report.flow import Flow
from grainmatch.report.measures import fine_length, restate
from grainmatch.units import LengthUnits, format_length

_COLUMNS = [
    ("Fastener", 20), ("From the upper edge", 20), ("Hold", 12), ("Slot, across the boards", 22),
    ("Or round hole", 16), ("Gap, screw to the slot's outer end", 28),
]  # fmt: skip
_WOOD = (233, 212, 182)


def flow_fastening(
    flow: Flow, plan: Fastening, *, width_mm: float, units: LengthUnits, said: Sequence[str] = ()
) -> None:
    """Words, a figure of the line of fasteners, a table. `said`: assumptions already on these pages."""
    flow.heading("Fastening the top", keep_mm=40)
    lines = [*plan.steps, *(f"Mind: {warning}" for warning in plan.warnings)]
    flow.bullets([restate(line, units) for line in lines])
    if plan.slots:
        flow.figure(_draw_line(plan, width_mm, flow.width_mm))
        flow.table(_COLUMNS, [_row(slot, units) for slot in plan.slots])
        flow.paragraph(f"For screws of {fine_length(plan.screw_mm, units)}.", size_mm=3.1)
    flow.bullets([restate(text, units) for text in plan.assumptions if text not in set(said)])


def _row(slot: Slot, units: LengthUnits) -> list[str]:
    if not slot.slides:
        return [slot.name, format_length(slot.across_mm, units, decimals=0), "fast", "", "", ""]
    return [
        slot.name,
        format_length(slot.across_mm, units, decimals=0),
        "slides",
        fine_length(slot.slot_mm, units),
        fine_length(slot.hole_mm, units),
        fine_length(slot.outward_mm, units),
    ]


def _draw_line(plan: Fastening, width_mm: float, room_mm: float) -> Drawing:
    """The underside along one row of fasteners, upper edge on the left: a cross holds, a slot slides."""
    drawing = Drawing(room_mm, 18.0)
    scale = (room_mm - 4.0) / width_mm
    drawing.rect((2.0, 4.0), (scale * width_mm, 8.0), width_mm=0.3, fill=_WOOD)
    fixed = 2.0 + scale * plan.fixed_across_mm
    drawing.line([(fixed, 2.5), (fixed, 13.5)], width_mm=0.5, dash_mm=1.2)
    for slot in plan.slots:
        x = 2.0 + scale * slot.across_mm
        if slot.slides:
            half = max(2.2, scale * slot.slot_mm / 2)
            drawing.rect((x - half, 6.9), (2 * half, 2.2), width_mm=0.3, fill=WHITE)
            drawing.circle((x, 8.0), 0.7, colour=None, fill=BLACK)
        else:
            drawing.line([(x - 1.6, 6.4), (x + 1.6, 9.6)], width_mm=0.5)
            drawing.line([(x - 1.6, 9.6), (x + 1.6, 6.4)], width_mm=0.5)
    words = (
        "One row of fasteners, upper edge on the left. Dashed: the line that stays. Cross: screwed fast. "
        "Box: slot, not to scale."
    )
    drawing.text((2.0, 15.6), words, 2.6, colour=GREY)
    return drawing
