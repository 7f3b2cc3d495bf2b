"""What a width of one wood does over a year in one room, as a small table."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from grainmatch.units import LengthUnits, format_inches, format_length
from grainmatch.wood.cup import predict_cup_mm, predict_one_sided_cup_mm
from grainmatch.wood.moisture import DEFAULT_ROOM, Room, find_room
from grainmatch.wood.shrinkage import (
    predict_length_range_mm,
    predict_thickness_change_mm,
    predict_width_movement,
)
from grainmatch.wood.species import Species, find_species

CUT_ANGLES_DEG = {"plain-sawn": 0.0, "rift": 45.0, "quartersawn": 90.0}
"""Ring angle to the face that stands for each cut (plain 0-30, rift 30-60, quarter 60-90: Architectural
Woodwork Standards 2009, appendix B; the Forest Service draws the one line at 45)."""

EXAMPLE_BOARD_MM = (150.0, 27.0)
EXAMPLE_PITH_MM = 100.0
ONE_SIDED_PCT = 2.0
"""How much drier one face of the example board is when finish closes one of them only (own assumption)."""


@dataclass(frozen=True)
class MovementRow:
    """One cut in one season, counted from the room's mean moisture. Changes in mm, growth positive."""

    cut: str
    season: str
    temperature_c: float
    humidity_pct: float
    moisture_pct: float
    change_mm: float
    low_mm: float
    high_mm: float
    thickness_change_mm: float


@dataclass(frozen=True)
class MovementTable:
    """Rows for each cut and season; example_cup_mm is the largest cup of one plain-sawn example board."""

    species: Species
    room: Room
    width_mm: float
    thickness_mm: float
    made_pct: float
    rows: tuple[MovementRow, ...]
    example_cup_mm: float
    remarks: tuple[str, ...]

    def swing_mm(self, cut: str) -> float:
        """Widest minus narrowest over the year."""
        changes = [row.change_mm for row in self.rows if row.cut == cut]
        return max(changes) - min(changes)

    def document(self) -> dict[str, Any]:
        """Plain data, ready for JSON."""
        return {
            "species": self.species.name,
            "botanical": self.species.botanical,
            "radial_per_pct": self.species.radial_per_pct,
            "tangential_per_pct": self.species.tangential_per_pct,
            "sources": {key: f"{s.text} ({s.mark})" for key, s in sorted(self.species.sources.items())},
            "room": self.room.name,
            "width_mm": self.width_mm,
            "thickness_mm": self.thickness_mm,
            "made_pct": self.made_pct,
            "rows": [asdict(row) for row in self.rows],
            "swing_mm": {cut: self.swing_mm(cut) for cut in CUT_ANGLES_DEG},
            "example_cup_mm": self.example_cup_mm,
            "remarks": list(self.remarks),
        }

    def lines(self, units: LengthUnits = "mm") -> list[str]:
        """The table as lines of text."""
        width = format_length(self.width_mm, units, decimals=0)
        lines = [
            f"{self.species.name} ({self.species.botanical}), {width} wide, {self.room.name},"
            f" made at {self.made_pct:.1f} % moisture",
            f"{'cut':<12} {'season':<8} {'air':>11} {'moisture':>9} {'width':>9} {'likely range':>21}",
        ]
        for row in self.rows:
            low, high = _signed(row.low_mm, units), _signed(row.high_mm, units)
            lines.append(
                f"{row.cut:<12} {row.season:<8} {row.temperature_c:>3.0f} C {row.humidity_pct:>3.0f} %"
                f" {row.moisture_pct:>7.1f} % {_signed(row.change_mm, units):>9} {f'{low} to {high}':>21}"
            )
        swings = ", ".join(f"{cut} {_plain(self.swing_mm(cut), units)}" for cut in CUT_ANGLES_DEG)
        return [*lines, f"Over the year: {swings}.", *self.remarks]


