"""Buying wood for a top, and the reverse: what top a pile can make.

Hardwood is sold by the board foot of surface measure (rules of the National Hardwood Lumber
Association): board length in whole feet, rounded down, times the width in inches, over twelve, rounded
to whole square feet, times the nominal thickness in inches; under one inch counts as one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from grainmatch.errors import WoodError
from grainmatch.model import Board
from grainmatch.units import MM_PER_INCH, LengthUnits, format_length
from grainmatch.wood.shrinkage import check_size

MM_PER_FOOT = 12 * MM_PER_INCH
M3_PER_BOARD_FOOT = 144 * MM_PER_INCH**3 * 1e-9
USUAL_WASTE_FRAC = 0.30
"""Share of the wood bought that does not end in the top. Common practice, no source."""
EDGE_LOSS_MM = 4.0
"""Straightening and jointing, for each long edge. Common practice, no source."""
END_LOSS_MM = 50.0
"""Checked ends and squaring, for both ends together. Common practice, no source."""


@dataclass(frozen=True)
class Stock:
    """Hardwood as sold. nominal_in: rough thickness, what is paid for. dressed_in: planed on both faces."""

    name: str
    nominal_in: float
    dressed_in: float

    @property
    def rough_mm(self) -> float:
        """Rough thickness in mm (mills usually saw a little over)."""
        return self.nominal_in * MM_PER_INCH

    @property
    def dressed_mm(self) -> float:
        """Thickness planed on both faces (S2S), in mm: what a grader expects, the true one may differ."""
        return self.dressed_in * MM_PER_INCH


STOCK = (
    Stock("4/4", 1.0, 13 / 16),
    Stock("5/4", 1.25, 1 + 1 / 16),
    Stock("6/4", 1.5, 1 + 5 / 16),
    Stock("8/4", 2.0, 1.75),
    Stock("10/4", 2.5, 2.25),
    Stock("12/4", 3.0, 2.75),
    Stock("16/4", 4.0, 3.75),
)
"""Quarter names. Dressed thickness of hardwood S2S: read in two texts for 4/4 to 8/4, 12/4 and 16/4 (trade
tables quoting the grading rules), from memory for 10/4."""


@dataclass(frozen=True)
class Purchase:
    """What to buy for one top."""

    stock: Stock
    top_area_m2: float
    bought_area_m2: float
    volume_m3: float
    board_feet: int
    waste_frac: float
    least_length_mm: float

    def document(self) -> dict[str, Any]:
        """Plain data, ready for JSON."""
        return asdict(self) | {"remarks": list(self.lines()[1:])}

    def lines(self, units: LengthUnits = "mm") -> list[str]:
        """What to ask for, and what it rests on."""
        rough, dressed = (format_length(v, units) for v in (self.stock.rough_mm, self.stock.dressed_mm))
        length = format_length(self.least_length_mm, units, decimals=0)
        top, bought = (_format_area(v, units) for v in (self.top_area_m2, self.bought_area_m2))
        return [
            f"Buy {bought} of {self.stock.name} stock:"
            f" {self.board_feet} board feet, {self.volume_m3:.3f} m3.",
            f"The top is {top}; {100 * self.waste_frac:.0f} % of what is bought is taken to go into ends,"
            " edges, knots and choice.",
            f"Boards at least {length} long; ask for wood dried to the room's moisture.",
            f"{self.stock.name} is {rough} rough and planes to about {dressed}.",
            "Boards cut one after another from one log match best; buy a few to choose from.",
        ]


@dataclass(frozen=True)
class PossibleTop:
    """A top a pile can make: no other is both longer and wider."""

    length_mm: float
    width_mm: float
    board_ids: tuple[str, ...]


def _format_area(area_m2: float, units: LengthUnits) -> str:
    return f"{area_m2:.2f} m2" if units == "mm" else f"{area_m2 / (MM_PER_FOOT * 1e-3) ** 2:.1f} sq ft"


def find_stock(thickness_mm: float) -> Stock | None:
    """The thinnest stock that planes to that thickness or more; None when nothing sold is thick enough."""
    check_size(thickness_mm)
    # half a tenth of a millimetre: a typed 27 mm means 1-1/16 in.
    return next((s for s in STOCK if s.dressed_mm >= thickness_mm - 0.05), None)


def measure_surface_ft2(*, length_mm: float, width_mm: float) -> int:
    """Surface measure of one board in whole square feet: ⌊length in ft⌋ x width in inches / 12.

    Rounded to the nearest; a half counts up.
    """
    check_size(length_mm)
    check_size(width_mm)
    feet = math.floor(length_mm / MM_PER_FOOT + 1e-9)
    return math.floor(feet * (width_mm / MM_PER_INCH) / 12 + 0.5 + 1e-9)


def measure_board_feet(*, length_mm: float, width_mm: float, nominal_in: float) -> float:
    """Board feet of one board: surface measure times nominal thickness, one inch at least."""
    check_size(nominal_in)
    return measure_surface_ft2(length_mm=length_mm, width_mm=width_mm) * max(1.0, nominal_in)


def tally_board_feet(boards: Sequence[Board]) -> float | None:
    """Board feet that a yard counts for planed boards, each as the thinnest stock that planes to its size.

    A tapering board is counted a third of its length from the narrow end (from memory of the same rules).
    None when a board is thicker than anything sold.
    """
    total = 0.0
    for board in boards:
        stock = find_stock(board.thickness_mm)
        if stock is None:
            return None
        taper_mm = abs(board.end_width_mm - board.start_width_mm)
        total += measure_board_feet(
            length_mm=board.length_mm, width_mm=board.width_mm + taper_mm / 3, nominal_in=stock.nominal_in
        )
    return total


def plan_purchase(
    *, top_mm: tuple[float, float], thickness_mm: float, waste_frac: float = USUAL_WASTE_FRAC
) -> Purchase:
    """How much wood to buy for a top (length, width) of that finished thickness.

    waste_frac: share of what is bought that is lost to ends, edges, knots and choice. Raises WoodError
    for impossible sizes and for a thickness nothing sold planes to.
    """
    length, width = top_mm
    check_size(length)
    check_size(width)
    if not 0 <= waste_frac < 0.9:
        raise WoodError(
            f"A waste share of {waste_frac:g} is impossible.", "Give a share from 0 to below 0.9."
        )
    stock = find_stock(thickness_mm)
    if stock is None:
        thickest = STOCK[-1]
        raise WoodError(
            f"No usual stock planes to {thickness_mm:g} mm.",
            f"Glue the top up from two layers, or stay under {thickest.dressed_mm:.0f} mm ({thickest.name}).",
        )
    area = length * width * 1e-6
    bought = area / (1 - waste_frac)
    return Purchase(
        stock=stock,
        top_area_m2=area,
        bought_area_m2=bought,
        volume_m3=bought * stock.rough_mm * 1e-3,
        board_feet=math.ceil(bought * 1e6 * stock.rough_mm * 1e-9 / M3_PER_BOARD_FOOT - 1e-9),
        waste_frac=waste_frac,
        least_length_mm=length + END_LOSS_MM,
    )


def find_possible_tops(boards: Sequence[Board]) -> tuple[PossibleTop, ...]:
    """The tops a pile can make, longest first: each next one is shorter and wider.

    Every board counts with its narrower end less the jointing of both edges, and its length less the ends.
    """
    usable = sorted(
        ((b.length_mm - END_LOSS_MM, b.width_mm - 2 * EDGE_LOSS_MM, b.id) for b in boards),
        key=lambda u: -u[0],
    )
    tops: list[PossibleTop] = []
    width = 0.0
    ids: tuple[str, ...] = ()
    for place, (length, board_width, board_id) in enumerate(usable):
        if length <= 0 or board_width <= 0:
            continue
        width, ids = width + board_width, (*ids, board_id)
        last_of_length = place + 1 == len(usable) or usable[place + 1][0] < length
        if last_of_length:
            tops.append(PossibleTop(length, width, ids))
    return tuple(tops)
