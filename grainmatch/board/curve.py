"""The gentle curve that most of a rough edge's points agree on, when up to half of them are spoilt."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import expand_poly
from grainmatch.ranks import median

FEWEST = 6
"""Fewer points tell a curve's place, not its way."""


def fit_curve(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """The line or gentle quadratic that most points (x, y), each (n,) in mm, agree with.

    A polynomial (3,), the highest power first.
    Random samples of two and three points (RANSAC: Fischler and Bolles, Comm. ACM 24(6), 1981), scored by how
    many points lie near, then least squares over those. Neighbours and shadows can spoil half the points.
    Of a few points only the height is kept: the piece is short in its heap.
    """
    if len(x) < FEWEST:
        return np.array([0.0, 0.0, float(median(y))])
    centre, half = x.mean(), max(float(np.ptp(x)) / 2, 1e-6)
    z = (x - centre) / half
    rng = np.random.default_rng(0)
    terms = np.column_stack([z * z, z, np.ones_like(z)])
    trial = np.vstack([_through(z, y, rng, 2), _through(z, y, rng, 3)])
    rest = np.abs(terms @ trial.T - y[:, None])
    agree = np.exp(-0.5 * (rest / 0.7) ** 2).mean(axis=0)
    c = trial[int(np.argmax(agree - 0.05 * np.abs(trial[:, 0])))]
    order = 2 if c[0] != 0 else 1
    for width in (2.0, 1.5, 1.2):
        w = np.clip(1 - ((terms @ c - y) / width) ** 2, 0, None)
        if (w > 0).sum() < FEWEST:
            break
        c = np.concatenate([np.zeros(2 - order), np.polyfit(z, y, order, w=w)])
    return expand_poly(c, centre, half)


def _through(
    z: NDArray[np.float64], y: NDArray[np.float64], rng: np.random.Generator, points: int
) -> NDArray[np.float64]:
    """Quadratics (n, 3), or lines, through well spread random points, by Newton's divided differences."""
    cuts = np.linspace(0, len(z), points + 1).astype(int)
    pick = np.stack([rng.integers(a, max(b, a + 1), 240) for a, b in pairwise(cuts)], axis=1)
    pick = pick.clip(0, len(z) - 1)
    apart = np.diff(z[pick], axis=1).prod(axis=1)
    if points == 3:
        apart *= z[pick[:, 2]] - z[pick[:, 0]]
    pick = pick[np.abs(apart) > 0.05]
    a, b = z[pick], y[pick]
    slope = np.diff(b, axis=1) / np.diff(a, axis=1)
    bow = (slope[:, -1] - slope[:, 0]) / (a[:, -1] - a[:, 0])
    first = slope[:, 0] - bow * (a[:, 0] + a[:, 1])
    c = np.column_stack([bow, first, b[:, 0] - (first + bow * a[:, 0]) * a[:, 0]])
    return np.asarray(c[np.abs(bow) < 25.0])
