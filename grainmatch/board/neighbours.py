"""Boards that touch share one seam: what one edge's search saw of it, the other is told; and where neither
saw any, they are one board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import Backdrop
from grainmatch.board.frame import Frame
from grainmatch.board.outline import UNSEEN_SIGMA_MM, BoardOutline, Rough, polygon_px, refine_outline
from grainmatch.geometry import Points
from grainmatch.model import Bench

Poly = NDArray[np.float64]
SURER = 2.0
"""How many times surer one edge must be for the other to follow it."""
FLUSH_MM = 4.0
"""How far ends that are one may seem to jump, beyond what is not known of them (own choice)."""
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


def join_undivided(
    bench: Bench, backdrop: Backdrop, rough: Sequence[Rough], outlines: Sequence[BoardOutline]
) -> list[BoardOutline]:
    """The boards of a heap, from the top down, those measured anew as one that no seam divides.

    In a coarse photo or one much compressed a line of the figure may pass for a seam. Looked at closely from
    both sides a seam shows, or else the ends of the two boards, which are seldom flush at both.
    """
    joined: list[tuple[Rough, BoardOutline]] = []
    for below in zip(rough, outlines, strict=True):
        above = joined[-1] if joined else None
        if above is not None and _is_undivided(*above, *below):
            whole = _around(*above, *below)
            joined[-1] = whole, refine_outline(bench, backdrop, whole)
        else:
            joined.append(below)
    return [outline for _, outline in joined]


def _is_undivided(rough: Rough, above: BoardOutline, next_rough: Rough, below: BoardOutline) -> bool:
    touching = rough.touching[1] and next_rough.touching[0]
    if not touching or min(above.sigma_mm[1], below.sigma_mm[0]) < UNSEEN_SIGMA_MM:
        return False
    along = rough.frame.axes[0]
    jumps = (above.lower_mm[[0, -1]] - below.upper_mm[[0, -1]]) @ along
    doubts = np.hypot(above.sigma_mm[2:], below.sigma_mm[2:])
    return bool((np.abs(jumps) < FLUSH_MM + 2 * doubts).all())


def _around(rough: Rough, above: BoardOutline, next_rough: Rough, below: BoardOutline) -> Rough:
    """One piece of two, about where its edges lie."""
    upper_mm, lower_mm = above.upper_mm, below.lower_mm
    along = upper_mm[-1] - upper_mm[0] + lower_mm[-1] - lower_mm[0]
    frame = Frame(np.vstack([upper_mm, lower_mm]).mean(axis=0), float(np.arctan2(along[1], along[0])))
    upper, lower = frame.enter(upper_mm), frame.enter(lower_mm)
    return Rough(
        frame,
        upper=np.polyfit(upper[:, 0], upper[:, 1], 2),
        lower=np.polyfit(lower[:, 0], lower[:, 1], 2),
        left=_through(upper[0], lower[0]),
        right=_through(upper[-1], lower[-1]),
        reach_mm=rough.reach_mm,
        touching=(rough.touching[0], next_rough.touching[1]),
        gap=(rough.gap[0], next_rough.gap[1]),
        hidden_mm=rough.hidden_mm,
    )


def _through(first: Points, second: Points) -> Poly:
    """u = poly(v) of the line through two places (u, v)."""
    return np.polyfit([first[1], second[1]], [first[0], second[0]], 1)


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
