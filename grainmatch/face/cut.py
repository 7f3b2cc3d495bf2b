"""How a board was cut, read from one face: cathedral, ring angle across the width, distance of the pith.

Growth layers are cones about the pith. On a face at distance d from the pith, a place u to the side
of the pith's own line lies r = sqrt(u^2 + d^2) from it. Going across, |u| / r layers' thicknesses are
crossed per mm, so lines lie far apart over the pith and close up to the side; and as the cones narrow
by a small fraction q per mm up the tree, lines lean by q r / |u| towards that line: the cathedral.
Both laws are fitted together, over a table of places and distances of the pith.

Ring angle to the face: below 30 degrees plain, to 60 rift, above quarter (Architectural Woodwork Standards,
1st ed. 2009, appendix B p. 449). Usage differs: the Forest Products Laboratory's handbook divides plain
from quarter at 45 degrees and knows no rift.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grain import Grain
from grainmatch.face.grid import Grid
from grainmatch.face.rings import Rings
from grainmatch.model import Cathedral, CutClass, Mask

PLAIN_BELOW_DEG = 30.0
QUARTER_FROM_DEG = 60.0
_DISTANCES_MM = np.geomspace(5.0, 250.0, 16)
_PLACE_STEP_MM = 3.0
_CHUNK_MM = 200.0
_LEAST_COHERENCE = 0.3
LEAST_SEEN = 0.7  # of a row's length; rows along a slanting edge hold too little wood to count lines
_STEEPEST = 0.5  # tan of the angle; steeper lines belong to knots or to the axis itself
NEAREST_SIDE_MM = 8.0  # closer to the pith's line a cell mixes leans of both sides
LEAST_DENSITY_MISFIT, LEAST_LEAN_MISFIT = 0.02, 0.05  # what better than these a fit is, is chance
_PITH_IN_BOARD_MM = 30.0  # boards for table tops are about this thick
_LEAST_NEAR_CHANCE = 0.55
_LEAST_HEART = 0.4  # with less heartwood than this on the face, its sapwood's lines must do
Places = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Figure:
    """What the lines of a face say about its cut. cut_cells (rows, columns)."""

    cut: CutClass
    cut_cells: NDArray[np.str_]
    cathedral: Cathedral | None
    bark_side_up: bool | None
    bark_confidence: float


@dataclass(frozen=True, eq=False)
class _PithTable:
    """Chance of each (place across, distance), its places (p,) and distances (d,)."""

    place_mm: Places
    chance: NDArray[np.float64]


def read_cut(grain: Grain, rings: Rings, grid: Grid, *, sapwood: NDArray[np.float64]) -> Figure:
    """Cut of the board from grain directions and line spacing on the cell grid.

    sapwood (rows, columns) is its share of each cell: lines hardly show there and are not counted.
    """
    y_mm = np.asarray((np.arange(grid.shape[0]) + 0.5) * grid.cell_mm, dtype=np.float64)
    heart = heart_share(sapwood)
    table = _fit_pith(grain, rings, y_mm, grid, heart)
    if table is None:
        return Figure("unclear", np.full(grid.shape, "unclear"), None, None, 0.0)
    classes = _classes(table, y_mm)
    cells = np.repeat(classes[:, None], grid.shape[1], axis=1)
    names, counts = np.unique(classes, return_counts=True)
    cut: CutClass = str(names[counts.argmax()])  # type: ignore[assignment]
    distance, sigma = _pith_distance(table)
    cathedral = _find_cathedral(grain, table, y_mm, grid, distance, sigma)
    # Were the bark side up, a pith so near would lie within the board, and few boards hold it.
    near = float(table.chance[:, _DISTANCES_MM < _PITH_IN_BOARD_MM].sum())
    if cathedral is None or near < _LEAST_NEAR_CHANCE:
        return Figure(cut, cells, cathedral, None, 0.0)
    return Figure(cut, cells, cathedral, False, 0.5 * near)


def heart_share(sapwood: NDArray[np.float64]) -> Places:
    """Share of heartwood (rows,) from sapwood's share of each cell; all ones on a face with hardly any."""
    heart = 1 - sapwood.mean(axis=1)
    return np.asarray(heart if heart.mean() >= _LEAST_HEART else np.ones(len(heart)))


