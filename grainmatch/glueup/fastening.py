"""Fastening a top to its base so that it can grow and shrink.

No handbook or standard with a number for the clearance was found; the trade agrees on the principle
(fix along one line, let the rest slide) and on making holes larger than their bolts: common practice,
no source. The travel is the handbook's movement (eq. 13-2) of the wood between the fixed line and the
fastener. The instructions of the hardware's maker come first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from grainmatch.errors import LayoutError
from grainmatch.model import FixedLine, Trap
from grainmatch.plans import Fastening, Slot
from grainmatch.wood.top import TopYear

CLEARANCE_MM = 1.0
"""Added to every slot and hole so that a tight fit does not bind. Common practice, no source."""
NO_SLIDE_MM = 0.3
"""Travel below which a fastener counts as fixed: less than the play of a screw in its hole (own choice)."""

MAKERS_FIRST = "The instructions of the hardware's maker come before these figures."


def plan_fastening(
    year: TopYear,
    across_mm: Sequence[float],
    *,
    screw_mm: float = 5.0,
    fixed_line: FixedLine = "middle",
    traps: Sequence[Trap] = (),
    top_width_mm: float | None = None,
) -> Fastening:
    """A slot for every fastener, given the year of the top and how far each stands from the upper edge.

    Fasteners on the fixed line hold; all others slide. traps names constructions to be warned about.
    top_width_mm: the width after trimming, when it is less than the glued one. Raises LayoutError for a
    fastener off the top or a screw that is none.
    """
    width = year.made_width_mm if top_width_mm is None else top_width_mm
    if not (math.isfinite(screw_mm) and 0 < screw_mm <= 50):
        raise LayoutError(f"A screw of {screw_mm:g} mm is impossible.", "Give its diameter in mm, such as 5.")
    if not all(0 <= place <= width for place in across_mm):
        raise LayoutError(
            "A fastener lies beside the top.", f"Give its distance from the upper edge, 0 to {width:.0f} mm."
        )
    line_mm = {"middle": width / 2, "upper edge": 0.0, "lower edge": width}[fixed_line]
    wetter, drier = travel_per_mm(year)
    slots = tuple(
        plan_slot(
            f"fastener {number}",
            place,
            distance_mm=abs(place - line_mm),
            wetter_frac=wetter,
            drier_frac=drier,
            screw_mm=screw_mm,
        )
        for number, place in enumerate(across_mm, start=1)
    )
    return Fastening(
        fixed_line=fixed_line,
        fixed_across_mm=line_mm,
        screw_mm=screw_mm,
        slots=slots,
        steps=_steps(fixed_line, slots),
        warnings=(*check_cross_grain(year, traps, width_mm=width), *_slot_warnings(slots, screw_mm)),
        assumptions=(*year.assumptions, "The base itself is taken not to move.", MAKERS_FIRST),
    )


def plan_slot(
    name: str, across_mm: float, *, distance_mm: float, wetter_frac: float, drier_frac: float, screw_mm: float
) -> Slot:
    """The slot for one fastener at a distance from the fixed line.

    wetter_frac, drier_frac: how much the wood grows and shrinks, as a share of its width, both positive.
    Slot length = screw + travel wetter + travel drier + CLEARANCE_MM; a round hole needs twice the larger.
    """
    wetter, drier = distance_mm * wetter_frac, distance_mm * drier_frac
    return Slot(
        name=name,
        across_mm=across_mm,
        slides=wetter + drier > NO_SLIDE_MM,
        travel_wetter_mm=wetter,
        travel_drier_mm=drier,
        slot_mm=screw_mm + wetter + drier + CLEARANCE_MM,
        hole_mm=screw_mm + 2 * max(wetter, drier) + CLEARANCE_MM,
        outward_mm=wetter + CLEARANCE_MM / 2,
    )


def travel_per_mm(year: TopYear) -> tuple[float, float]:
    """Largest growth and largest shrinkage of the top since the glue-up, as shares of its width."""
    most = max(0.0, *(s.width.high_mm for s in year.seasons))
    least = min(0.0, *(s.width.low_mm for s in year.seasons))
    return most / year.made_width_mm, -least / year.made_width_mm


def check_cross_grain(
    year: TopYear, traps: Sequence[Trap], *, width_mm: float | None = None
) -> tuple[str, ...]:
    """A warning, with its millimetres, for each construction that stops the top from moving."""
    width = year.made_width_mm if width_mm is None else width_mm
    wetter, drier = travel_per_mm(year)
    swing = f"{(wetter + drier) * width:.1f} mm over the year"
    words: dict[Trap, str] = {
        "breadboard end": (
            f"A breadboard end glued over its full width stops {swing}: the top splits or the end opens. "
            "Glue it for a hand's width in the middle only and peg it through slots."
        ),
        "frame": (
            f"A frame with its long grain across the boards' ends does not follow {swing}: its mitres "
            "open or the top splits. Leave the panel loose in a groove, or leave the frame away."
        ),
        "fast batten": (
            f"A batten glued or screwed fast across the boards stops {swing}. "
            "Fix it in the middle and screw it through slots elsewhere."
        ),
        "apron screwed tight": (
            f"An apron screwed tight to the top along both ends stops {swing}. "
            "Use buttons in grooves, pivoting plates or slotted holes."
        ),
    }
    return tuple(words[trap] for trap in dict.fromkeys(traps))


def _steps(fixed_line: FixedLine, slots: Sequence[Slot]) -> tuple[str, ...]:
    where = "along its middle" if fixed_line == "middle" else f"along its {fixed_line}"
    fast = [s.name for s in slots if not s.slides]
    steps = [f"Fix the top {where}; it moves across the boards from there, and hardly at all along them."]
    if fast:
        steps.append(f"Screw fast: {', '.join(fast)}.")
    if len(fast) < len(slots):
        steps.append(
            "Put all others in slots across the boards, tight enough to hold and loose enough to slide."
        )
        steps.append("Set each screw in its slot as listed, counted from the slot's outer end.")
    return tuple(steps)


def _slot_warnings(slots: Sequence[Slot], screw_mm: float) -> tuple[str, ...]:
    largest = max((s.hole_mm for s in slots), default=0.0)
    if largest > 3 * screw_mm:
        return (
            f"A round hole would have to be {largest:.1f} mm for a {screw_mm:g} mm screw: cut slots, or use "
            "buttons in grooves or pivoting plates.",
        )
    return ()
