"""Sapwood: the paler wood along a long edge, with its boundary."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid, Strips, blur, shrink
from grainmatch.model import Mask, Sapwood

_LEAST_CONTRAST_DE = 5.0
_LEAST_SEPARATION = 1.9  # distance of the two tones over the sum of their spreads
_LEAST_DEPTH_MM = 2.0
_LEAST_HEART = 0.1  # of the face: less is a lens of late wood or a streak, and the rest its clear wood
_GAP_MM = 5.0  # late wood within sapwood may be as dark as heartwood over this much
_SMOOTH_CELLS = 2.0
_LEAST_EDGE_SEPARATION = 1.95
_LEAST_EDGE_CONTRAST_DE = 4.0
_LEAST_SPREAD_DE = 0.4
_EVERY = 3
_LEAST_STRIP_N = 10
_BLURRED_MM = 6.0  # about the boundary a cell holds some of both
_DEPTHS_MM = (5.0, 9.0, 14.0, 20.0, 30.0, 45.0)
_STRETCHES = ((0.0, 1.0), (0.0, 0.5), (0.5, 1.0))


@dataclass(frozen=True, eq=False)
class _Tones:
    """Mean CIELAB (3,) of heartwood and sapwood; slope (3,): how a tone's lean from one to the other grows, 1
    over the whole way; separation: half their distance in spreads along it."""

    heart: Floats
    sap: Floats
    slope: Floats
    separation: float


def find_sapwood(tones: Strips, grid: Grid) -> Sapwood | None:
    """Sapwood from the CIELAB of clear wood in strips; None when no edge is clearly paler than the rest.

    The face's wood is split into two tones, by tone alone where they stand far apart, otherwise by what lies
    along an edge against the rest; the paler one is sapwood if it lies along a long edge. The boundary in
    each cell column is the depth that best parts the two tones.
    """
    tones = _even_hue(tones)
    cells, held = _mix_rings(tones)
    two = _two_tones(cells[held]) or _part_at_edge(cells, held, grid.cell_mm)
    if two is None:
        return None
    step = two.sap - two.heart
    lean, wood = _measure_lean(tones, grid, (two.heart + two.sap) / 2, two.slope)
    gap_px = _GAP_MM * grid.px_per_mm
    upper, lower = (_depth_px(lean[way], wood[way], gap_px) for way in (slice(None), slice(None, None, -1)))
    full = wood.sum(axis=0)
    both = upper + lower > full  # all of the column is pale: give it to the edge that holds it elsewhere
    lower = np.where(both, np.maximum(full - upper, 0), lower)
    depths = [_steady(d) / grid.px_per_mm for d in (upper, lower)]
    shares = [float((d >= _LEAST_DEPTH_MM).mean()) for d in depths]
    heart_share = 1 - (depths[0] + depths[1]).sum() * grid.px_per_mm / max(float(full.sum()), 1.0)
    a_lens = heart_share < _LEAST_HEART and min(shares) < 0.1
    if a_lens or max(shares) < 0.05 or _pale_share_elsewhere(lean, wood, upper, lower) > 0.5:
        return None
    depths = [np.where(d >= _LEAST_DEPTH_MM / 2, d, 0.0) for d in depths]
    contrast = float(np.linalg.norm(step))
    confidence = float(np.clip((two.separation - _LEAST_SEPARATION) / 2 + 0.4, 0, 1))
    return Sapwood(depths[0], depths[1], shares[0], shares[1], contrast, confidence)


def sapwood_mask(edges: Sapwood, grid: Grid) -> Mask:
    """Working pixels (h, w) of sapwood."""
    rows = np.arange(grid.inside.shape[0], dtype=np.float32)[:, None] + np.float32(0.5)
    at = (np.arange(grid.inside.shape[1]) + 0.5) / grid.cell_px - 0.5
    columns = np.arange(len(edges.upper_mm))
    upper, lower = (np.interp(at, columns, d) * grid.px_per_mm for d in (edges.upper_mm, edges.lower_mm))
    first = grid.inside.argmax(axis=0)
    last = grid.inside.shape[0] - grid.inside[::-1].argmax(axis=0)
    above, below = (first + upper).astype(np.float32), (last - lower).astype(np.float32)
    return np.asarray(((rows < above) | (rows > below)) & grid.inside)


def _even_hue(strips: Strips) -> Strips:
    """Strips with a and b as they would be at the face's mean lightness.

    In a stronger light all three of L + 16, a and b grow by the same factor (the cube root of
    CIE 15's definition of CIELAB), so this hue and chroma stay the same where light falls unevenly.
    """
    light = strips.total[..., 0]
    mean = float(light.sum()) / max(float(strips.mass.sum()), 1e-6)
    factor = (mean + 16) * strips.mass / np.maximum(light + 16 * strips.mass, 1e-6)
    planes = (light, *(strips.total[..., k] * factor for k in (1, 2)))
    return replace(strips, total=np.dstack(planes).astype(np.float32, copy=False))


def _mix_rings(strips: Strips) -> tuple[Floats, Mask]:
    """Tones (rows, columns, 3) of cells with their neighbours, so that early and late wood are mixed, and
    which cells (rows, columns) hold enough to say."""
    cells = strips.cells()
    held = np.isfinite(cells[..., 0])
    mass = blur(held.astype(np.float32), 1.0, 1.0)
    mixed = blur(np.where(held[..., None], cells, 0).astype(np.float32), 1.0, 1.0)
    return mixed / np.maximum(mass, 1e-3)[..., None], held & (mass > 0.1)


def _measure_lean(strips: Strips, grid: Grid, middle: Floats, slope: Floats) -> tuple[Floats, Mask]:
    """How far each strip pixel (h, columns) leans from the middle towards the paler tone (-0.5 heart, 0.5
    sapwood), smoothed a little, and where there is clear wood to speak of."""
    soft = 1.0 * grid.px_per_mm
    mass = blur(strips.mass, _SMOOTH_CELLS, soft)
    mixed = np.asarray(cv2.transform(strips.total, slope.astype(np.float32)[None]), dtype=np.float32)
    lean = blur(mixed, _SMOOTH_CELLS, soft) / np.maximum(mass, 1e-3)
    wood = (shrink(grid.inside.astype(np.float32), (grid.shape[1], len(mass))) > 0.5) & (mass > 0.05)
    return np.where(wood, lean - np.float32(middle @ slope), np.float32(0)), wood


def _two_tones(tones: Floats) -> _Tones | None:
    """Darker and paler mean tone of (n, 3), and how far apart they stand; None when they are one."""
    sample = tones[:: max(1, len(tones) // 2500)].astype(np.float64)
    if len(sample) < 50:
        return None
    low, high = (np.median(sample[np.argsort(sample[:, 0])[part]], axis=0) for part in _tails(len(sample)))
    for _ in range(9):
        step = high - low
        pale = (sample - (low + high) / 2) @ step > 0
        if pale.mean() < 0.005 or pale.mean() > 0.995:
            return None
        low, high = sample[~pale].mean(axis=0), sample[pale].mean(axis=0)
    contrast = float(np.linalg.norm(high - low))
    along = (sample @ (high - low)) / max(contrast, 1e-9)
    spread = float(along[pale].std() + along[~pale].std())
    separation = contrast / max(spread, 1e-9)
    if contrast < _LEAST_CONTRAST_DE or separation < _LEAST_SEPARATION or high[0] < low[0]:
        return None
    return _best_slope(sample[~pale], sample[pale])


def _part_at_edge(cells: Floats, held: Mask, cell_mm: float) -> _Tones | None:
    """The strip along an edge that stands farthest from the rest of its stretch of the board, if far enough.

    Late wood varies more than the tones of some woods' sapwood differ, but in another direction of colour, so
    the distance counts in spreads along the direction that parts best (Fisher's discriminant, Annals of
    Eugenics 7, 1936). Drawn heartwood stays below 0.7, fourteen photographed faces below 1.7.
    """
    cells, held = cells[:, ::_EVERY], held[:, ::_EVERY]  # neighbours say nearly the same
    rows, columns = held.shape
    place = np.arange(rows)[:, None]
    first, last = held.argmax(axis=0), rows - 1 - held[::-1].argmax(axis=0)
    best: _Tones | None = None
    for left, right in _STRETCHES:
        part = (slice(None), slice(int(left * columns), max(1, int(right * columns))))
        for edge in (place - first, last - place):
            depth_mm = (edge * cell_mm)[part]
            for limit_mm in (d for d in _DEPTHS_MM if d < 0.6 * rows * cell_mm):
                strip = held[part] & (depth_mm < limit_mm)
                rest = held[part] & (depth_mm >= limit_mm + _BLURRED_MM)
                if strip.sum() < _LEAST_STRIP_N or rest.sum() < 2 * _LEAST_STRIP_N:
                    continue
                two = _best_slope(cells[part][rest], cells[part][strip])
                if two.sap[0] > two.heart[0] and (best is None or two.separation > best.separation):
                    best = two
    if best is None or best.separation < _LEAST_EDGE_SEPARATION:
        return None
    return best if np.linalg.norm(best.sap - best.heart) > _LEAST_EDGE_CONTRAST_DE else None


def _best_slope(heart: Floats, sap: Floats) -> _Tones:
    """Two groups of tones (n, 3) and (m, 3) with the direction that parts them best."""
    a, b = heart.astype(np.float64), sap.astype(np.float64)
    means = a.mean(axis=0), b.mean(axis=0)
    spread = (np.cov(a.T) * len(a) + np.cov(b.T) * len(b)) / (len(a) + len(b))
    step = means[1] - means[0]
    slope = np.linalg.solve(spread + _LEAST_SPREAD_DE**2 * np.eye(3), step)
    distance = float(step @ slope)
    return _Tones(*means, slope / max(distance, 1e-9), 0.5 * float(np.sqrt(max(distance, 0.0))))


def _tails(n: int) -> tuple[slice, slice]:
    return slice(0, max(1, n // 20)), slice(n - max(1, n // 50), n)


def _depth_px(lean: Floats, wood: Mask, gap_px: float) -> NDArray[np.float64]:
    """Depth (columns,) from the first wood row to where the paler tone ends, 0 for none.

    The end is where the pale surplus counted from the edge is greatest, before the first dark stretch
    longer than `gap_px`: pale wood beyond that belongs to the other edge.
    """
    surplus = np.cumsum(np.clip(lean, -0.5, 0.5), axis=0)  # lean is 0 off the wood
    broken = np.maximum.accumulate(surplus, axis=0) - surplus > 0.5 * gap_px
    surplus = np.where(np.logical_or.accumulate(broken, axis=0), -np.inf, surplus)
    best = surplus.argmax(axis=0)
    depth = np.where(surplus.max(axis=0) > 0.25, best + 1 - wood.argmax(axis=0), 0)
    return np.asarray(depth, dtype=np.float64)


def _steady(depth_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """The boundary without single columns that jump (a median of five)."""
    padded = np.pad(depth_px, 2, mode="edge").astype(np.float32)
    return np.asarray(cv2.medianBlur(padded[None], 5)[0, 2:-2], dtype=np.float64)


def _pale_share_elsewhere(
    lean: Floats, wood: Mask, upper: NDArray[np.float64], lower: NDArray[np.float64]
) -> float:
    """How much of the pale wood does not hang together with a long edge."""
    rows = np.arange(len(lean))[:, None]
    first, last = wood.argmax(axis=0), len(lean) - wood[::-1].argmax(axis=0)
    at_edge = (rows < first + upper) | (rows >= last - lower)
    pale = (lean > 0) & wood
    return float((pale & ~at_edge).sum() / max(pale.sum(), 1))
