"""Board ends in a photo taken facing them: several at once, in rows, show faces up.

The sheet lies in the plane of the ends. The ends are found like boards, only smaller, and laid flat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from grainmatch.board.frame import Frame, look_through
from grainmatch.board.measure import FaceSizes, measure_outline
from grainmatch.board.outline import BoardOutline
from grainmatch.board.segment import Limits, find_boards
from grainmatch.geometry import Points, pixels_to_plane
from grainmatch.model import Bench, Board, Rgb

MOST_PX_PER_MM = 12.0
SAME_WIDTH_MM = 3.0
"""An end and its board may differ by this: saw marks and splinters at the arris (own estimate)."""


@dataclass(frozen=True, eq=False)
class EndPicture:
    """One board end laid flat, show face up, its width along x.

    rgb (h, w, 3) holds the end and nothing else; outline_px (n, 2) is where it is in the photo.
    """

    rgb: Rgb
    px_per_mm: float
    width_mm: float
    thickness_mm: float
    outline_px: Points


@dataclass(frozen=True)
class EndMatch:
    """Which end belongs to which board, by place in their lists; question is what to ask, None when clear."""

    board: int
    end: int | None
    confidence: float
    question: str | None = None


def find_ends(bench: Bench, *, thickness_mm: float, sheet_on: str = "bench") -> list[EndPicture]:
    """Every board end in a photo, row by row from the top and from the left within a row.

    bench: as fitted for boards of that thickness; the ends lie in the plane of its sheets.
    """
    flat = _at_the_sheet(bench, thickness_mm, sheet_on)
    found = [(o, measure_outline(flat, o)) for o in find_boards(flat, limits=_end_limits(thickness_mm))]
    ends = [(o, s) for o, s in found if _is_end(s, thickness_mm)]
    return [_lay_flat(flat, outline, sizes) for outline, sizes in _in_rows(ends)]


def is_ends_photo(bench: Bench, *, thickness_mm: float, sheet_on: str = "bench") -> bool:
    """Whether most of what lies in the photo is as narrow as the boards are thick, and short."""
    flat = _at_the_sheet(bench, thickness_mm, sheet_on)
    sizes = [measure_outline(flat, o) for o in find_boards(flat, limits=_end_limits(thickness_mm))]
    return bool(sizes) and sum(_is_end(s, thickness_mm) for s in sizes) > 0.6 * len(sizes)


def match_ends(ends: Sequence[EndPicture], boards: Sequence[Board]) -> list[EndMatch]:
    """Left ends to boards: by their order, checked by width.

    Where numbers differ the ends are matched in order by width alone; what does not fit is asked about.
    """
    taken = dict(enumerate(range(len(ends)))) if len(ends) == len(boards) else _by_width(ends, boards)
    matches = []
    for i, board in enumerate(boards):
        j = taken.get(i)
        if j is None:
            matches.append(EndMatch(i, None, 0.0, f"Which end belongs to board {board.id}? None fits."))
            continue
        off = abs(ends[j].width_mm - board.start_width_mm) / SAME_WIDTH_MM
        confidence = math.exp(-0.5 * off**2)
        if off > 2:
            by_mm = off * SAME_WIDTH_MM
            text = f"Is end {j + 1} the left end of board {board.id}? Its width differs by {by_mm:.0f} mm."
            matches.append(EndMatch(i, None, confidence, text))
        else:
            matches.append(EndMatch(i, j, confidence))
    return matches


def _by_width(ends: Sequence[EndPicture], boards: Sequence[Board]) -> dict[int, int]:
    """The order-keeping matching with the most fitting pairs, then the least misfit."""
    n, m = len(boards), len(ends)
    best = np.zeros((n + 1, m + 1))
    gain = np.zeros((n, m))
    for i, board in enumerate(boards):
        for j, end in enumerate(ends):
            off = abs(end.width_mm - board.start_width_mm) / SAME_WIDTH_MM
            gain[i, j] = max(0.0, 1 - off / 2)
            best[i + 1, j + 1] = max(best[i, j] + gain[i, j], best[i, j + 1], best[i + 1, j])
    taken, i, j = {}, n, m
    while i and j:
        if gain[i - 1, j - 1] > 0 and best[i, j] == best[i - 1, j - 1] + gain[i - 1, j - 1]:
            taken[i - 1] = j - 1
            i, j = i - 1, j - 1
        elif best[i, j] == best[i - 1, j]:
            i -= 1
        else:
            j -= 1
    return taken


def _at_the_sheet(bench: Bench, thickness_mm: float, sheet_on: str) -> Bench:
    height = bench.face_height_mm - (thickness_mm if sheet_on == "bench" else 0.0)
    middle = np.asarray(bench.camera.centre_px)
    a, b = pixels_to_plane(bench.camera, middle + np.array([[0, 0], [10, 0]]), height)
    return replace(bench, face_height_mm=height, px_per_mm=float(10 / np.hypot(*(b - a))))


def _end_limits(thickness_mm: float) -> Limits:
    return Limits(least_width_mm=0.6 * thickness_mm, least_length_mm=1.6 * thickness_mm, upright=False)


def _is_end(sizes: FaceSizes, thickness_mm: float) -> bool:
    height = 0.5 * (sizes.start_width_mm + sizes.end_width_mm)
    return abs(height - thickness_mm) < 2.0 + 0.15 * thickness_mm and sizes.length_mm < 30 * thickness_mm


def _in_rows(ends: list[tuple[BoardOutline, FaceSizes]]) -> list[tuple[BoardOutline, FaceSizes]]:
    middles = [o.outline_px.mean(axis=0) for o, _ in ends]
    heights = [float(np.ptp(o.outline_px[:, 1])) for o, _ in ends]
    rows: list[list[int]] = []
    for i in sorted(range(len(ends)), key=lambda k: float(middles[k][1])):
        if rows and middles[i][1] - np.mean([middles[k][1] for k in rows[-1]]) < 0.5 * heights[i]:
            rows[-1].append(i)
        else:
            rows.append([i])
    return [ends[i] for row in rows for i in sorted(row, key=lambda k: float(middles[k][0]))]


def _lay_flat(bench: Bench, outline: BoardOutline, sizes: FaceSizes) -> EndPicture:
    scale = min(bench.px_per_mm, MOST_PX_PER_MM)
    width = sizes.length_mm
    height = 0.5 * (sizes.start_width_mm + sizes.end_width_mm)
    frame = Frame(sizes.origin_mm, sizes.angle_rad)
    x = (np.arange(max(1, math.floor(width * scale))) + 0.5) / scale
    y = (np.arange(max(1, math.floor(height * scale))) + 0.5) / scale
    rgb: Rgb = look_through(bench, bench.photo.rgb, frame, x, y)
    return EndPicture(rgb, scale, width, height, outline.outline_px)
