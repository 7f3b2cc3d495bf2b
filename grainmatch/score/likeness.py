"""Plain differences between two edges: colour row against row, spread of tones, and overall character."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from grainmatch.score.views import Cut, Image, Views, blur

Floats = NDArray[np.float64]
Compare = Callable[[Image, Image], Image]
_DEPTHS_FRAC = {"thin": 0.02, "middle": 0.06, "deep": 0.14}
"""Depths of wood along an edge, as a share of the strip's height."""
_CHARACTER = {
    "fine strength": [0],
    "fine way": [1, 2],
    "coarse strength": [3],
    "coarse way": [4, 5],
    "slope": [6],
}


def price_likeness(views: Views, cut: Cut) -> dict[str, Floats]:
    """Unlikeness of every seam, (n, 2, n, 2), by name; smaller is more alike.

    The diagonal compares a strip with itself; at the saw's edges it means nothing.
    """
    costs = {}
    for name, depth in _DEPTHS_FRAC.items():
        edges = _colour_edges(views, cut, 0.0, depth)
        costs[f"tones {name}"] = _price(_distance, _sort_tones(edges))
        costs[f"colour {name}"] = _price(_distance, _mean_along(edges))
        for speed, blur_px in (("fine", 0), ("slow", 24)):
            light = tuple(e[..., :1] for e in _colour_edges(views, cut, 0.0, depth, blur_px=blur_px))
            costs[f"pattern {name} {speed}"] = _price(_compare_pattern, light, every_px=1 + blur_px // 4)
    for speed, blur_px in (("fine", 0), ("slow", 80)):
        edges = _colour_edges(views, cut, 0.0, _DEPTHS_FRAC["thin"], blur_px=blur_px)
        costs[f"rows {speed}"] = _price(_distance, edges, every_px=1 + blur_px // 4)
        costs[f"rows level {speed}"] = _price(_level_distance, edges, every_px=1 + blur_px // 4)
    costs["rows carried on"] = _price_carried_on(views, cut)
    for name, channels in _CHARACTER.items():
        for place, low, high in (("edge", 0.0, 0.08), ("band", 0.02, 0.2)):
            edges = _texture_edges(views, cut, channels, low, high)
            costs[f"{name} {place}"] = _price(_distance, _mean_along(edges))
            if name != "fine strength":
                costs[f"{name} {place} along"] = _price(_distance, _blur_edges(edges, 24.0), every_px=8)
    return costs


# --- edge profiles (n, 2, w, c): the edges above a seam and below it, in both poses ---------------


def _colour_edges(
    views: Views, cut: Cut, low: float, high: float, *, blur_px: float = 0.0
) -> tuple[Image, Image]:
    upper, lower = views.lab[0], views.lab[0 if cut.inside else 1]
    a, b = _depth_rows(views, low, high)
    edges = _lay_edges(
        upper[:, cut.top_row + a : cut.top_row + b].mean(axis=1),
        lower[:, cut.bottom_row - b : cut.bottom_row - a].mean(axis=1),
    )
    return _blur_edges(edges, blur_px) if blur_px else edges


def _texture_edges(
    views: Views, cut: Cut, channels: list[int], low: float, high: float
) -> tuple[Image, Image]:
    upper, lower = views.texture[0], views.texture[0 if cut.inside else 1]
    a, b = _depth_rows(views, low, high)
    top = upper[:, channels, cut.top_row + a : cut.top_row + b].mean(axis=2)
    bottom = lower[:, channels, cut.bottom_row - b : cut.bottom_row - a].mean(axis=2)
    return _lay_edges(np.moveaxis(top, 1, 2), np.moveaxis(bottom, 1, 2))


def _depth_rows(views: Views, low: float, high: float) -> tuple[int, int]:
    first = round(low * views.rows_n)
    return first, max(first + 1, round(high * views.rows_n))


def _lay_edges(top: Image, bottom: Image) -> tuple[Image, Image]:
    return np.stack([bottom, top[:, ::-1]], axis=1), np.stack([top, bottom[:, ::-1]], axis=1)


def _blur_edges(edges: tuple[Image, Image], blur_px: float) -> tuple[Image, Image]:
    def along(edge: Image) -> Image:
        lines = np.moveaxis(edge, 3, 2)
        flat = blur(np.ascontiguousarray(lines).reshape(-1, lines.shape[-1]), blur_px, 0)
        return np.moveaxis(flat.reshape(lines.shape), 2, 3)

    return along(edges[0]), along(edges[1])


def _mean_along(edges: tuple[Image, Image]) -> tuple[Image, Image]:
    return edges[0].mean(axis=2, keepdims=True), edges[1].mean(axis=2, keepdims=True)


def _price(compare: Compare, edges: tuple[Image, ...], *, every_px: int = 1) -> Floats:
    above, below = (e[:, :, (e.shape[2] - 1) % every_px // 2 :: every_px] for e in edges)
    out = np.empty((len(above), 2, len(above), 2))
    for i in range(len(above)):
        for p in range(2):
            out[i, p] = compare(above[i, p], below)
    return out


# --- comparisons of one edge (w, c) with many (n, 2, w, c) --------------------------------------


def _distance(edge: Image, others: Image) -> Image:
    """Mean root difference: a power below one lets a knot count as one place, not outweigh the rest.

    Pomeranz, Shemesh & Ben-Shahar (2011), "A fully automated greedy square jigsaw puzzle solver", found
    powers below one to tell true neighbours best.
    """
    return np.asarray(np.sqrt(np.abs(edge - others)).mean(axis=(-2, -1)))


def _level_distance(edge: Image, others: Image) -> Image:
    """The same with the middle difference taken out, for strips of different exposure."""
    gap = edge - others
    gap -= np.median(gap, axis=-2, keepdims=True)
    return np.asarray(np.sqrt(np.abs(gap)).mean(axis=(-2, -1)))


def _compare_pattern(edge: Image, others: Image) -> Image:
    """Minus the correlation along the length."""
    a = edge - edge.mean(axis=-2)
    b = others - others.mean(axis=-2, keepdims=True)
    size = np.sqrt((a * a).sum(axis=-2) * (b * b).sum(axis=-2)) + 1e-6
    return np.asarray(-((a * b).sum(axis=-2) / size).mean(axis=-1))


def _sort_tones(edges: tuple[Image, Image]) -> tuple[Image, Image]:
    """Edges by their sorted tones: as many dark and light places, wherever they lie."""

    def tones(edge: Image) -> Image:
        ordered = np.sort(edge, axis=2)
        middle = np.median(ordered, axis=2, keepdims=True)
        return np.asarray((ordered - middle)[:, :, :: max(1, edge.shape[2] // 400)], dtype=np.float32)

    return tones(edges[0]), tones(edges[1])


def _price_carried_on(views: Views, cut: Cut) -> Floats:
    """Distance after each edge's trend across the strip is carried half a band into the gap."""
    near = _colour_edges(views, cut, 0.0, 0.06, blur_px=24)
    far = _colour_edges(views, cut, 0.06, 0.16, blur_px=24)
    carried = (near[0] + 0.5 * (near[0] - far[0]), near[1] + 0.5 * (near[1] - far[1]))
    return _price(_distance, carried, every_px=8)
