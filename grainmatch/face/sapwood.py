"""Sapwood: the paler wood along a long edge, with its boundary."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid, Strips, blur, shrink
from grainmatch.model import Mask, Sapwood

_LEAST_CONTRAST_DE = 5.0
_LEAST_SEPARATION = 1.9  # distance of the two tones over the sum of their spreads
_LEAST_DEPTH_MM = 2.0
_GAP_MM = 5.0  # late wood within sapwood may be as dark as heartwood over this much
_SMOOTH_CELLS = 2.0


def find_sapwood(tones: Strips, grid: Grid) -> Sapwood | None:
    """Sapwood from the CIELAB of clear wood in strips; None when no edge is clearly paler than the rest.

    The face's wood is split into two tones; the paler one is sapwood if it lies along a long edge. The
    boundary in each cell column is the depth that best parts the two tones.
    """
    two = _two_tones(_mix_rings(tones))
    if two is None:
        return None
    heart, sap, separation = two
    step = sap - heart
    lean, wood = _measure_lean(tones, grid, (heart + sap) / 2, step / (step @ step))
    gap_px = _GAP_MM * grid.px_per_mm
    upper, lower = (_depth_px(lean[way], wood[way], gap_px) for way in (slice(None), slice(None, None, -1)))
    full = wood.sum(axis=0)
    both = upper + lower > full  # all of the column is pale: give it to the edge that holds it elsewhere
    lower = np.where(both, np.maximum(full - upper, 0), lower)
    depths = [_steady(d) / grid.px_per_mm for d in (upper, lower)]
    shares = [float((d >= _LEAST_DEPTH_MM).mean()) for d in depths]
    if max(shares) < 0.05 or _pale_share_elsewhere(lean, wood, upper, lower) > 0.5:
        return None
    depths = [np.where(d >= _LEAST_DEPTH_MM / 2, d, 0.0) for d in depths]
    contrast = float(np.linalg.norm(step))
    confidence = float(np.clip((separation - _LEAST_SEPARATION) / 2 + 0.4, 0, 1))
    return Sapwood(depths[0], depths[1], shares[0], shares[1], contrast, confidence)


def sapwood_mask(edges: Sapwood, grid: Grid) -> Mask:
    """Working pixels (h, w) of sapwood."""
    rows = np.arange(grid.inside.shape[0])[:, None] + 0.5
    at = (np.arange(grid.inside.shape[1]) + 0.5) / grid.cell_px - 0.5
    columns = np.arange(len(edges.upper_mm))
    upper, lower = (np.interp(at, columns, d) * grid.px_per_mm for d in (edges.upper_mm, edges.lower_mm))
    first = grid.inside.argmax(axis=0)
    last = grid.inside.shape[0] - grid.inside[::-1].argmax(axis=0)
    return np.asarray(((rows < first + upper) | (rows > last - lower)) & grid.inside)


def _mix_rings(strips: Strips) -> Floats:
    """Tones (n, 3) of cells with their neighbours, so that early and late wood are mixed."""
    cells = strips.cells()
    held = np.isfinite(cells[..., 0])
    mass = blur(held.astype(np.float32), 1.0, 1.0)
    mixed = blur(np.where(held[..., None], cells, 0).astype(np.float32), 1.0, 1.0)
    return (mixed / np.maximum(mass, 1e-3)[..., None])[held & (mass > 0.1)]


def _measure_lean(strips: Strips, grid: Grid, middle: Floats, slope: Floats) -> tuple[Floats, Mask]:
    """How far each strip pixel (h, columns) leans from the middle towards the paler tone (-0.5 heart, 0.5
    sapwood), smoothed a little, and where there is clear wood to speak of."""
    soft = 1.0 * grid.px_per_mm
    mass = blur(strips.mass, _SMOOTH_CELLS, soft)
    mixed = np.asarray(cv2.transform(strips.total, slope.astype(np.float32)[None]), dtype=np.float32)
    lean = blur(mixed, _SMOOTH_CELLS, soft) / np.maximum(mass, 1e-3)
    wood = (shrink(grid.inside.astype(np.float32), (grid.shape[1], len(mass))) > 0.5) & (mass > 0.05)
    return np.where(wood, lean - np.float32(middle @ slope), np.float32(0)), wood


def _two_tones(tones: Floats) -> tuple[Floats, Floats, float] | None:
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
    return low, high, separation


def _tails(n: int) -> tuple[slice, slice]:
    return slice(0, max(1, n // 20)), slice(n - max(1, n // 50), n)


def _depth_px(lean: Floats, wood: Mask, gap_px: float) -> NDArray[np.float64]:
    """Depth (columns,) from the first wood row to where the paler tone ends, 0 for none.

    The end is where the pale surplus counted from the edge is greatest, before the first dark stretch
    longer than `gap_px`: pale wood beyond that belongs to the other edge.
    """
    surplus = np.cumsum(np.clip(np.where(wood, lean, 0.0), -0.5, 0.5), axis=0)
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
