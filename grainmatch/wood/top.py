"""A whole top over the year: how wide it becomes and what shape it takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Layout, Placement, Pose
from grainmatch.wood.cup import (
    BoardArc,
    Floats,
    Rings,
    join_arcs,
    measure_out_of_flat_mm,
    predict_board_arc,
    ring_angle_deg,
)
from grainmatch.wood.moisture import DEFAULT_ROOM, Room, check_moisture
from grainmatch.wood.shrinkage import Movement, predict_thickness_movement, predict_width_movement
from grainmatch.wood.species import Species, find_species, middling_species

ASSUMED_PITH_MM = 100.0
"""Pith below the heart face when only the bark side is known (own assumption: a log some 30 cm across)."""

UNRESTRAINED = (
    "The shape is that of a loose top, an upper figure: battens, fastenings and a base hold most of it."
)


@dataclass(frozen=True, eq=False)
class SeasonShape:
    """The top in one season. across_mm, rise_mm (m,): its upper face as a curve; out_of_flat_mm is highest
    minus lowest of it. width and thickness are changes since the glue-up."""

    season: str
    moisture_pct: float
    width: Movement
    thickness: Movement
    across_mm: Floats
    rise_mm: Floats
    out_of_flat_mm: float


@dataclass(frozen=True, eq=False)
class TopYear:
    """The top over a year in one room."""

    room: Room
    made_width_mm: float
    seasons: tuple[SeasonShape, ...]
    warnings: tuple[str, ...]
    assumptions: tuple[str, ...]

    @property
    def worst(self) -> SeasonShape:
        """The season in which the top is least flat."""
        return max(self.seasons, key=lambda s: s.out_of_flat_mm)

    @property
    def width_swing_mm(self) -> float:
        """Widest minus narrowest over the year."""
        changes = [s.width.change_mm for s in self.seasons]
        return max(changes) - min(changes)


@dataclass(frozen=True)
class LaidBoard:
    """One board of a layout as wood: its section, rings as it lies (None: not known) and moisture, with what
    had to be assumed of either, '' for nothing."""

    board_id: str
    width_mm: float
    thickness_mm: float
    species: Species
    rings: Rings | None
    moisture_pct: float
    assumed_rings: str = ""
    assumed_moisture: str = ""

    @property
    def assumptions(self) -> tuple[str, ...]:
        """All that had to be assumed, in words."""
        return tuple(words for words in (self.assumed_rings, self.assumed_moisture) if words)


def predict_top_year(
    layout: Layout,
    boards: Sequence[Board],
    *,
    room: Room = DEFAULT_ROOM,
) -> TopYear:
    """Width, thickness and shape of the glued top in each season of the room.

    Boards of unknown moisture count as settled at the room's mean when glued. Raises LayoutError for a
    board that is missing, WoodError for an unknown wood.
    """
    laid = lay_boards(layout, boards, room=room)
    seasons = tuple(_predict_season(laid, season.name, season.moisture_pct) for season in room.seasons)
    by_id = {b.id: b for b in boards}
    measured = {p.board_id: by_id[p.board_id].moisture_pct for p in layout.placements}
    assumptions = [text for board in laid for text in (*board.assumptions, *board.species.cautions)]
    return TopYear(
        room=room,
        made_width_mm=sum(board.width_mm for board in laid),
        seasons=seasons,
        warnings=check_moisture(measured, room=room),
        assumptions=tuple(dict.fromkeys((*assumptions, UNRESTRAINED))),
    )


def lay_boards(
    layout: Layout,
    boards: Sequence[Board],
    *,
    room: Room = DEFAULT_ROOM,
) -> tuple[LaidBoard, ...]:
    """The layout's boards as wood, in order. Raises LayoutError for a board that is missing."""
    by_id: Mapping[str, Board] = {b.id: b for b in boards}
    missing = [p.board_id for p in layout.placements if p.board_id not in by_id]
    if missing or not layout.placements:
        raise LayoutError(
            f"Board {missing[0]} of the layout is missing." if missing else "The layout holds no boards.",
            "Open the job the layout was made from.",
        )
    return tuple(_lay_board(by_id[p.board_id], p, room.mean_moisture_pct) for p in layout.placements)


def rings_in_pose(board: Board, pose: Pose) -> tuple[Rings | None, str]:
    """Where the pith lies as the board lies, and what had to be assumed ('' for nothing).

    From the end grain where it could be read, from the bark side set by hand with the pith assumed
    ASSUMED_PITH_MM below the heart face, else None.
    """
    rings, assumption = _read_rings(board)
    if rings is None:
        return None, assumption
    if pose.side_up == "B":
        rings = rings.flipped(board.thickness_mm)
    return (rings.turned() if pose.turned else rings), assumption