def _fit_pith(grain: Grain, rings: Rings, y_mm: Places, grid: Grid, heart: Places) -> _PithTable | None:
    """Chance of each place and distance of the pith, from line density and lean together."""
    sure = grain.coherence > _LEAST_COHERENCE
    seen = np.isfinite(rings.lines_per_mm)
    rows = (seen.mean(axis=1) > LEAST_SEEN) & (heart > 0.3)
    if rows.sum() < 5 or sure.mean() < 0.1:
        return None
    density = np.array(
        [np.nanmean(line) if use else np.nan for line, use in zip(rings.lines_per_mm, rows, strict=True)]
    )
    lean, lean_weight = row_leans(grain.angle_rad, grain.coherence)
    width = len(y_mm) * grid.cell_mm
    place = np.arange(-1.2 * width, 2.2 * width, _PLACE_STEP_MM)
    u, distance = y_mm - place[:, None, None], _DISTANCES_MM[:, None]
    # A constant stands for the lines that are counted where none are drawn: streaks, noise.
    density_cost = misfit(density[rows], density_form(u, distance)[..., rows], heart[rows] ** 2)
    known = lean_weight > 0.1
    lean_cost = np.zeros(density_cost.shape)
    if known.sum() >= 5:
        lean_cost = misfit(lean[known], lean_form(u, distance)[..., known], lean_weight[known])
    # Neighbouring rows share lines: count one independent value for every three rows.
    log_chance = -(rows.sum() / 6) * np.log(density_cost + LEAST_DENSITY_MISFIT)
    log_chance -= (known.sum() / 6) * np.log(lean_cost + LEAST_LEAN_MISFIT)
    chance = np.exp(log_chance - log_chance.max())
    return _PithTable(place, chance / chance.sum())


def density_form(u_mm: Places, distance_mm: Places | float) -> Places:
    """Lines per mm across, but for a factor, u to the side of the pith's line, the pith at that distance."""
    return np.asarray(np.abs(u_mm) / np.hypot(u_mm, distance_mm))


def lean_form(u_mm: Places, distance_mm: Places | float) -> Places:
    """Lean of the lines, but for a factor, there; as at NEAREST_SIDE_MM where cells mix both sides' leans."""
    aside = np.where(np.abs(u_mm) < NEAREST_SIDE_MM, np.copysign(NEAREST_SIDE_MM, u_mm), u_mm)
    return np.asarray(np.hypot(u_mm, distance_mm) / aside)


def row_leans(angle_rad: Places, coherence: Places) -> tuple[Places, Places]:
    """Mean tan of the angle in each row, and its weight: the cube of the share of the row it rests on, for a
    row with gaps lies near the pith's line, where what is left leans too little."""
    tangent, use = _cell_leans(angle_rad, coherence)
    count = use.sum(axis=1)
    return (tangent * use).sum(axis=1) / np.maximum(count, 1), (count / use.shape[1]) ** 3


def _cell_leans(angle_rad: Places, coherence: Places) -> tuple[Places, Mask]:
    """Tan of the angle (rows, columns), and where it is sure enough and no knot's."""
    tangent = np.tan(np.clip(angle_rad, -1.4, 1.4))
    return tangent, (coherence > _LEAST_COHERENCE) & (np.abs(tangent) < _STEEPEST)


def misfit(values: Places, shape: NDArray[np.float64], weight: Places) -> NDArray[np.float64]:
    """Share (p, d) of the values' energy about their mean that is left over by the best multiple of each
    shape (p, d, n) plus a constant."""
    w = weight / weight.sum()
    values = values - (w * values).sum()
    shape = shape - (w * shape).sum(axis=-1, keepdims=True)
    hit = (w * values * shape).sum(axis=-1) ** 2 / np.maximum((w * shape**2).sum(axis=-1), 1e-12)
    energy = (w * values**2).sum()
    return np.asarray((energy - hit) / max(float(energy), 1e-12))


