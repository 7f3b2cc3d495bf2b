"""The layout as plain lines and as tables: for drawing programs, spreadsheets and the saw."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from grainmatch.panel import PlacedTop
from grainmatch.report.canvas import GREY, Drawing
from grainmatch.report.place import LEAST_RIP_MM, board_name, rip_at_ends
from grainmatch.units import MM_PER_INCH, LengthUnits

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def draw_plan(placed: PlacedTop, *, title: str = "") -> Drawing:
    """The panel in true millimetres: board outlines, the cut, numbers and faces, each on its layer.

    Each board is a closed shape, ripped and in its place; the drawing's corner is the panel's.
    """
    panel, cut = placed.panel, placed.cut
    plan = Drawing(panel.length_mm, panel.width_mm, title=title)
    for item in placed.boards:
        box = item.box
        plan.rect((box.left_mm, box.top_mm), (box.length_mm, box.width_mm), width_mm=0.5, layer="boards")
    plan.rect(
        (cut.left_mm, cut.top_mm),
        (cut.length_mm, cut.width_mm),
        width_mm=1.0,
        colour=(200, 0, 0),
        layer="cut",
    )
    size = min(0.5 * min(p.box.width_mm for p in placed.boards), 60.0)
    for item in placed.boards:
        y = (item.box.top_mm + item.box.bottom_mm) / 2
        x = (cut.left_mm + cut.right_mm) / 2
        pose = item.placement.pose
        plan.text((x, y), board_name(item.board.id), size, align="right", bold=True, layer="numbers")
        words = f"face {pose.side_up}{', turned' if pose.turned else ''}"
        plan.text((x + 0.4 * size, y), words, 0.4 * size, colour=GREY, layer="faces")
    return plan


def boards_csv(placed: PlacedTop, units: LengthUnits) -> str:
    """One row a board, upper edge first; lengths in mm, or in decimal inches."""
    lengths = [
        "length", "left_end_width", "right_end_width", "thickness", "rip_upper", "rip_lower",
        "finished_width", "slide_right", "from_left", "from_upper_edge",
    ]  # fmt: skip
    heading = ["place", "board", "species", "face_up", "turned", *(f"{name}_{units}" for name in lengths)]
    rows: list[list[str]] = []
    for item in placed.boards:
        board, pose = item.board, item.placement.pose
        ends = [board.start_width_mm, board.end_width_mm]
        sizes = [
            board.length_mm, *(ends[::-1] if pose.turned else ends), board.thickness_mm,
            *item.placement.rip_mm, item.box.width_mm, pose.slide_mm,
            item.box.left_mm - placed.cut.left_mm, item.box.top_mm - placed.cut.top_mm,
        ]  # fmt: skip
        turned = "yes" if pose.turned else "no"
        rows.append(
            [str(item.place), board_name(board.id), board.species, pose.side_up, turned]
            + [_decimal(s, units) for s in sizes]
        )
    return _csv([heading, *rows])


def cuts_csv(placed: PlacedTop, units: LengthUnits) -> str:
    """Every cut in the order it is made: the rips, then the glued panel to width and to length."""
    off_heading = [f"takes_off_{end}_end_{units}" for end in ("left", "right")]
    rows: list[list[str]] = []

    def add(piece: str, what: str, off_mm: tuple[float, float], leaves_mm: float) -> None:
        sizes = [_decimal(size, units) for size in (*off_mm, leaves_mm)]
        rows.append([str(len(rows) + 1), piece, what, *sizes])

    for item in placed.boards:
        name = f"board {board_name(item.board.id)}"
        upper, lower = rip_at_ends(item)
        if max(upper) >= LEAST_RIP_MM:
            add(name, "rip upper edge", upper, item.box.width_mm + item.placement.rip_mm[1])
        if max(lower) >= LEAST_RIP_MM:
            add(name, "rip lower edge", lower, item.box.width_mm)
    panel, cut = placed.panel, placed.cut
    for what, off, leaves in (
        ("upper edge to size", cut.top_mm, panel.bottom_mm - cut.top_mm),
        ("lower edge to size", panel.bottom_mm - cut.bottom_mm, cut.width_mm),
        ("left end to size", cut.left_mm, panel.right_mm - cut.left_mm),
        ("right end to size", panel.right_mm - cut.right_mm, cut.length_mm),
    ):
        if off >= LEAST_RIP_MM:
            add("glued panel", what, (off, off), leaves)
    return _csv([["cut", "piece", "what", *off_heading, f"leaves_{units}"], *rows])


def _decimal(mm: float, units: LengthUnits) -> str:
    return f"{mm:.2f}" if units == "mm" else f"{mm / MM_PER_INCH:.4f}"


def _csv(rows: Sequence[Sequence[str]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for k, row in enumerate(rows):
        writer.writerow(row if k == 0 else [_inert(cell) for cell in row])
    return out.getvalue()


def _inert(cell: str) -> str:
    """A name that a spreadsheet would run as a formula gets an apostrophe in front; numbers stay."""
    try:
        float(cell)
    except ValueError:
        return f"'{cell}" if cell.startswith(_FORMULA_STARTS) else cell
    return cell
