"""Moisture of wood in the air of a room, over the seasons.

Equilibrium moisture: Wood Handbook, FPL-GTR-282 (2021), eq. 4-5, midway between drying and wetting.
The handbook itself calls 0.1 % 'not meaningful'; at 50 % humidity drying and wetting lie 1 to 4
points apart (TräGuiden).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from grainmatch.errors import WoodError

LARGEST_BOARD_SPREAD_PCT = 2.0
"""Between boards glued into one piece of furniture (from memory; no published text was found)."""
LARGEST_ROOM_GAP_PCT = 2.0
"""Between a board and the room it will stand in (Wengert, UW-Madison Extension 1998, read in one text)."""

# Eq. 4-5, metric: each line holds the constant, linear and square term of W, K, K1, K2.
_EQ_4_5 = (
    (349.0, 1.29, 0.0135),
    (0.805, 0.000736, -0.00000273),
    (6.27, -0.00938, -0.000303),
    (1.91, 0.0407, -0.000293),
)
_LOWEST_C, _HIGHEST_C = -40.0, 132.2


@dataclass(frozen=True)
class Season:
    """The air in one part of the year."""

    name: str
    temperature_c: float
    humidity_pct: float

    def __post_init__(self) -> None:
        _check_air(self.temperature_c, self.humidity_pct)

    @property
    def moisture_pct(self) -> float:
        """What wood settles at if the season lasts long enough: the widest swing, not the usual one."""
        return equilibrium_moisture_pct(temperature_c=self.temperature_c, humidity_pct=self.humidity_pct)


@dataclass(frozen=True)
class Room:
    """Where the top will live: two or more seasons, in the order of the year."""

    name: str
    seasons: tuple[Season, ...]
    source: str = ""

    def __post_init__(self) -> None:
        if len(self.seasons) < 2:
            raise WoodError("A room needs two seasons or more.", "Give the driest and the dampest season.")

    @property
    def driest(self) -> Season:
        """The season of least wood moisture."""
        return min(self.seasons, key=lambda s: s.moisture_pct)

    @property
    def dampest(self) -> Season:
        """The season of most wood moisture."""
        return max(self.seasons, key=lambda s: s.moisture_pct)

    @property
    def mean_moisture_pct(self) -> float:
        """Mean over the seasons, each counted alike."""
        return math.fsum(s.moisture_pct for s in self.seasons) / len(self.seasons)

    @property
    def words_for_mean_air(self) -> str:
        """Air in which wood settles at the room's mean moisture, such as `43 % humidity at 22 °C`."""
        celsius = math.fsum(s.temperature_c for s in self.seasons) / len(self.seasons)
        humidity = humidity_for_moisture_pct(temperature_c=celsius, moisture_pct=self.mean_moisture_pct)
        return f"{humidity:.0f} % humidity at {celsius:.0f} °C"


def equilibrium_moisture_pct(*, temperature_c: float, humidity_pct: float) -> float:
    """Moisture wood settles at, in per cent of dry mass, in air of that temperature and humidity.

    Wood Handbook (2021) eq. 4-5, metric set. The handbook's Table 4-2 covers -1.1 to 132.2 degrees C
    and 5 to 95 %; outside, the equation is carried on. Raises WoodError for impossible air.
    """
    _check_air(temperature_c, humidity_pct)
    w, k, k1, k2 = (c + b * temperature_c + a * temperature_c**2 for c, b, a in _EQ_4_5)
    kh = k * humidity_pct / 100
    dissolved = kh / (1 - kh)
    bound = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return 1800 / w * (dissolved + bound)


