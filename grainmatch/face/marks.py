"""Marks: everything on a face that is not clear wood, each an outline in mm.

Knots come from `knots`, cracks and streaks of pitch or gum from `lines`. The rest are dark or strangely
coloured patches, told apart by shape, by the way they run, and by where they lie: a broad dark patch
along the grain is a pocket of pitch; a pencil line is thin, grey and crosses the grain; a bark edge lies
along a long edge; stain is a broad patch of another hue.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid, blur, shrink
from grainmatch.face.knot_pixels import KnotModels
from grainmatch.face.knots import find_knots
from grainmatch.face.lines import find_lines, soft_along
from grainmatch.geometry import polygon_area, polygon_mask
from grainmatch.model import Mark, MarkKind, Mask

_LEAST_DROP = 15.0  # lightness below the wood around; late wood in softwood stays within about 12
_DROP_SPREADS = 4.5  # ... or this many robust spreads, whichever is more
_SIDE_MM = 8.0
_ABOUT_MM = 15.0  # sigma of what counts as the wood about a place
_ALONG_MM = 1.0  # pencil lines are smoothed this far along themselves; noise and pores do not survive it
_LINE = 8.0  # length over thickness from which a dark patch is a line
_BIT_MM = 5.0
_BIT_SHARE = 2.0  # a line is that much longer than a piece of it; one as long as a knot is the knot itself
_THIN_MM = 4.0
_LEAST_LENGTH_MM = 8.0
_BARK_LENGTH_MM = 25.0
_RIM_MM = 2.0  # a dark line wholly this near the outline is the gap or the shadow beside a board
_OFF_RIM = 0.1
_STAIN_DE = 7.0
_STAIN_AREA_MM2 = 150.0


@dataclass(frozen=True)
class _Shape:
    """What a dark patch looks like: size in mm, slope of its long axis in degrees from the board's
    length, mean drop (L, a, b) against the wood around, and whether it lies along a long edge."""

    length_mm: float
    thickness_mm: float
    slope_deg: float
    drop: tuple[float, float, float]
    at_edge: bool


def find_marks(lab: Floats, grid: Grid, *, models: KnotModels | None = None) -> tuple[Mark, ...]:
    """Marks on a face from its CIELAB image (h, w, 3) at working scale; they do not overlap.

    `models` finds knots in place of the fitted ones.
    """
    level = _wood_level(lab, grid.inside, grid)
    off_rim = _leave_rim(grid)
    soft = soft_along(lab, grid)
    lines = [m for m in find_lines(lab, soft, grid) if _share_under(m, off_rim, grid) > _OFF_RIM]
    dark = [m for m in _find_dark(lab, soft, level, grid) if _share_under(m, off_rim, grid) > _OFF_RIM]
    knots = _drop_bits(find_knots(lab, grid, models=models), lines, grid)
    for line in (m for m in dark if m.kind == "pencil" and _is_line(m)):
        short = tuple(k for k in knots if _BIT_SHARE * _length_mm(k) < _length_mm(line))
        bits = set(short) - set(_drop_bits(short, [line], grid))
        knots = tuple(k for k in knots if k not in bits)
    no_line = ~cover(tuple(lines), grid, grow_mm=0.5)
    lines += [m for m in dark if _share_under(m, no_line, grid) > 0.5]
    free = ~cover(knots, grid, grow_mm=1.5)
    return (*knots, *(m for m in lines if _share_under(m, free, grid) > 0.5), *_find_stains(level, grid))


def _is_line(mark: Mark) -> bool:
    return _length_mm(mark) ** 2 > _LINE * abs(polygon_area(mark.outline_mm))


def _length_mm(mark: Mark) -> float:
    return float(max(cv2.minAreaRect(mark.outline_mm.astype(np.float32))[1]))


def _drop_bits(knots: tuple[Mark, ...], lines: list[Mark], grid: Grid) -> tuple[Mark, ...]:
    """Knots without those that are small and lie mostly on lines."""
    if not lines or not knots:
        return knots
    on_line = cover(tuple(lines), grid, grow_mm=1.5)

    def is_bit(knot: Mark) -> bool:
        left, top, right, bottom = knot.box_mm
        return min(right - left, bottom - top) < _BIT_MM and _share_under(knot, on_line, grid) > 0.6

    return tuple(k for k in knots if not is_bit(k))


def _leave_rim(grid: Grid) -> Mask:
    """Wood farther than the rim from the outline."""
    reach = max(1, round(_RIM_MM * grid.px_per_mm))
    size = np.ones((2 * reach + 1,) * 2, np.uint8)
    wood = grid.inside.view(np.uint8)
    return np.asarray(cv2.erode(wood, size, borderType=cv2.BORDER_CONSTANT, borderValue=0)) > 0


def _share_under(mark: Mark, mask: Mask, grid: Grid) -> float:
    """Share of a mark's border points that lie on True pixels."""
    at = np.floor(mark.outline_mm * grid.px_per_mm).astype(int).clip(0, np.array(mask.shape[::-1]) - 1)
    return float(mask[at[:, 1], at[:, 0]].mean())


