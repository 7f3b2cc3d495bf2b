"""How well two edges run into each other, as the eye sees it along a glue line."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import delta_e_2000, srgb_to_lab
from grainmatch.score.straight import Strip

Floats = NDArray[np.float64]
BANDS_FRAC = ((0.0, 0.03), (0.0, 0.06), (0.0, 0.12))
"""Depths of the bands of wood along each edge, as a share of the strip's height."""
_TONE_SPANS_N = 12


def price_flow(strips: Sequence[Strip]) -> Floats:
    """Continuity of the figure across every seam: (n, 2, n, 2), the first above the second.

    Index 1 and 3 say whether the strip is turned end for end. 1 is what two strips laid together by
    chance cost on average; 0 is the best that can be expected of these strips. Robust to a different
    exposure of each strip and to wood lost to saw and jointer.
    """
    labs = [_to_lab(s.rgb) for s in strips]
    costs = []
    for low, high in BANDS_FRAC:
        for blur_px in (0.0, 8.0):
            top, bottom = _edge_rows(labs, low, high, blur_px)
            costs += [_distance(top, bottom, level=False), _distance(top, bottom, level=True)]
    mixed = sum((_standardise(c) for c in costs), np.zeros_like(costs[0])) / len(costs)
    off = mixed[_apart(len(strips))]
    best = np.sort(off)[: max(1, len(strips) - 1)].mean() if off.size else 0.0
    mean = off.mean() if off.size else 1.0
    return np.asarray((mixed - best) / max(mean - best, 1e-9))


def price_tone_step(strips: Sequence[Strip]) -> Floats:
    """Colour step across every seam in CIEDE2000, (n, 2, n, 2): mean over spans of the length."""
    top, bottom = [], []
    for strip in strips:
        lab = _to_lab(strip.rgb)
        depth = max(2, lab.shape[0] // 6)
        top.append(_span_means(lab[:depth]))
        bottom.append(_span_means(lab[-depth:]))
    above, below = _in_poses(np.array(bottom), np.array(top))
    return np.asarray(delta_e_2000(above[:, :, None, None], below[None, None]).mean(axis=-1))


def _in_poses(bottom: Floats, top: Floats) -> tuple[Floats, Floats]:
    """Edge profiles (n, w, ...) to (n, 2, w, ...): the lower edges as the strips lie, and the upper ones."""
    above = np.stack([bottom, top[:, ::-1]], axis=1)
    below = np.stack([top, bottom[:, ::-1]], axis=1)
    return above, below


def _to_lab(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    return np.asarray(srgb_to_lab(rgb), dtype=np.float32)


def _span_means(band: NDArray[np.float32]) -> Floats:
    edges = np.linspace(0, band.shape[1], _TONE_SPANS_N + 1).astype(int)
    return np.array([band[:, a:b].mean(axis=(0, 1)) for a, b in pairwise(edges)])


def _edge_rows(
    labs: Sequence[NDArray[np.float32]], low: float, high: float, blur_px: float
) -> tuple[Floats, Floats]:
    height = min(lab.shape[0] for lab in labs)
    a = round(low * height)
    b = max(a + 2, round(high * height))
    top = np.array([lab[a:b].mean(axis=0) for lab in labs])
    bottom = np.array([lab[lab.shape[0] - b : lab.shape[0] - a].mean(axis=0) for lab in labs])
    if blur_px:
        top, bottom = (cv2.GaussianBlur(e, (0, 0), sigmaX=blur_px, sigmaY=1e-3) for e in (top, bottom))
    return np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64)


def _distance(top: Floats, bottom: Floats, *, level: bool) -> Floats:
    """Mean root distance of edge rows (a norm below 1 lets a knot count once, not for all)."""
    above, below = _in_poses(bottom, top)
    n = len(top)
    out = np.empty((n, 2, n, 2))
    for i in range(n):
        for p in range(2):
            gap = above[i, p] - below
            if level:
                gap = gap - np.median(gap, axis=2, keepdims=True)
            out[i, p] = np.sqrt(np.abs(gap)).mean(axis=(-2, -1))
    return out


def _standardise(cost: Floats) -> Floats:
    off = cost[_apart(len(cost))]
    if off.size == 0:
        return np.zeros_like(cost)
    return np.asarray((cost - off.mean()) / (off.std() + 1e-12))


def _apart(n: int) -> NDArray[np.bool_]:
    """True where a cost (n, 2, n, 2) is between two different strips."""
    return np.broadcast_to(~np.eye(n, dtype=bool)[:, None, :, None], (n, 2, n, 2))
