"""Boards that touch share one seam: what one edge's search saw of it, the other is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from grainmatch.board.frame import Frame
from grainmatch.board.outline import BoardOutline, Rough, polygon_px
from grainmatch.geometry import Points
from grainmatch.model import Bench

Poly = NDArray[np.float64]
SURER = 2.0
"""How many times surer one edge must be for the other to follow it."""
LEAST_SHARED = 0.5
"""Of the shorter of two edges, how much must lie beside the other."""


def share_seams(bench: Bench, rough: Sequence[Rough], outlines: Sequence[BoardOutline]) -> list[BoardOutline]:
    """The outlines of a heap, from the top down: of two facing edges of touching boards, the one that saw no
    seam follows the one that did.

    When both saw it, or none, each stays: between boards that touch there still is a hairline of a gap.
    """
    told = list(outlines)
    for k in range(len(told) - 1):
        if rough[k].touching[1] and rough[k + 1].touching[0]:
            told[k], told[k + 1] = _share(bench, told[k], told[k + 1])
    return told


def _share(bench: Bench, above: BoardOutline, below: BoardOutline) -> tuple[BoardOutline, BoardOutline]:
    frame = Frame(above.lower_mm[0], float(np.arctan2(*(above.lower_mm[-1] - above.lower_mm[0])[::-1])))
    lower, upper = frame.enter(above.lower_mm), frame.enter(below.upper_mm)
    span = min(lower[-1, 0], upper[-1, 0]), max(lower[0, 0], upper[0, 0])
    if span[0] - span[1] < LEAST_SHARED * min(np.ptp(lower[:, 0]), np.ptp(upper[:, 0])):
        return above, below
    polys = [np.polyfit(edge[:, 0], edge[:, 1], 2) for edge in (lower, upper)]
    sigmas = np.array([above.sigma_mm[1], below.sigma_mm[0]])
    if sigmas.max() < SURER * sigmas.min():
        return above, below
    sigma = float(sigmas.min())
    if sigmas[0] > sigmas[1]:
        moved = _move(frame, above.lower_mm, above.upper_mm, polys[1])
        return _with_edges(bench, above, above.upper_mm, moved, 1, sigma), below
    moved = _move(frame, below.upper_mm, below.lower_mm, polys[0])
    return above, _with_edges(bench, below, moved, below.lower_mm, 0, sigma)


def _move(frame: Frame, edge_mm: Points, opposite_mm: Points, seam: Poly) -> Points:
    """An edge moved onto the seam, each point along the board's width there: ends keep their slant."""
    edge, opposite = frame.enter(edge_mm), frame.enter(opposite_mm)
    way = (opposite - edge) / (opposite - edge)[:, 1:]
    for _ in range(3):
        edge = edge + way * (np.polyval(seam, edge[:, 0]) - edge[:, 1])[:, None]
    return np.asarray(frame.leave(edge))


def _with_edges(
    bench: Bench, outline: BoardOutline, upper_mm: Points, lower_mm: Points, side: int, sigma_mm: float
) -> BoardOutline:
    sigmas = list(outline.sigma_mm)
    sigmas[side] = sigma_mm
    return replace(
        outline,
        upper_mm=upper_mm,
        lower_mm=lower_mm,
        outline_px=polygon_px(bench, upper_mm, lower_mm),
        sigma_mm=(sigmas[0], sigmas[1], sigmas[2], sigmas[3]),
    )
