"""Grain direction: the direction of the drawn figure, cell by cell, with how sure it is.

Structure tensor (Bigün & Granlund, ICCV 1987; Förstner & Gülch 1987): the smoothed outer product of
the gradient. Directions are averaged by double angle. Camera noise adds the same energy to every
direction, so it is measured and taken off before the coherence is formed; each pixel's vote is
capped, so pores, planer marks and dents, which are few but strong, cannot outvote the figure.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid
from grainmatch.model import Mask

_DERIVATIVE_MM = 0.5
_FLOW_CELLS = 0.7
_CAP = 3.0


@dataclass(frozen=True, eq=False)
class Grain:
    """angle_rad and coherence (rows, columns); energy is the gradient energy above noise."""

    angle_rad: NDArray[np.float64]
    coherence: NDArray[np.float64]
    energy: NDArray[np.float64]


def measure_grain(lightness: Floats, grid: Grid, *, clear: Mask | None = None) -> Grain:
    """Figure direction on the cell grid from lightness (h, w) at working scale.

    `clear` leaves pixels (marks, glare) out of the votes. Cells without wood get coherence 0 and the
    direction of their neighbourhood.
    """
    tensor, noise = _tensor(lightness, grid, grid.inside if clear is None else clear & grid.inside)
    smooth = cv2.GaussianBlur(tensor, (0, 0), _FLOW_CELLS, borderType=cv2.BORDER_REPLICATE)
    weight = np.maximum(smooth[..., 3], 1e-6)
    difference, cross, trace = (smooth[..., k] / weight for k in range(3))
    strength = np.hypot(difference, cross)
    angle = 0.5 * np.arctan2(cross, difference) + np.pi / 2
    coherence = strength / np.maximum(np.maximum(trace - noise, strength), 1e-9)
    certain = strength / (strength + 0.5 * noise + 1e-9)
    coherence = np.where(smooth[..., 3] > 0.02, coherence * certain, 0.0)
    return Grain(_fold(angle), coherence.astype(np.float64), np.maximum(trace - noise, 0).astype(np.float64))


def _fold(angle: NDArray[np.floating]) -> NDArray[np.float64]:
    """Undirected angles into (-pi/2, pi/2]."""
    return np.asarray(np.pi / 2 - (np.pi / 2 - angle) % np.pi, dtype=np.float64)


def _tensor(lightness: Floats, grid: Grid, clear: Mask) -> tuple[Floats, float]:
    """Cell sums of (Jxx - Jyy, 2 Jxy, Jxx + Jyy, weight), and the noise's share of the trace."""
    sigma = max(0.6, _DERIVATIVE_MM * grid.px_per_mm)
    blurred = cv2.GaussianBlur(lightness, (0, 0), sigma)
    gx = cv2.Scharr(blurred, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(blurred, cv2.CV_32F, 0, 1, scale=1 / 32)
    safe = cv2.erode(clear.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0).astype(np.float32)
    trace = gx * gx + gy * gy
    typical = float(np.median(trace[::3, ::3][safe[::3, ::3] > 0])) if safe.any() else 0.0
    weight = safe / np.maximum(1.0, np.sqrt(trace / max(_CAP**2 * typical, 1e-9)))
    votes = np.dstack([(gx * gx - gy * gy) * weight, 2 * gx * gy * weight, trace * weight, safe])
    noise_sd = _noise_sd(lightness, clear)
    return grid.cell_mean(votes), 2 * noise_sd**2 / (8 * np.pi * sigma**4)


def _noise_sd(lightness: Floats, clear: Mask) -> float:
    """White noise sd by Immerkaer's mask (Comput. Vis. Image Underst. 64(2), 1996), with a median."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = np.abs(cv2.filter2D(lightness, cv2.CV_32F, kernel))[::2, ::2][clear[::2, ::2]]
    return float(np.median(response)) / (0.6745 * 6) if response.size else 0.0
