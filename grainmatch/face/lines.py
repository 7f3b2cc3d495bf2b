"""Thin dark lines along the grain that are no growth rings: cracks, end checks, pitch and gum streaks.

A line is darker than the wood on both its sides, and the darker of them counts: late wood passes slowly
into the early wood before it and so is dark against one side only. What stands out from the lines nearby is a
candidate; whether it is a fault is told from twelve measures and their products by a logistic model whose
weights stand in lines.json (`tests/benchmarks/fit_lines.py` fitted them and says on what).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid, blur, median_light, shrink
from grainmatch.model import Mark, MarkKind

_ALONG_MM = 1.0  # lines are smoothed this far along themselves; noise and pores do not survive it
_SIDES_MM = (1.25, 3.0)  # how far to each side the wood is that a thin and a thicker line are dark against
_COLOUR_SIDE_MM = 2.0
_NEAR_MM = (15.0, 10.0)  # along and across: the lines nearby
_LEAST_DROP, _LEAST_PEAK = 7.5, 10.0  # lightness on wood as light as spruce: a line's rim, its darkest part
_NEAR_DROP, _NEAR_PEAK = 1.5, 2.5  # ... and in rms values of what is nearby
_BAND_PX = 512  # columns worked on at a time: they stay in the processor's cache, and large faces in memory
_USUAL_LIGHT = 75.0  # CIELAB lightness of spruce
_DARKEST_LIGHT = 20.0  # darker wood is not lifted further: its noise would pass for lines
_GAP_MM = 1.0
_SHORTEST_MM = 4.0
_LEAST_CHANCE = 0.3
_REDDENS = 0.125  # of the lightness lost: a crack is a shadow and takes redness too, resin adds it


@dataclass(frozen=True, eq=False)
class LineModel:
    """Logistic model: mean and sd (12,) of the measures of a line, weights (90,) of the standardised measures
    and of their products, and what is added."""

    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    weights: NDArray[np.float64]
    bias: float

    def chance(self, measures: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability (n,) that each line is a fault, from measures (n, 12)."""
        score = multiply_measures((measures - self.mean) / self.sd) @ self.weights + self.bias
        return np.asarray(1 / (1 + np.exp(-np.clip(score, -30, 30))))


@dataclass(frozen=True, eq=False)
class Candidates:
    """Dark lines, n of them with p working pixels in all.

    box (n, 4) left, top, width, height in working pixels; owner, row, column, drop (p,): whose pixel it is,
    where it lies, how far below the darker side, in lightness scaled to wood as light as spruce; peaks (n,)
    how many pixels are as dark as the darkest part must be; near (n,) the usual drop of what is nearby.
    """

    box: NDArray[np.int64]
    owner: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    drop: Floats
    peaks: NDArray[np.int64]
    near: Floats

    def __len__(self) -> int:
        return len(self.box)


def find_lines(lab: Floats, soft: Floats, grid: Grid, *, model: LineModel | None = None) -> list[Mark]:
    """Cracks and streaks on a face from its CIELAB (h, w, 3) and what `soft_along` makes of it."""
    model = model or load_line_model()
    lines = find_candidates(lab, soft, grid)
    if not len(lines):
        return []
    measures = measure_candidates(lines, lab, grid)
    chance = model.chance(measures)
    told = np.flatnonzero(chance > _LEAST_CHANCE).tolist()
    return [_as_mark(lines, k, measures[k], float(chance[k]), grid) for k in told]


@lru_cache(maxsize=1)
def load_line_model() -> LineModel:
    """The fitted model."""
    table = json.loads(files("grainmatch.face").joinpath("lines.json").read_text("utf-8"))
    arrays = {name: np.array(table[name], dtype=np.float64) for name in ("mean", "sd", "weights")}
    return LineModel(**arrays, bias=float(table["bias"]))