def cover(marks: tuple[Mark, ...], grid: Grid, *, grow_mm: float = 0.0) -> Mask:
    """Working pixels (h, w) under any of the marks, each grown by `grow_mm`."""
    covered = np.zeros(grid.inside.shape, dtype=np.uint8)
    for mark in marks:
        low = np.floor((np.asarray(mark.box_mm[:2]) - 1) * grid.px_per_mm).astype(int).clip(0)
        high = np.ceil((np.asarray(mark.box_mm[2:]) + 1) * grid.px_per_mm).astype(int).clip(1)
        part = covered[low[1] : high[1], low[0] : high[0]]
        part |= polygon_mask(mark.outline_mm * grid.px_per_mm - low, (part.shape[0], part.shape[1]))
    reach = round(grow_mm * grid.px_per_mm)
    if reach and marks:
        covered = np.asarray(cv2.dilate(covered, np.ones((2 * reach + 1,) * 2, np.uint8)), dtype=np.uint8)
    return covered.astype(bool)


def _wood_level(lab: Floats, free: Mask, grid: Grid) -> Floats:
    """CIELAB of the clear wood about each place, on the cell grid."""
    size = (grid.shape[1], grid.shape[0])
    coarse, weight = shrink(lab, size), shrink(free.astype(np.float32), size)
    sigma = _ABOUT_MM / grid.cell_mm
    level = coarse
    for _ in range(2):
        level = (
            blur(coarse * weight[..., None], sigma, sigma) / (blur(weight, sigma, sigma) + 1e-4)[..., None]
        )
        # Second round: what differs much from its surroundings does not say what clear wood is like.
        weight = weight * (np.abs(coarse[..., 0] - level[..., 0]) < 8)
    return level


def _find_dark(lab: Floats, soft: Floats, level: Floats, grid: Grid) -> list[Mark]:
    """Dark patches, knots among them, that look like one of the other marks.

    Looked for twice, in lightness smoothed along the board for what follows the grain and across it for
    pencil lines.
    """
    side = _lower_side(level[..., 0], soft.shape, grid)
    follows = _outline_dark(side - soft, grid)
    crossed = blur(lab[..., 0], 0.3, _ALONG_MM * grid.px_per_mm)
    crosses = _outline_dark(np.subtract(side, crossed, out=crossed), grid)
    marks = [m for m in (_as_mark(o, lab, level, grid) for o in follows) if m and m.kind != "pencil"]
    return marks + [m for m in (_as_mark(o, lab, level, grid) for o in crosses) if m and m.kind == "pencil"]


def _outline_dark(drop: Floats, grid: Grid) -> list[NDArray[Any]]:
    """Border pixels (n, 2) of patches that lie far enough below the wood beside them."""
    sample = drop[::5, ::7][grid.inside[::5, ::7]]
    spread = 1.4826 * float(np.median(np.abs(sample))) if sample.size else 0.0
    dark = ((drop > max(_LEAST_DROP, _DROP_SPREADS * spread)) & grid.inside).view(np.uint8)
    gap = max(1, round(1.0 * grid.px_per_mm))
    dark = np.asarray(cv2.morphologyEx(dark, cv2.MORPH_CLOSE, np.ones((1, 2 * gap + 1), np.uint8)))
    found, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    outlines = [np.asarray(o).reshape(-1, 2) for o in found]
    return [o for o in outlines if np.ptp(o, axis=0).max() >= 3 * grid.px_per_mm]


def _as_mark(points: NDArray[Any], lab: Floats, level: Floats, grid: Grid) -> Mark | None:
    """A dark patch as a mark, None when it is nothing worth telling."""
    shape = _measure_shape(points, lab, level, grid)
    kind = _name(shape)
    if kind is None:
        return None
    confidence = float(np.clip(shape.drop[0] / 40, 0.2, 0.9))
    return Mark(kind, _to_mm(points, grid.px_per_mm), confidence=confidence, sound=False)


