"""Tone: CIELAB of clear wood on the cell grid, glare, and the slow drift along the board."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.face.grid import Floats, Grid
from grainmatch.model import Mask, Rgb


def find_glare(rgb: Rgb) -> Mask:
    """Pixels (h, w) where red and green are full: wood's two strongest channels, so its colour is lost."""
    return np.asarray(cv2.inRange(rgb, np.array([250, 250, 0.0]), np.array([255, 255, 255.0]))) > 0


def measure_lab(rgb: Rgb) -> Floats:
    """CIELAB (h, w, 3), float32."""
    return np.asarray(srgb_to_lab(rgb), dtype=np.float32)


def measure_cells(lab: Floats, grid: Grid, clear: Mask) -> NDArray[np.float64]:
    """Mean CIELAB of clear wood in each cell (rows, columns, 3); NaN where a cell holds none."""
    return np.asarray(grid.cell_mean(lab, clear.astype(np.float32)), dtype=np.float64)


def mean_tone(lab: Floats, clear: Mask) -> NDArray[np.float64]:
    """Mean CIELAB (3,) of all clear wood; NaN when there is none."""
    if not clear.any():
        return np.full(3, np.nan)
    return np.asarray(cv2.mean(lab, clear.astype(np.uint8))[:3], dtype=np.float64)