def multiply_measures(measures: NDArray[np.float64]) -> NDArray[np.float64]:
    """Measures (n, k) and all products of two of them, (n, k + k (k + 1) / 2)."""
    first, second = np.triu_indices(measures.shape[1])
    return np.column_stack([measures, measures[:, first] * measures[:, second]])


def soft_along(lab: Floats, grid: Grid) -> Floats:
    """Lightness (h, w) smoothed along the board and hardly across it."""
    return blur(lab[..., 0], _ALONG_MM * grid.px_per_mm, 0.3)


def find_candidates(lab: Floats, soft: Floats, grid: Grid) -> Candidates:
    """Lines darker than both sides and than what is nearby."""
    lift = _USUAL_LIGHT / max(median_light(lab, grid), _DARKEST_LIGHT)
    drop = _drop_below_sides(soft, grid) * np.float32(lift)
    near = _typical_drop(drop, grid)
    size = (drop.shape[1], drop.shape[0])
    rim, peak = (
        drop > np.asarray(cv2.resize(np.maximum(least, share * near), size))
        for least, share in ((_LEAST_DROP, _NEAR_DROP), (_LEAST_PEAK, _NEAR_PEAK))
    )
    gap = 2 * max(1, round(_GAP_MM * grid.px_per_mm)) + 1
    dark = cv2.morphologyEx(rim.view(np.uint8), cv2.MORPH_CLOSE, np.ones((1, gap), np.uint8))
    n, labels = cv2.connectedComponents(dark)
    at = np.flatnonzero(dark.view(np.bool_))
    label = np.asarray(labels, dtype=np.int32).ravel()[at]
    row = at // drop.shape[1]
    column = at - row * drop.shape[1]
    # left, top, and right and bottom with their signs turned
    corner = np.full((n, 4), drop.size, dtype=np.int64)
    for k, edge in enumerate((column, row, -column - 1, -row - 1)):
        np.minimum.at(corner[:, k], label, edge)
    box = np.column_stack([corner[:, :2], -corner[:, 2:] - corner[:, :2]])
    peaks = np.bincount(label[peak.ravel()[at]], minlength=n)
    kept = (peaks >= 2) & (box[:, 2:].max(axis=1) >= _SHORTEST_MM * grid.px_per_mm)
    kept[0] = False
    held = kept[label]
    owner = (np.cumsum(kept) - 1)[label[held]]
    box = box[kept]
    middle = (box[:, :2] + box[:, 2:] // 2) // grid.cell_px
    return Candidates(
        box, owner, row[held], column[held], drop.ravel()[at[held]], peaks[kept],
        near[middle[:, 1], middle[:, 0]],
    )  # fmt: skip


def _drop_below_sides(soft: Floats, grid: Grid) -> Floats:
    """How far (h, w) each pixel lies below the darker of its two sides, 0 on no line and off the wood."""
    drop = np.zeros_like(soft)
    for left in range(0, soft.shape[1], _BAND_PX):
        part, found = soft[:, left : left + _BAND_PX], drop[:, left : left + _BAND_PX]
        for side_mm in _SIDES_MM:
            k = min(max(1, round(side_mm * grid.px_per_mm)), len(soft) - 1)
            padded = np.asarray(cv2.copyMakeBorder(part, k, k, 0, 0, cv2.BORDER_REPLICATE))
            side = np.minimum(padded[: -2 * k], padded[2 * k :])
            np.maximum(found, np.subtract(side, part, out=side), out=found)
        found *= grid.inside[:, left : left + _BAND_PX]
    return drop


def _typical_drop(drop: Floats, grid: Grid) -> Floats:
    """Root mean square of the drop about each cell (rows, columns)."""
    size = (grid.shape[1], grid.shape[0])
    along, across = (mm / grid.cell_mm for mm in _NEAR_MM)
    wood = blur(shrink(grid.inside.astype(np.float32), size), along, across)
    energy = blur(shrink(drop * drop, size), along, across)
    return np.asarray(np.sqrt(energy / (wood + 1e-3)), dtype=np.float32)


def measure_candidates(lines: Candidates, lab: Floats, grid: Grid) -> NDArray[np.float64]:
    """Twelve measures (n, 12) of each line: size and run, darkness, colour against both sides."""
    scale = grid.px_per_mm
    width, height = lines.box[:, 2], lines.box[:, 3]
    length = np.hypot(width, height) / scale
    size = _sum(lines, None)
    lost, unlike = _colour_lost(lines, lab, scale)
    light = np.maximum(lost[0], 2.0)
    usual, most = _profile(lines)
    against_near = _sum(lines, lines.drop) / size / (lines.near + 0.3)
    return np.column_stack([
        np.log(length), np.log(size / scale**2 / length), np.log(usual), np.log(most), np.log(against_near),
        np.log(light), np.clip(lost[1] / light, -1, 1), np.clip(lost[2] / light, -1, 1),
        np.minimum(unlike / light, 3.0), np.abs(_slope_deg(lines, size)) / 10,
        np.log(lines.peaks / scale**2 / length), np.log(width / height),
    ])  # fmt: skip


def _sum(lines: Candidates, values: Floats | None) -> NDArray[np.float64]:
    """Sum (n,) of values (p,) over each line's pixels, their number for None."""
    return np.bincount(lines.owner, weights=values, minlength=len(lines)).astype(np.float64)


def _slope_deg(lines: Candidates, size: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle (n,) of each line's long axis to the board's length."""
    x, y = (
        at - (_sum(lines, at) / size)[lines.owner]
        for at in (lines.column.astype(np.float64), lines.row.astype(np.float64))
    )
    return np.degrees(0.5 * np.arctan2(2 * _sum(lines, x * y), _sum(lines, x * x) - _sum(lines, y * y)))


def _profile(lines: Candidates) -> tuple[Floats, Floats]:
    """Upper quartile (n,) and maximum (n,) of the darkest pixel in each column of a line."""
    n = lines.box[:, 2]
    end = np.cumsum(n)
    darkest = np.full(end[-1], 0.1, dtype=lines.drop.dtype)  # lines' columns one after another
    np.maximum.at(darkest, lines.column + (end - n - lines.box[:, 0])[lines.owner], lines.drop)
    rising = darkest[np.lexsort((darkest, np.repeat(np.arange(len(n)), n)))]
    return rising[end - 1 - (n - 1) // 4], rising[end - 1]


def _colour_lost(
    lines: Candidates, lab: Floats, scale: float
) -> tuple[list[NDArray[np.float64]], NDArray[np.float64]]:
    """CIELAB (three of (n,)) by which each line lies below the mean of its two sides, its darkest parts
    counting most, and how much (n,) lightness differs from one side to the other."""
    away = max(1, round(_COLOUR_SIDE_MM * scale))
    row, column = lines.row, lines.column
    above, below = lab[np.maximum(row - away, 0), column], lab[np.minimum(row + away, len(lab) - 1), column]
    weight = np.maximum(lines.drop, 0.1)
    lost = ((above + below) / 2 - lab[row, column]) * weight[:, None]
    unlike = _sum(lines, np.abs(above[:, 0] - below[:, 0])) / _sum(lines, None)
    return [_sum(lines, lost[:, k]) / _sum(lines, weight) for k in range(3)], unlike


def _as_mark(lines: Candidates, k: int, measures: NDArray[np.float64], chance: float, grid: Grid) -> Mark:
    """Line k as a mark."""
    left, top, width, height = lines.box[k]
    pixels = lines.owner == k
    mask = np.zeros((height, width), dtype=np.uint8)
    mask[lines.row[pixels] - top, lines.column[pixels] - left] = 1
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    points: NDArray[Any] = max((np.asarray(o).reshape(-1, 2) for o in outlines), key=len)
    at_mm = (points + np.array([left, top]) + 0.5) / grid.px_per_mm
    kind: MarkKind = "pitch" if measures[6] < -_REDDENS else "crack"
    return Mark(kind, np.asarray(at_mm, dtype=np.float64), confidence=chance, sound=False)
