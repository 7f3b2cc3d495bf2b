"""Tone: CIELAB of clear wood on the cell grid, glare, and the slow drift along the board."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR
from grainmatch.face.grid import Floats, Strips, blur
from grainmatch.model import Mask, Rgb

_DRIFT_CELLS = 25.0


def find_glare(rgb: Rgb) -> Mask:
    """Pixels (h, w) where red and green are full: wood's two strongest channels, so its colour is lost."""
    return np.asarray(cv2.inRange(rgb, np.array([250, 250, 0.0]), np.array([255, 255, 255.0]))) > 0


def measure_lab(rgb: Rgb) -> Floats:
    """CIELAB (h, w, 3), float32: `colour.srgb_to_lab` many times faster.

    The same to 0.005 on all that is as light as wood (OpenCV's white differs from ours in the fifth digit),
    to 0.04 where the two branches of the CIE curve meet, near L = 8.
    """
    linear = np.asarray(cv2.LUT(rgb, SRGB8_TO_LINEAR.reshape(1, 256)), dtype=np.float32)
    return np.asarray(cv2.cvtColor(linear, cv2.COLOR_LRGB2Lab, dst=linear), dtype=np.float32)


def measure_drift(cells: NDArray[np.float64], heart: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slow change of tone along the board (columns, 3), about its mean, from cells' CIELAB.

    heart (rows, columns) weighs cells: sapwood coming and going along an edge is no drift. Smoothed over
    about 100 mm, where cells are 4 mm.
    """
    weight = np.where(np.isfinite(cells[..., 0]), heart, 0.0)
    mass = blur(weight.sum(axis=0)[None], _DRIFT_CELLS, 1.0)[0]
    total = blur(np.nansum(cells * weight[..., None], axis=0)[None], _DRIFT_CELLS, 1.0)[0]
    line = total / np.maximum(mass, 1e-6)[:, None]
    mean = (line * mass[:, None]).sum(axis=0) / max(mass.sum(), 1e-6)
    return np.asarray(line - mean, dtype=np.float64)


def measure_streaks(
    cells: NDArray[np.float64], sapwood: NDArray[np.float64], drift: NDArray[np.float64]
) -> NDArray[np.float64]:
    """CIE76 difference (rows, columns) of each cell from the heartwood's tone at its place along the board.

    Lightness counts half: late wood alone makes light and dark lines, a streak changes hue as well. NaN
    where a cell holds no clear wood; 0 in sapwood, which has its own record.
    """
    heart = np.isfinite(cells[..., 0]) & (sapwood < 0.25)
    typical = np.median(cells[heart], axis=0) if heart.any() else np.zeros(3)
    off = (cells - drift[None] - typical) * np.array([0.5, 1.0, 1.0])
    return np.asarray(np.where(sapwood < 0.25, np.linalg.norm(off, axis=2), 0.0), dtype=np.float64)


def mean_tone(strips: Strips) -> NDArray[np.float64]:
    """Mean CIELAB (3,) of all clear wood; NaN when there is none."""
    mass = float(strips.mass.sum())
    if mass == 0:
        return np.full(3, np.nan)
    return np.asarray(cv2.sumElems(strips.total)[:3], dtype=np.float64) / mass