def _classes(table: _PithTable, y_mm: Places) -> NDArray[np.str_]:
    """Class of each row (rows,) from the ring angle there, averaged over the table."""
    u = y_mm[None, None, :] - table.place_mm[:, None, None]
    angle = np.degrees(np.arctan2(np.abs(u), _DISTANCES_MM[None, :, None]))
    mean = (table.chance[..., None] * angle).sum(axis=(0, 1))
    spread = np.sqrt((table.chance[..., None] * (angle - mean) ** 2).sum(axis=(0, 1)))
    named = np.where(mean < PLAIN_BELOW_DEG, "plain", np.where(mean < QUARTER_FROM_DEG, "rift", "quarter"))
    return np.where(spread > 20, "unclear", named)


def _pith_distance(table: _PithTable) -> tuple[float, float]:
    """Distance of the pith from the face and its sigma, in mm."""
    chance = table.chance.sum(axis=0)
    mean = float(np.exp((chance * np.log(_DISTANCES_MM)).sum()))
    spread = float(np.sqrt((chance * (_DISTANCES_MM - mean) ** 2).sum()))
    return mean, max(spread, 0.15 * mean)


def _find_cathedral(
    grain: Grain, table: _PithTable, y_mm: Places, grid: Grid, distance_mm: float, sigma_mm: float
) -> Cathedral | None:
    """The arches, if the pith's line lies on the face: their axis and the way they point."""
    wood = np.flatnonzero(grid.cell_mean(grid.inside).mean(axis=1) > 0.3)
    low, high = y_mm[wood[0]] - 0.5 * grid.cell_mm, y_mm[wood[-1]] + 0.5 * grid.cell_mm
    on_face = (table.place_mm > low) & (table.place_mm < high)
    share_on_face = float(table.chance[on_face].sum())
    if share_on_face < 0.5:
        return None
    place = float(np.average(table.place_mm[on_face], weights=table.chance[on_face].sum(axis=1)))
    narrowing, sigma = _measure_narrowing(grain, place, distance_mm, y_mm, grid)
    certainty = abs(narrowing) / max(sigma, 1e-9)
    points: Literal[-1, 0, 1] = 0 if certainty < 1.5 else (1 if narrowing > 0 else -1)
    confidence = share_on_face * float(np.clip(certainty / 6, 0.05, 1.0))
    ends_mm = (0.0, grid.shape[1] * grid.cell_mm)
    axis = np.array([[ends_mm[0], place], [ends_mm[1], place]])
    return Cathedral(axis, points, confidence, distance_mm, sigma_mm)


def _measure_narrowing(
    grain: Grain, place_mm: float, distance_mm: float, y_mm: Places, grid: Grid
) -> tuple[float, float]:
    """How much the layers narrow per mm to the right, and its 1-sigma from stretch to stretch."""
    u = y_mm - place_mm
    shape = -lean_form(u, distance_mm)
    tangent, use = _cell_leans(grain.angle_rad, grain.coherence)
    use &= (np.abs(u) >= NEAREST_SIDE_MM)[:, None]
    step = max(1, round(_CHUNK_MM / grid.cell_mm))
    slopes, weights = [], []
    for first in range(0, grid.shape[1], step):
        part = slice(first, first + step)
        w = use[:, part].astype(np.float64)
        mass = w.sum()
        if mass < 20:
            continue
        x = np.broadcast_to(shape[:, None], w.shape)
        x = x - (w * x).sum() / mass
        t = tangent[:, part] - (w * tangent[:, part]).sum() / mass
        energy = (w * x * x).sum()
        slopes.append((w * x * t).sum() / max(energy, 1e-9))
        weights.append(energy)
    if not slopes:
        return 0.0, 1.0
    mean = float(np.average(slopes, weights=weights))
    if len(slopes) == 1:
        return mean, max(abs(mean), 0.003)
    spread = float(np.sqrt(np.average((np.array(slopes) - mean) ** 2, weights=weights) / (len(slopes) - 1)))
    return mean, max(spread, 0.001)