def predict_arc_in_pose(
    board: Board,
    pose: Pose,
    *,
    species: Species,
    from_pct: float,
    to_pct: float,
    rip_mm: tuple[float, float] = (0, 0),
) -> BoardArc:
    """The joinable shape of one board in one pose: what an arrangement search needs to price flatness."""
    rings, _ = rings_in_pose(board, pose)
    return predict_board_arc(
        width_mm=board.width_mm - sum(rip_mm),
        thickness_mm=board.thickness_mm,
        rings=rings.ripped(*rip_mm) if rings else None,
        species=species,
        from_pct=from_pct,
        to_pct=to_pct,
    )


def _read_rings(board: Board) -> tuple[Rings | None, str]:
    end = board.end_grain
    if board.bark_side is None and end is not None and end.bark_side is not None:
        return Rings(end.pith_across_mm, end.pith_depth_mm), ""
    if board.bark_side is None:
        return None, f"Rings of board {board.id} not known: its cup is left out and it counts as plain-sawn."
    if end is not None and end.bark_side == board.bark_side:
        return Rings(end.pith_across_mm, end.pith_depth_mm), ""
    depth = ASSUMED_PITH_MM + board.thickness_mm if board.bark_side == "A" else -ASSUMED_PITH_MM
    return (
        Rings(0.0, depth),
        f"Board {board.id}: bark side set by hand, pith taken {ASSUMED_PITH_MM:g} mm from its heart face.",
    )


def _lay_board(board: Board, placement: Placement, mean_pct: float) -> LaidBoard:
    wood = find_species(board.species) if board.species else middling_species()
    rings, assumption = rings_in_pose(board, placement.pose)
    settled = f"Boards of unmeasured moisture count as settled at {mean_pct:.1f} % when glued."
    width = board.width_mm - sum(placement.rip_mm)
    if width <= 0:
        raise LayoutError(f"Nothing is left of board {board.id} after ripping.", "Take less off its edges.")
    return LaidBoard(
        board_id=board.id,
        width_mm=width,
        thickness_mm=board.thickness_mm,
        species=wood,
        rings=rings.ripped(*placement.rip_mm) if rings else None,
        moisture_pct=mean_pct if board.moisture_pct is None else board.moisture_pct,
        assumed_rings=assumption,
        assumed_moisture=settled if board.moisture_pct is None else "",
    )


def _predict_season(laid: Sequence[LaidBoard], season: str, to_pct: float) -> SeasonShape:
    arcs = [
        predict_board_arc(
            width_mm=board.width_mm,
            thickness_mm=board.thickness_mm,
            rings=board.rings,
            species=board.species,
            from_pct=board.moisture_pct,
            to_pct=to_pct,
        )
        for board in laid
    ]
    across, rise = join_arcs(arcs)
    thickness = [_predict_board_movement(board, to_pct, across=False) for board in laid]
    return SeasonShape(
        season=season,
        moisture_pct=to_pct,
        width=add_movements([_predict_board_movement(board, to_pct, across=True) for board in laid]),
        thickness=max(thickness, key=lambda m: abs(m.change_mm)),
        across_mm=across,
        rise_mm=rise,
        out_of_flat_mm=float(measure_out_of_flat_mm(across, rise)),
    )


def _predict_board_movement(board: LaidBoard, to_pct: float, *, across: bool) -> Movement:
    angle = (
        None
        if board.rings is None
        else ring_angle_deg(board.rings, width_mm=board.width_mm, thickness_mm=board.thickness_mm)
    )
    if across:
        return predict_width_movement(
            width_mm=board.width_mm,
            species=board.species,
            from_pct=board.moisture_pct,
            to_pct=to_pct,
            ring_angle_deg=angle,
        )
    return predict_thickness_movement(
        thickness_mm=board.thickness_mm,
        species=board.species,
        from_pct=board.moisture_pct,
        to_pct=to_pct,
        ring_angle_deg=angle,
    )


def add_movements(parts: Sequence[Movement]) -> Movement:
    """The movement of boards side by side: figures and ranges add up, whatever their order."""
    return Movement(
        change_mm=sum(p.change_mm for p in parts),
        low_mm=sum(p.low_mm for p in parts),
        high_mm=sum(p.high_mm for p in parts),
        assumptions=tuple(dict.fromkeys(text for p in parts for text in p.assumptions)),
    )