def humidity_for_moisture_pct(*, temperature_c: float, moisture_pct: float) -> float:
    """The humidity (per cent) at which wood settles at that moisture: inverse of eq. 4-5.

    Raises WoodError when no air does (moisture below zero or above about 27 %).
    """
    _check_air(temperature_c, 50.0)
    highest = equilibrium_moisture_pct(temperature_c=temperature_c, humidity_pct=100.0)
    if not (math.isfinite(moisture_pct) and 0 <= moisture_pct <= highest):
        raise WoodError(
            f"No air gives wood a moisture of {moisture_pct:g} %.",
            f"Give a moisture from 0 to {math.floor(highest)} %.",
        )
    low, high = 0.0, 100.0
    while high - low > 1e-9:  # moisture grows with humidity throughout
        middle = (low + high) / 2
        if equilibrium_moisture_pct(temperature_c=temperature_c, humidity_pct=middle) < moisture_pct:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def find_room(name: str) -> Room:
    """One of the room presets. Raises WoodError, naming them all, for another name."""
    wanted = " ".join(name.casefold().replace("-", " ").split())
    if wanted not in ROOMS:
        raise WoodError(f"The room '{name}' is not a preset.", f"Use one of: {', '.join(ROOMS)}.")
    return ROOMS[wanted]


def check_moisture(moisture_pct: Mapping[str, float | None], *, room: Room | None = None) -> tuple[str, ...]:
    """Warnings, in words, about boards' moisture (board id to per cent, None when not measured).

    Boards that differ by more than LARGEST_BOARD_SPREAD_PCT and boards that stand more than
    LARGEST_ROOM_GAP_PCT from the room's mean.
    """
    known = {board: value for board, value in moisture_pct.items() if value is not None}
    warnings: list[str] = []
    missing = [board for board in moisture_pct if board not in known]
    if missing and known:
        warnings.append(f"No moisture is known for {_boards(missing)}: measure before gluing.")
    if not known:
        return tuple(warnings)
    dry, damp = min(known, key=lambda b: known[b]), max(known, key=lambda b: known[b])
    if known[damp] - known[dry] > LARGEST_BOARD_SPREAD_PCT:
        warnings.append(
            f"Board {dry} ({known[dry]:.1f} %) and board {damp} ({known[damp]:.1f} %) differ by more than "
            f"{LARGEST_BOARD_SPREAD_PCT:g} points: let the boards settle together before gluing."
        )
    if room is not None:
        mean = room.mean_moisture_pct
        limit = LARGEST_ROOM_GAP_PCT
        far = [board for board, value in known.items() if abs(value - mean) > limit]
        if far:
            warnings.append(
                f"More than {limit:g} points from the room's mean ({mean:.1f} %): {_boards(far)}. "
                f"Let them settle in air of {room.words_for_mean_air} before gluing."
            )
    return tuple(warnings)


def _boards(ids: Sequence[str]) -> str:
    return ("board " if len(ids) == 1 else "boards ") + ", ".join(ids)


def _check_air(temperature_c: float, humidity_pct: float) -> None:
    if not (math.isfinite(temperature_c) and _LOWEST_C <= temperature_c <= _HIGHEST_C):
        raise WoodError(
            f"A temperature of {temperature_c:g} °C is outside what the moisture equation knows.",
            f"Give a temperature from {_LOWEST_C:g} to {_HIGHEST_C:g} °C.",
        )
    if not (math.isfinite(humidity_pct) and 0 <= humidity_pct <= 100):
        raise WoodError(f"A humidity of {humidity_pct:g} % is impossible.", "Give one from 0 to 100 %.")


_HEATED = "TräGuiden: heated rooms 10-25 % in winter, 45-60 % in summer (read in notes)"
_ZONE_2 = "AWI 200 zone 2: 30-55 % (read in one secondary text)"
_OWN = "own suggestion, no source: measure your room"

ROOMS: Mapping[str, Room] = MappingProxyType(
    {
        room.name: room
        for room in (
            Room("heated and dry", (Season("winter", 21, 17), Season("summer", 22, 45)), _HEATED),
            Room("heated and humidified", (Season("winter", 21, 30), Season("summer", 23, 55)), _ZONE_2),
            Room("damp coast", (Season("winter", 18, 42), Season("summer", 26, 71)), _OWN),
            Room("air conditioned", (Season("winter", 21, 35), Season("summer", 24, 50)), _OWN),
            Room("unheated", (Season("winter", 0, 85), Season("summer", 22, 55)), _OWN),
        )
    }
)
"""Room presets. They bracket a year at its extremes; a cheap hygrometer in the room knows better."""
DEFAULT_ROOM = ROOMS["heated and humidified"]
