"""Where the stations along an edge agree that it lies: the valleys of what each place would cost."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from grainmatch.model import Mask
from grainmatch.ranks import median

Floats = NDArray[np.float64]
OUT_OF_REACH = 1e9
"""A cost that no place is at."""


def agree_on_shift(cost: Floats, shifts: Floats, seen: Mask) -> tuple[Floats, float]:
    """For each station the shift on the gentle curve that all of them together fit best (cost (stations,
    shifts), clipped), and the doubt that another valley of the cost leaves, px."""
    excess = cost - cost.min(axis=1, keepdims=True)
    excess = np.minimum(excess, median(excess[seen].max(axis=1))) * seen[:, None]
    curves, index = _gentle_curves(tuple(shifts), len(cost))
    along = np.take(excess, index)
    ways = along.sum(axis=1).reshape(len(shifts), -1)
    best_way = ways.argmin(axis=1) + np.arange(len(shifts)) * ways.shape[1]
    best = int(ways.min(axis=1).argmin())
    return np.asarray(curves[best_way[best]]), _doubt(along[best_way][:, seen], shifts, best)


@lru_cache(maxsize=4)
def _gentle_curves(shifts: tuple[float, ...], stations: int) -> tuple[Floats, NDArray[np.intp]]:
    """Every gentle curve (shifts * ways, stations) about each of the evenly spaced shifts, and where in a
    table (stations, shifts) the one nearest to it at each station stands."""
    x = (np.arange(stations) + 0.5) / stations - 0.5
    drops, sags = np.arange(-2.0, 2.1, 0.5), np.arange(-1.0, 1.1, 0.5)
    bend = drops[:, None, None] * x + sags[None, :, None] * 4 * x * x
    curves = (np.array(shifts)[:, None, None, None] + bend).reshape(-1, stations)
    nearest = np.rint((curves - shifts[0]) / (shifts[1] - shifts[0])).astype(np.intp).clip(0, len(shifts) - 1)
    return curves, nearest + np.arange(stations) * len(shifts)


def _doubt(along: Floats, shifts: Floats, best: int) -> float:
    """What the next best valley of the cost (shifts, stations) adds to the sigma of the best one's place.

    A place d away that is right with probability p gives a spread of d sqrt(p (1 - p)); p is that of the
    stations' mean preference being chance, three neighbours counting as one.
    """
    total = along.sum(axis=1)
    valley = np.flatnonzero((total[1:-1] <= total[:-2]) & (total[1:-1] <= total[2:])) + 1
    others = valley[np.abs(shifts[valley] - shifts[best]) > 2 * (shifts[1] - shifts[0])]
    if not len(others):
        return 0.0
    other = int(others[total[others].argmin()])
    preferred = along[other] - along[best]
    sigma = float(preferred.std()) / np.sqrt(max(len(preferred) / 3, 1.0))
    chance = float(ndtr(-preferred.mean() / max(sigma, 1e-12)))
    return float(abs(shifts[other] - shifts[best]) * np.sqrt(chance * (1 - chance)))


def find_minimum(x: Floats, cost: Floats) -> tuple[Floats, Floats, Floats]:
    """Place, value and bend of each row's least cost (m, len(x)); the place is NaN at the borders."""
    i = cost.argmin(axis=1)
    inner = (i > 0) & (i < len(x) - 1)
    j = i.clip(1, len(x) - 2)
    rows = np.arange(len(cost))
    a, b, c = cost[rows, j - 1], cost[rows, j], cost[rows, j + 1]
    inner &= (a < OUT_OF_REACH) & (b < OUT_OF_REACH) & (c < OUT_OF_REACH)
    a, c = np.where(inner, a, b), np.where(inner, c, b)
    bend = np.maximum(a - 2 * b + c, 1e-12)
    place = x[j] + 0.5 * (a - c) / bend * (x[1] - x[0])
    return np.where(inner, place, np.nan), b, bend