def _lower_side(level: Floats, shape: tuple[int, ...], grid: Grid) -> Floats:
    """The darker of the wood's levels on the two sides of each pixel, across the board.

    So heartwood beside sapwood is not dark: it equals the wood on its one side.
    """
    rows = max(1, round(_SIDE_MM / grid.cell_mm))
    padded = np.pad(level, ((rows, rows), (0, 0)), mode="edge")
    darker = np.minimum(padded[: -2 * rows], padded[2 * rows :]).astype(np.float32)
    return np.asarray(cv2.resize(darker, (shape[1], shape[0])), dtype=np.float32)


def _measure_shape(points: NDArray[Any], lab: Floats, level: Floats, grid: Grid) -> _Shape:
    """Size, run and colour of a patch given by its border pixels (n, 2)."""
    low, high = points.min(axis=0), points.max(axis=0) + 1
    patch = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.uint8)
    cv2.fillPoly(patch, [(points - low).astype(np.int32)], 1)
    rows, columns = np.nonzero(patch)
    mean = lab[low[1] : high[1], low[0] : high[0]][rows, columns].mean(axis=0)
    middle = (points.mean(axis=0) / grid.cell_px).astype(int)
    wood = level[min(middle[1], level.shape[0] - 1), min(middle[0], level.shape[1] - 1)]
    _, sides, _ = cv2.minAreaRect(points.astype(np.float32))
    length_px = max(sides) + 1
    spread = np.cov(np.stack([columns, rows])) if len(rows) > 2 else np.eye(2)
    slope = 0.5 * np.degrees(np.arctan2(2 * spread[0, 1], spread[0, 0] - spread[1, 1]))
    column = grid.inside[:, int(np.clip(points[:, 0].mean(), 0, grid.inside.shape[1] - 1))]
    wood_rows = np.flatnonzero(column)
    near = 2 * grid.px_per_mm
    at_edge = len(wood_rows) > 0 and bool(low[1] <= wood_rows[0] + near or high[1] >= wood_rows[-1] - near)
    drop = tuple(float(v) for v in wood - mean)
    return _Shape(
        length_mm=length_px / grid.px_per_mm,
        thickness_mm=len(rows) / length_px / grid.px_per_mm,
        slope_deg=float(abs(slope)),
        drop=(drop[0], drop[1], drop[2]),
        at_edge=at_edge,
    )


def _name(shape: _Shape) -> MarkKind | None:
    """The kind of mark a dark patch is, None when it is nothing worth telling."""
    if shape.at_edge and shape.slope_deg < 20 and shape.length_mm > _BARK_LENGTH_MM:
        return "bark edge"
    if shape.length_mm < _LEAST_LENGTH_MM:
        return None
    thin = shape.thickness_mm < _THIN_MM and shape.length_mm > 4 * shape.thickness_mm
    if thin and shape.slope_deg > 35:
        return "pencil" if shape.drop[2] > 0.15 * shape.drop[0] else None
    return "pitch" if not thin and shape.length_mm > 2 * shape.thickness_mm and shape.slope_deg < 35 else None


def _find_stains(level: Floats, grid: Grid) -> list[Mark]:
    """Broad patches greyer or bluer than the face's wood: fungal blue stain, iron, water."""
    scale = 1 / grid.cell_mm
    inside = shrink(grid.inside.astype(np.float32), (level.shape[1], level.shape[0])) > 0.5
    if not inside[::3, ::3].any():
        return []
    typical = np.median(level[::3, ::3][inside[::3, ::3]], axis=0)
    less_yellow = typical[2] - level[..., 2]
    darker = typical[0] - level[..., 0]
    stained = ((less_yellow > _STAIN_DE) & (darker > 0.5 * _STAIN_DE) & inside).astype(np.uint8)
    outlines, _ = cv2.findContours(stained, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    marks = []
    for outline in outlines:
        points = np.asarray(outline).reshape(-1, 2)
        if len(points) >= 3 and cv2.contourArea(points) / scale**2 > _STAIN_AREA_MM2:
            marks.append(Mark("stain", _to_mm(points, scale), confidence=0.4, sound=True))
    return marks


def _to_mm(points: NDArray[Any], px_per_mm: float) -> NDArray[np.float64]:
    return np.asarray((points + 0.5) / px_per_mm, dtype=np.float64)
