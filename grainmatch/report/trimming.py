"""The page on cutting to size: rough lengths before gluing, the cuts after it, what goes back on the rack."""

from __future__ import annotations

from grainmatch.panel import PlacedTop
from grainmatch.plans import ShapeOption, SparePiece, TrimPlan
from grainmatch.report.flow import Flow
from grainmatch.report.measures import restate
from grainmatch.report.place import LEAST_SHOWN_MM, board_name, slide_words
from grainmatch.units import LengthUnits, format_length

_ROUGH = [
    ("Board", 8), ("Cut before gluing, from its left end", 26), ("Off the left end", 16),
    ("Off the right end", 16), ("Slide", 16),
]  # fmt: skip
_MOST_MARKS_N = 12
_SPARE = [
    ("From board", 12),
    ("Piece", 14),
    ("Length", 14),
    ("Width", 14),
    ("Thickness", 14),
]


def _shape_words(shape: ShapeOption, units: LengthUnits) -> str:
    least, most = shape.size_mm
    usual = f" Usual: {restate(f'{least:g} to {most:g} mm', units)}." if most > 0 else ""
    return f"{shape.name.capitalize()}. {shape.words}{usual}"


def flow_trim(flow: Flow, placed: PlacedTop, trim: TrimPlan, *, units: LengthUnits) -> None:
    """Everything about sizes and offcuts."""

    def words(mm: float) -> str:
        return format_length(mm, units, decimals=0) if mm > LEAST_SHOWN_MM[units] else "nothing"

    left, top, right, bottom = trim.cut_mm
    flow.heading("Cutting the panel to size")
    flow.paragraph(
        f"The glued panel is {words(trim.panel_mm[0])} long over all and {words(trim.panel_mm[1])} wide. "
        f"Take {words(top)} off the upper edge and {words(trim.panel_mm[1] - bottom)} off the lower one, "
        f"then cut it {words(right - left)} long: {words(left)} comes off the left, "
        f"{words(trim.panel_mm[0] - right)} off the right, counted from the longest board. "
        f"{100 * trim.lost_frac:.0f} % of the boards' faces end as offcuts and shavings.",
        size_mm=3.1,
    )
    if trim.warnings or trim.marks_left_in:
        lines = [
            *trim.warnings,
            *(f"Stays in the top: {mark}" for mark in trim.marks_left_in[:_MOST_MARKS_N]),
        ]
        more = len(trim.marks_left_in) - _MOST_MARKS_N
        if more > 0:
            lines.append(f"{more} more marks stay in the top: look the faces over.")
        flow.bullets([restate(line, units) for line in lines])
    flow.space(1.5)
    flow.table(_ROUGH, _rough_rows(placed, trim, units))
    kept = [piece for piece in trim.spare if piece.keep]
    if kept:
        flow.heading("Back on the rack")
        flow.table(_SPARE, [_spare_row(piece, units) for piece in kept])
    small = len(trim.spare) - len(kept)
    if small:
        listed = "1 smaller offcut is" if small == 1 else f"{small} smaller offcuts are"
        flow.paragraph(f"{listed} not listed.", size_mm=3.1)
    flow.bullets(trim.assumptions)
    shapes = [*trim.edge_options, *trim.corner_options]
    if shapes:
        flow.heading("Edges and corners to choose from")
        flow.bullets([_shape_words(shape, units) for shape in shapes])


def _rough_rows(placed: PlacedTop, trim: TrimPlan, units: LengthUnits) -> list[list[str]]:
    taken = {b.board_id: b for b in trim.boards}
    rows = []
    for item in placed.boards:
        start, end = trim.rough_mm[item.board.id]
        at = (start - item.box.left_mm, end - item.box.left_mm)
        whole = at[0] < 0.5 and at[1] > item.board.length_mm - 0.5
        board = taken[item.board.id]
        rows.append(
            [
                board_name(item.board.id),
                "leave whole" if whole else f"{format_length(at[0], units, decimals=0)} to "
                f"{format_length(at[1], units, decimals=0)}",
                _off(board.left_mm, units),
                _off(board.right_mm, units),
                slide_words(item.placement.pose.slide_mm, units),
            ]
        )  # fmt: skip
    return rows


def _off(mm: float, units: LengthUnits) -> str:
    if mm < -LEAST_SHOWN_MM[units]:
        return f"{format_length(-mm, units, decimals=0)} too short"
    return format_length(max(mm, 0.0), units, decimals=0)


def _spare_row(piece: SparePiece, units: LengthUnits) -> list[str]:
    names = {"end": "cut off its end", "edge": "strip off its edge", "whole board": "not used"}
    sizes = (piece.length_mm, piece.width_mm, piece.thickness_mm)
    return [
        board_name(piece.board_id), names[piece.kind], *(format_length(s, units, decimals=0) for s in sizes),
    ]  # fmt: skip
