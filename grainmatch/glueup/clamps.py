"""How many clamps, where, and how hard.

Pressure by density: 0.7-1.0, 1.0-1.4 and 1.4-2.1 MPa for light, middling and dense wood (a glue maker's
technical guide, read in one text); the Forest Products Laboratory goes from 0.7 MPa for the lightest to
1.7 MPa for the densest (Wood Handbook chapter 10, quoted in one text) and adds that small, flat, well planed
surfaces bond at less. Spacing: the force of a clamp spreads at 45 degrees each way (trade press, read in two
texts); a glue maker's rule of thumb is 200 to 300 mm, the first 38 to 50 mm from the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from grainmatch.plans import Clamp
from grainmatch.wood.species import Species

PRESSURE_MPA = ((0.7, 1.0), (1.0, 1.4), (1.4, 2.1))
CLASS_LIMITS_SG = (0.45, 0.60)
"""Where light ends and dense begins, in specific gravity at 12 % (own choice; the guide names no number)."""
WIDEST_SPACING_MM = 300.0
FIRST_FROM_END_MM = 50.0
WIDEST_CAUL_MM = 200.0
"""A batten wider than this is a board of its own (own choice)."""
NO_CLAMPS = "There are no clamps at hand: borrow some, or wedge the boards between fixed stops."


@dataclass(frozen=True)
class ClampSet:
    """Clamps for one glue-up. needed_n would press the whole seam hard enough."""

    clamps: tuple[Clamp, ...]
    needed_n: int
    spacing_mm: float
    force_n: float
    pressure_mpa: float
    wanted_mpa: tuple[float, float]
    warnings: tuple[str, ...]


def pressure_for_mpa(species: Species) -> tuple[float, float]:
    """Clamp pressure range for that wood; middling when its density is not known."""
    gravity = species.specific_gravity
    if gravity is None:
        return PRESSURE_MPA[1]
    return PRESSURE_MPA[sum(gravity > limit for limit in CLASS_LIMITS_SG)]


def pressed_length_mm(*, to_seam_mm: float, head_mm: float, caul_mm: float = 0.0) -> float:
    """How much of the nearest seam one clamp presses: its jaw, and 45 degrees each way through the wood."""
    return head_mm + 2 * (to_seam_mm + caul_mm)


def count_clamps(*, length_mm: float, pressed_mm: float) -> int:
    """Clamps that together press the whole seam, two at least."""
    return max(2, math.ceil(length_mm / pressed_mm - 1e-9))


def plan_clamps(
    *,
    length_mm: float,
    thickness_mm: float,
    to_seam_mm: float,
    wanted_mpa: tuple[float, float],
    clamps_n: int,
    clamp_force_n: float,
    head_mm: float,
    caul_mm: float = 0.0,
    from_mm: float = 0.0,
) -> ClampSet:
    """Clamps for a glue-up whose seams are pressed over length_mm, starting from_mm along the panel.

    to_seam_mm: from the clamp's pad to the nearest seam. As many clamps as the spread, the force and the rule
    of thumb ask for, as far as there are that many, and one when there are none; what falls short is said in
    words.
    """
    area_mm2 = length_mm * thickness_mm
    pressed = pressed_length_mm(to_seam_mm=to_seam_mm, head_mm=head_mm, caul_mm=caul_mm)
    by_spread = count_clamps(length_mm=length_mm, pressed_mm=pressed)
    by_force = math.ceil(wanted_mpa[0] * area_mm2 / clamp_force_n - 1e-9)
    by_rule = math.ceil((length_mm - 2 * FIRST_FROM_END_MM) / WIDEST_SPACING_MM - 1e-9) + 1
    count = max(min(clamps_n, max(by_spread, by_force, by_rule)), 1)
    wanted_n = sum(wanted_mpa) / 2 * area_mm2 / count
    force = min(clamp_force_n, wanted_n)
    places, spacing = place_clamps(length_mm=length_mm, count=count)
    pressure = force * count / area_mm2
    return ClampSet(
        clamps=tuple(
            Clamp(from_mm + place, over=number % 2 == 1, number=order)
            for number, (place, order) in enumerate(zip(places, _tightening_order(count), strict=True))
        ),
        needed_n=max(by_spread, by_force),
        spacing_mm=spacing,
        force_n=force,
        pressure_mpa=pressure,
        wanted_mpa=wanted_mpa,
        warnings=(
            *_spread_warning(count, by_spread, length_mm, to_seam_mm, head_mm),
            *_force_warning(count, by_force, pressure, wanted_mpa),
        )
        if clamps_n
        else (NO_CLAMPS,),
    )


def count_words(clamps_n: int) -> str:
    """`1 clamp`, `5 clamps`."""
    return f"{clamps_n} clamp{'' if clamps_n == 1 else 's'}"


def place_clamps(*, length_mm: float, count: int) -> tuple[tuple[float, ...], float]:
    """Even places along the seam, the outer ones FIRST_FROM_END_MM from its ends, and their spacing."""
    if count == 1:
        return (length_mm / 2,), length_mm
    end = min(FIRST_FROM_END_MM, length_mm / 4)
    spacing = (length_mm - 2 * end) / (count - 1)
    return tuple(end + spacing * k for k in range(count)), spacing


def _tightening_order(count: int) -> list[int]:
    """Middle first, then outwards to either side in turn (common practice, no source)."""
    by_distance = sorted(range(count), key=lambda k: abs(k - (count - 1) / 2))
    order = [0] * count
    for turn, place in enumerate(by_distance, start=1):
        order[place] = turn
    return order


def _spread_warning(
    count: int, by_spread: int, length_mm: float, to_seam_mm: float, head_mm: float
) -> tuple[str, ...]:
    if count >= by_spread:
        return ()
    caul = math.ceil(max(0.0, (length_mm / count - head_mm) / 2 - to_seam_mm))
    help_ = "borrow more"
    if caul <= WIDEST_CAUL_MM:
        help_ += f" or put stiff battens at least {caul} mm wide between clamps and edges"
    return (
        f"Parts of the seam stay without pressure from {count_words(count)} ({by_spread} reach all of it): "
        f"{help_}.",
    )


def _force_warning(
    count: int, by_force: int, pressure: float, wanted: tuple[float, float]
) -> tuple[str, ...]:
    if pressure >= wanted[0] - 1e-9:
        return ()
    low, high = wanted
    return (
        f"The seam gets {pressure:.2f} MPa from {count_words(count)} where {low:.1f} to {high:.1f} MPa are "
        f"asked for ({by_force} would do): the edges must meet without pressing, or use more or stronger "
        "clamps.",
    )
