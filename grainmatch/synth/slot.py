"""How much light falls on the upright sides of boards that lie near each other: a gap is dark at its bottom.

Both sides and the bench between them are matt, long and level; the sky above is even. What a place sees of
the gap's mouth it gets at once, the rest from what the other side and the bench throw back. The share of its
view that a strip of the other side fills is half a difference of two sines (as in any text on radiative
transfer). Lengths are shares of the sides' height.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from grainmatch.errors import BoardError

Floats = NDArray[np.float64]
Field = NDArray[np.floating[Any]]

WOOD_THROWS, BENCH_THROWS = 0.35, 0.1
"""Light that wood, and a bench in the boards' shade, throw back, as a share (own estimates; open sides then
get 0.55 of the light of faces lying up)."""
_CELLS, _GAPS, _DEPTHS = 48, 60, 120
_NARROWEST, _OPEN = 1e-3, 200.0
_LEAST_SEEN = 1e-3


def wall_light(
    gap: float, *, wood_throws: float = WOOD_THROWS, bench_throws: float = BENCH_THROWS
) -> tuple[Floats, Floats]:
    """(depth (n + 1,) of cells' borders, light (n,) on each) of two equal sides a gap apart.

    Depth runs from 0 at the mouth to 1 at the bench; light is a share of what a face lying up gets. What wood
    and bench throw back is a share of what they get. Raises BoardError when the gap is not above zero.
    """
    if not gap > 0:
        raise BoardError("A gap needs a width.", "Give a width above zero.")
    # Light fades within about a gap's width of the mouth, so cells grow from there down.
    border = np.concatenate([[0.0], np.geomspace(min(gap, 1.0) / 20, 1.0, _CELLS)])
    middle = (border[1:] + border[:-1]) / 2
    to_side = np.diff(_sine(border[None, :] - middle[:, None], gap), axis=1) / 2
    to_bench = (1 - _sine(1 - middle, gap)) / 2
    # What the bench sees of a cell follows from what that cell sees of the bench, by their areas.
    to_cells = 2 * to_bench * np.diff(border) / gap
    system = np.eye(_CELLS + 1)
    system[:-1, :-1] -= wood_throws * to_side
    system[:-1, -1] -= bench_throws * to_bench
    system[-1, :-1] -= wood_throws * to_cells
    sky = np.append((1 - _sine(middle, gap)) / 2, 1 - to_cells.sum())
    return border, np.linalg.solve(system, sky)[:-1]


def seen_light(gap: Field, upper: Field, lower: Field) -> Field:
    """Mean light on a side from depth upper to depth lower, as a share of a face's; the arrays broadcast.

    A gap may be infinite. Depths are taken within the side.
    """
    upper = np.clip(upper, 0.0, 1 - _LEAST_SEEN)
    lower = np.maximum(np.clip(lower, 0.0, 1.0), upper + _LEAST_SEEN)
    row = np.log(np.clip(gap, _NARROWEST, _OPEN))
    sums = _sums()
    return np.asarray((sums((row, lower)) - sums((row, upper))) / (lower - upper))


def _sine(along: Floats, apart: float) -> Floats:
    return np.asarray(along / np.hypot(along, apart))


@lru_cache(maxsize=1)
def _sums() -> RegularGridInterpolator:
    """Light summed from the mouth down, over the gap's logarithm and depth."""
    gaps = np.geomspace(_NARROWEST, _OPEN, _GAPS)
    depths = np.concatenate([[0.0], np.geomspace(_NARROWEST / 10, 1.0, _DEPTHS)])
    rows = []
    for gap in gaps:
        border, light = wall_light(float(gap))
        rows.append(np.interp(depths, border, np.concatenate([[0.0], np.cumsum(light * np.diff(border))])))
    return RegularGridInterpolator((np.log(gaps), depths), np.array(rows))
