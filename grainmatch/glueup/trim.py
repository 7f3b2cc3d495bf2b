"""Where the glued panel is cut, what is lost, and what is left for the rack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Face, Layout, Mark, Side
from grainmatch.panel import PlacedBoard, PlacedTop, place_top, to_strip
from grainmatch.plans import BoardTrim, ShapeOption, SparePiece, TrimPlan

Marks = Mapping[tuple[str, Side], Sequence[Mark]]
"""What was found on each face, by board id and side."""

ROUGH_END_MM = 25.0
"""Left on each end before gluing, to be cut off the glued panel. Common practice, no source."""
KERF_MM = 3.0
"""Width of a saw cut (own choice; measure your blade)."""
LEAST_SPARE_MM = (150.0, 25.0)
"""Length and width below which a piece is not worth keeping (own choice)."""
SHORT_MM = 1.0
"""Board ends that fall this much short of the cut are within its own measuring error."""


EDGES = (
    ShapeOption("square edge", "Square, its sharp line just broken with paper.", (0.5, 1.0)),
    ShapeOption("eased edge", "Square with a small rounding, kind to arms and to the finish.", (1.5, 3.0)),
    ShapeOption("chamfer", "A flat at 45 degrees along the upper line, the lower one eased.", (2.0, 8.0)),
    ShapeOption("rounded edge", "A quarter circle above, or above and below.", (5.0, 12.0)),
    ShapeOption("undercut edge", "A wide slope on the underside: the top looks thinner.", (20.0, 80.0)),
    ShapeOption(
        "bark edge", "The natural edge of the tree kept on the long sides, bark removed.", (0.0, 0.0)
    ),
)
CORNERS = (
    ShapeOption(
        "square corner", "Two straight edges meet; ease the tip so that it hurts nobody.", (1.0, 3.0)
    ),
    ShapeOption(
        "round corner",
        "A quarter circle, drawn with a compass and cut before the edge is shaped.",
        (15.0, 80.0),
    ),
    ShapeOption("cut corner", "A short straight cut at 45 degrees.", (15.0, 60.0)),
)


def plan_trim(
    layout: Layout,
    boards: Sequence[Board],
    top_mm: tuple[float, float] | None = None,
    *,
    marks: Marks = MappingProxyType({}),
) -> TrimPlan:
    """Cuts for the finished top (length, width), centred on the layout's middle.

    top_mm None: the layout's own size, or the largest that all boards reach. marks: to say which of them stay
    in the top. Boards that are too short or too narrow give a warning, not an error. Raises LayoutError for
    a missing board, one ripped to nothing, or an impossible size.
    """
    if top_mm is not None and not (0 < top_mm[0] <= 100_000 and 0 < top_mm[1] <= 100_000):
        raise LayoutError("The size of the top is impossible.", "Give a length and a width, 100 m at most.")
    placed = place_top(layout, boards, top_mm=top_mm)
    wanted = top_mm or layout.top_mm
    trims = tuple(_trim_board(item, placed, wanted) for item in placed.boards)
    rough = rough_ends(placed)
    used = {item.board.id for item in placed.boards}
    spare = [piece for item in placed.boards for piece in _spare_of(item, placed, rough[item.board.id])]
    spare += [_whole(board) for board in boards if board.id not in used]
    left, top, right, bottom = placed.cut
    area = sum(b.board.length_mm * (b.board.start_width_mm + b.board.end_width_mm) / 2 for b in placed.boards)
    return TrimPlan(
        panel_mm=(placed.panel.length_mm, placed.panel.width_mm),
        cut_mm=placed.cut,
        boards=trims,
        rough_mm=rough,
        spare=tuple(spare),
        lost_frac=max(0.0, 1 - (right - left) * (bottom - top) / area),
        edge_options=EDGES,
        corner_options=CORNERS,
        marks_left_in=tuple(_marks_in_top(placed, marks)),
        warnings=tuple(_size_warnings(placed, trims, wanted)),
        assumptions=() if marks else ("No marks were given: look at the faces before the final cut.",),
    )


def _trim_board(item: PlacedBoard, placed: PlacedTop, wanted: tuple[float, float] | None) -> BoardTrim:
    left, top, right, bottom = placed.cut
    if wanted is not None:  # the asked lines, also where the panel does not reach them
        left, right = placed.middle_mm - wanted[0] / 2, placed.middle_mm + wanted[0] / 2
    return BoardTrim(
        board_id=item.board.id,
        left_mm=left - item.box.left_mm,
        right_mm=item.box.right_mm - right,
        upper_mm=max(0.0, min(top, item.box.bottom_mm) - item.box.top_mm),
        lower_mm=max(0.0, item.box.bottom_mm - max(bottom, item.box.top_mm)),
        slide_mm=item.placement.pose.slide_mm,
    )


def rough_ends(placed: PlacedTop) -> dict[str, tuple[float, float]]:
    """Panel x of each board's two ends when it is glued, by board id.

    Cut to rough length first, ROUGH_END_MM beyond the cut lines; the board's own ends where it does not reach
    so far, and where it was slid wholly beside the cut.
    """
    left, right = placed.cut.left_mm - ROUGH_END_MM, placed.cut.right_mm + ROUGH_END_MM
    ends = {}
    for item in placed.boards:
        own = item.box.left_mm, item.box.right_mm
        cut = max(left, own[0]), min(right, own[1])
        ends[item.board.id] = cut if cut[1] > cut[0] else own
    return ends


def _spare_of(item: PlacedBoard, placed: PlacedTop, rough: tuple[float, float]) -> list[SparePiece]:
    board, pose = item.board, item.placement.pose
    rip_upper, rip_lower = item.placement.rip_mm
    top, bottom = placed.cut.top_mm, placed.cut.bottom_mm
    over_upper, over_lower = max(0.0, top - item.box.top_mm), max(0.0, item.box.bottom_mm - bottom)
    length = rough[1] - rough[0]
    start, width = rough[0] - item.box.left_mm, board.width_mm
    # along, across: distance from the left end and the upper edge as the board lies
    cuts = [
        ("end", 0.0, 0.0, start - KERF_MM, width),
        ("end", start + length + KERF_MM, 0.0, board.length_mm - start - length - KERF_MM, width),
        ("edge", start, 0.0, length, rip_upper - KERF_MM),
        ("edge", start, width - rip_lower + KERF_MM, length, rip_lower - KERF_MM),
        ("edge", start, rip_upper, length, min(over_upper, item.box.width_mm) - KERF_MM),
        (
            "edge",
            start,
            width - rip_lower - over_lower + KERF_MM,
            length,
            min(over_lower, item.box.width_mm) - KERF_MM,
        ),
    ]
    # a turned board shows its right end on the left and its lower edge above, a flipped one only the latter
    turned, upside = pose.turned, pose.turned != (pose.side_up == "B")
    return [
        SparePiece(
            board_id=board.id,
            kind="end" if kind == "end" else "edge",
            length_mm=piece_length,
            width_mm=piece_width,
            thickness_mm=board.thickness_mm,
            from_left_mm=board.length_mm - along - piece_length if turned else along,
            from_upper_mm=width - across - piece_width if upside else across,
            keep=piece_length >= LEAST_SPARE_MM[0] and piece_width >= LEAST_SPARE_MM[1],
        )
        for kind, along, across, piece_length, piece_width in cuts
        if piece_length > 1.0 and piece_width > 1.0
    ]


def _whole(board: Board) -> SparePiece:
    return SparePiece(
        board.id, "whole board", board.length_mm, board.width_mm, board.thickness_mm, 0.0, 0.0, keep=True
    )


def _marks_in_top(placed: PlacedTop, marks: Marks) -> list[str]:
    left, top, right, bottom = placed.cut
    found: list[str] = []
    for item in placed.boards:
        side = item.placement.pose.side_up
        face = item.board.face(side)
        if face is None:
            continue
        for mark in marks.get((item.board.id, side), ()):
            x0, y0, x1, y1 = _box_in_panel(item, face, mark)
            if y1 > y0 and x1 > left and x0 < right and y1 > top and y0 < bottom:
                found.append(
                    f"{mark.kind} {x1 - x0:.0f} x {y1 - y0:.0f} mm on board {item.board.id},"
                    f" {max(x0 - left, 0.0):.0f} mm from the top's left end."
                )
    return found


def _box_in_panel(item: PlacedBoard, face: Face, mark: Mark) -> tuple[float, float, float, float]:
    """The mark's box in panel mm: left, top, right, bottom; without height where it is ripped off."""
    along, across = to_strip(face, mark.outline_mm).T
    if item.placement.pose.turned:
        along, across = -along, -across
    x = item.box.left_mm + item.board.length_mm / 2 + along
    y = item.box.top_mm - item.placement.rip_mm[0] + item.board.width_mm / 2 + across
    # what the rip takes off is gone before gluing
    y = np.clip(y, item.box.top_mm, item.box.bottom_mm)
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _size_warnings(
    placed: PlacedTop, trims: Sequence[BoardTrim], wanted: tuple[float, float] | None
) -> list[str]:
    warnings = [_short_words(trim) for trim in trims if min(trim.left_mm, trim.right_mm) < -SHORT_MM]
    if wanted is not None and placed.panel.width_mm < wanted[1] - SHORT_MM:
        warnings.append(
            f"The boards make {placed.panel.width_mm:.0f} mm of the {wanted[1]:.0f} mm asked for:"
            " add a board."
        )
    thin, thick = (f(b.board.thickness_mm for b in placed.boards) for f in (min, max))
    if thick - thin > 1.0:
        warnings.append(
            f"Thickness runs from {thin:.1f} to {thick:.1f} mm: plane all boards alike before gluing."
        )
    return warnings


def _short_words(trim: BoardTrim) -> str:
    """Which cuts a board does not reach, and what helps: sliding, where it is long enough."""
    short = {end: -off for end, off in (("left", trim.left_mm), ("right", trim.right_mm)) if off < -SHORT_MM}
    falls = " and ".join(f"{mm:.0f} mm short of the {end} cut" for end, mm in short.items())
    enough = trim.left_mm + trim.right_mm >= -SHORT_MM
    help_ = "slide it, or make the top shorter" if enough else "take a longer board, or make the top shorter"
    return f"Board {trim.board_id} falls {falls}: {help_}."
