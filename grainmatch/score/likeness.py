"""Plain differences between two edges: colour row against row, spread of tones, and overall character."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.score.views import Cut, Image, Views, blur

Floats = NDArray[np.float64]
Compare = Callable[[Image, Image], Image]
_THIN, _MIDDLE, _DEEP = (0.0, 0.02), (0.0, 0.06), (0.0, 0.14)
"""Depths of wood along an edge, as shares of the strip's height."""
_BEYOND = (0.06, 0.16)
_EDGE, _BAND = (0.0, 0.08), (0.02, 0.2)
_FINE_WAY, _COARSE_WAY, _SLOPE = slice(1, 3), slice(4, 6), slice(6, 7)
_SLOW_PX, _SLOWEST_PX = 24.0, 80.0


def price_likeness(views: Views, cut: Cut) -> dict[str, Floats]:
    """Unlikeness of every seam, (n, 2, n, 2), by name; smaller is more alike.

    The diagonal compares a strip with itself; at the saw's edges it means nothing.
    """
    thin, middle, deep = (_colour_edges(views, cut, depth) for depth in (_THIN, _MIDDLE, _DEEP))
    light = (deep[0][..., :1], deep[1][..., :1])
    costs = {
        "tones thin": _price(_distance, _sort_tones(thin)),
        "tones middle": _price(_distance, _sort_tones(middle)),
        "pattern": _price_pattern(light),
        "pattern slow": _price_pattern(_slow(light, _SLOW_PX)),
        "rows level": _price(_level_distance, thin, every_px=2),
        "rows slow": _price(_distance, _slow(thin, _SLOWEST_PX)),
        "rows carried on": _price_carried_on(views, cut),
    }
    for name, channels in (("coarse way", _COARSE_WAY), ("slope", _SLOPE)):
        costs[name] = _price(_distance, _mean_along(_texture_edges(views, cut, channels, _EDGE)))
    for name, channels in (("fine way", _FINE_WAY), ("coarse way", _COARSE_WAY), ("slope", _SLOPE)):
        edges = _slow(_texture_edges(views, cut, channels, _BAND), _SLOW_PX)
        costs[f"{name} along"] = _price(_distance, edges)
    return costs


# --- edge profiles (n, 2, w, c): the edges above a seam and below it, in both poses ---------------


def _colour_edges(views: Views, cut: Cut, depth: tuple[float, float]) -> tuple[Image, Image]:
    upper, lower = views.lab[0], views.lab[0 if cut.inside else 1]
    a, b = _depth_rows(views, depth)
    return _lay_edges(
        upper[:, cut.top_row + a : cut.top_row + b].mean(axis=1),
        lower[:, cut.bottom_row - b : cut.bottom_row - a].mean(axis=1),
    )


def _texture_edges(
    views: Views, cut: Cut, channels: slice, depth: tuple[float, float]
) -> tuple[Image, Image]:
    upper, lower = views.texture[0], views.texture[0 if cut.inside else 1]
    a, b = _depth_rows(views, depth)
    top = upper[:, channels, cut.top_row + a : cut.top_row + b].mean(axis=2)
    bottom = lower[:, channels, cut.bottom_row - b : cut.bottom_row - a].mean(axis=2)
    return _lay_edges(np.moveaxis(top, 1, 2), np.moveaxis(bottom, 1, 2))


def _depth_rows(views: Views, depth: tuple[float, float]) -> tuple[int, int]:
    first = round(depth[0] * views.rows_n)
    return first, max(first + 1, round(depth[1] * views.rows_n))


def _lay_edges(top: Image, bottom: Image) -> tuple[Image, Image]:
    return np.stack([bottom, top[:, ::-1]], axis=1), np.stack([top, bottom[:, ::-1]], axis=1)


def _slow(edges: tuple[Image, Image], blur_px: float) -> tuple[Image, Image]:
    """What varies slowly along the edges, sampled three times a blur."""

    def along(edge: Image) -> Image:
        lines = np.ascontiguousarray(np.moveaxis(edge, 3, 2))
        flat = lines.reshape(-1, lines.shape[-1])
        shrink = max(1, min(int(blur_px / 3), flat.shape[1] // 4))
        size = (flat.shape[1] // shrink, flat.shape[0])
        few = np.asarray(cv2.resize(flat, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
        few = blur(few, blur_px / shrink, 0)
        return np.moveaxis(few.reshape(*lines.shape[:-1], -1), 2, 3)

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


def _price_pattern(edges: tuple[Image, Image]) -> Floats:
    """Minus the correlation along the length, of edges (n, 2, w, 1)."""

    def level(edge: Image) -> Image:
        flat = edge.reshape(-1, edge.shape[2])
        flat = flat - flat.mean(axis=1, keepdims=True)
        return np.asarray(flat / (np.linalg.norm(flat, axis=1, keepdims=True) + 1e-6))

    n = len(edges[0])
    return np.asarray(-(level(edges[0]) @ level(edges[1]).T).reshape(n, 2, n, 2), dtype=np.float64)


def _sort_tones(edges: tuple[Image, Image]) -> tuple[Image, Image]:
    """Edges by their sorted tones: as many dark and light places, wherever they lie."""

    def tones(edge: Image) -> Image:
        ordered = np.sort(edge, axis=2)
        middle = np.median(ordered, axis=2, keepdims=True)
        return np.asarray((ordered - middle)[:, :, :: max(1, edge.shape[2] // 400)], dtype=np.float32)

    return tones(edges[0]), tones(edges[1])


def _price_carried_on(views: Views, cut: Cut) -> Floats:
    """Distance after each edge's trend across the strip is carried half a band into the gap."""
    near = _slow(_colour_edges(views, cut, _MIDDLE), _SLOW_PX)
    far = _slow(_colour_edges(views, cut, _BEYOND), _SLOW_PX)
    carried = (near[0] + 0.5 * (near[0] - far[0]), near[1] + 0.5 * (near[1] - far[1]))
    return _price(_distance, carried)
