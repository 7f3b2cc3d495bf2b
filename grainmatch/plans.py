"""The nouns of the shop: frozen records of how a layout is glued, cut to size and fastened.

Only `glueup` makes them and only `report` puts them on paper; frames and conventions are those of `model`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from grainmatch.model import FixedLine, Side

# --- gluing up -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Clamp:
    """One clamp. place_mm: from the left end of the panel; over: above the boards, not under them; number:
    the order in which it is pulled tight."""

    place_mm: float
    over: bool
    number: int


@dataclass(frozen=True)
class Stage:
    """One glue-up: parts (boards, or panels glued before, named by their boards) joined side by side.

    day counts from 1. seams: index of each seam in the whole top (0 between the first two boards).
    spacing_mm: between clamps; force_n: on each clamp; pressure_mpa: what they bring on the seam, wanted_mpa
    the range asked for. glue_g: to have at hand. work_min: spreading and clamping, which one seam alone may
    take longer than the glue stays open, open_min.
    """

    day: int
    parts: tuple[tuple[str, ...], ...]
    seams: tuple[int, ...]
    length_mm: float
    width_mm: float
    weight_kg: float
    clamps: tuple[Clamp, ...]
    spacing_mm: float
    force_n: float
    pressure_mpa: float
    wanted_mpa: tuple[float, float]
    glue_g: float
    work_min: float
    open_min: float
    clamped_min: float
    steps: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def board_ids(self) -> tuple[str, ...]:
        """All boards in the panel this stage makes, top to bottom."""
        return tuple(i for part in self.parts for i in part)


@dataclass(frozen=True)
class EdgeMark:
    """How to hold one board at the jointer: its show face against the fence (in) or away from it (out)."""

    board_id: str
    face_up: Side
    show_face_in: bool


@dataclass(frozen=True)
class GlueUp:
    """The plan from boards to a glued panel. stages in the order they are done; days until surfacing.

    cautions go on every paper that shows the plan; assumptions say what was not known.
    """

    stages: tuple[Stage, ...]
    edge_marks: tuple[EdgeMark, ...]
    glue_g: float
    glue_enough: bool
    surface_after_days: int
    cauls: tuple[str, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()


# --- cutting to size ---------------------------------------------------------------------------


@dataclass(frozen=True)
class BoardTrim:
    """What the final cuts take off one board. left_mm and right_mm: beyond the cut lines, negative where the
    board falls short of them. slide_mm: how far it lies off the middle."""

    board_id: str
    left_mm: float
    right_mm: float
    upper_mm: float
    lower_mm: float
    slide_mm: float


@dataclass(frozen=True)
class SparePiece:
    """Wood left over. kind says where it comes from; it goes back on the rack when worth keeping.

    from_left_mm and from_upper_mm place its corner on the board as face A shows it.
    """

    board_id: str
    kind: Literal["end", "edge", "whole board"]
    length_mm: float
    width_mm: float
    thickness_mm: float
    from_left_mm: float
    from_upper_mm: float
    keep: bool


@dataclass(frozen=True)
class ShapeOption:
    """One way to finish the edges or the corners. size_mm: usual sizes, least and most (common
    practice, no source)."""

    name: str
    words: str
    size_mm: tuple[float, float]


@dataclass(frozen=True)
class TrimPlan:
    """Where the glued panel is cut. Panel frame: x from the leftmost board end, y from the upper edge.

    cut_mm: left, top, right, bottom of the finished top. rough_mm: for each board, where it may be cut across
    before gluing (left, right, panel x). lost_frac: share of the boards' area that is not in the top.
    """

    panel_mm: tuple[float, float]
    cut_mm: tuple[float, float, float, float]
    boards: tuple[BoardTrim, ...]
    rough_mm: Mapping[str, tuple[float, float]]
    spare: tuple[SparePiece, ...]
    lost_frac: float
    edge_options: tuple[ShapeOption, ...] = ()
    corner_options: tuple[ShapeOption, ...] = ()
    marks_left_in: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()


# --- fastening ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Slot:
    """The hole one fastener needs in the part that does not move with the top.

    travel_wetter_mm is how far the top carries the screw away from the fixed line in the damp season,
    travel_drier_mm how far towards it in the dry one, both with the far end of the range. slot_mm: length of
    a slot across the grain. hole_mm: diameter of a round hole instead, screw in its middle. outward_mm: how
    far the screw stands from the slot's outer end when it is put in.
    """

    name: str
    across_mm: float
    slides: bool
    travel_wetter_mm: float
    travel_drier_mm: float
    slot_mm: float
    hole_mm: float
    outward_mm: float


@dataclass(frozen=True)
class Fastening:
    """How to hold the top: a fixed line and a slot for every fastener, counted from the upper edge."""

    fixed_line: FixedLine
    fixed_across_mm: float
    screw_mm: float
    slots: tuple[Slot, ...]
    steps: tuple[str, ...]
    warnings: tuple[str, ...]
    assumptions: tuple[str, ...]