def predict_movement_table(
    species: str,
    *,
    room: Room | str = DEFAULT_ROOM,
    width_mm: float = 1000.0,
    made_pct: float | None = None,
) -> MovementTable:
    """Width and thickness of that wood in each season of the room, for each cut.

    made_pct: moisture when the piece was made, None for the room's mean. Raises WoodError for an
    unknown wood or room, or an impossible number.
    """
    wood = find_species(species)
    place = find_room(room) if isinstance(room, str) else room
    made = place.mean_moisture_pct if made_pct is None else made_pct
    rows: list[MovementRow] = []
    for cut, angle in CUT_ANGLES_DEG.items():
        for season in place.seasons:
            to_pct = season.moisture_pct
            width = predict_width_movement(
                width_mm=width_mm, species=wood, from_pct=made, to_pct=to_pct, ring_angle_deg=angle
            )
            thickness = predict_thickness_change_mm(
                thickness_mm=EXAMPLE_BOARD_MM[1],
                species=wood,
                from_pct=made,
                to_pct=to_pct,
                ring_angle_deg=angle,
            )
            rows.append(
                MovementRow(
                    cut=cut,
                    season=season.name,
                    temperature_c=season.temperature_c,
                    humidity_pct=season.humidity_pct,
                    moisture_pct=to_pct,
                    change_mm=width.change_mm,
                    low_mm=width.low_mm,
                    high_mm=width.high_mm,
                    thickness_change_mm=thickness,
                )
            )
    cup = max((_example_cup_mm(wood, made, s.moisture_pct) for s in place.seasons), key=abs)
    return MovementTable(
        wood, place, width_mm, EXAMPLE_BOARD_MM[1], made, tuple(rows), cup, _remarks(wood, place, made, cup)
    )


def _example_cup_mm(wood: Species, from_pct: float, to_pct: float) -> float:
    return predict_cup_mm(
        width_mm=EXAMPLE_BOARD_MM[0],
        pith_depth_mm=EXAMPLE_PITH_MM,
        species=wood,
        from_pct=from_pct,
        to_pct=to_pct,
    )


def _one_sided_cup_mm(wood: Species, made_pct: float) -> float:
    width, thickness = EXAMPLE_BOARD_MM
    return predict_one_sided_cup_mm(
        width_mm=width,
        thickness_mm=thickness,
        species=wood,
        from_pct=made_pct,
        face_pct=made_pct,
        back_pct=made_pct + ONE_SIDED_PCT,
    )


def _remarks(wood: Species, room: Room, made_pct: float, cup_mm: float) -> tuple[str, ...]:
    width, pith = EXAMPLE_BOARD_MM[0], EXAMPLE_PITH_MM
    return (
        f"A loose plain-sawn board {width:g} mm wide, {pith:g} mm from the pith, cups {abs(cup_mm):.2f} mm.",
        f"With one face {ONE_SIDED_PCT:g} points drier than the other it cups "
        f"{_one_sided_cup_mm(wood, made_pct):.2f} mm: finish both faces alike.",
        f"Along the grain it moves {_along_words(room)} of its length: leave it out.",
        "One coefficient cannot predict one board: the range is what boards in use have shown.",
        f"The room's figures: {room.source or 'as given'}.",
        *wood.cautions,
    )


def _along_words(room: Room) -> str:
    low, high = predict_length_range_mm(
        length_mm=100.0, from_pct=room.driest.moisture_pct, to_pct=room.dampest.moisture_pct
    )
    return f"{low:.2f} to {high:.2f} %"


def _signed(change_mm: float, units: LengthUnits) -> str:
    sign = "-" if change_mm < 0 else "+"
    return f"{sign}{_plain(abs(change_mm), units)}"


def _plain(length_mm: float, units: LengthUnits) -> str:
    return format_inches(length_mm, per_inch=64) if units == "in" else f"{length_mm:.1f} mm"
