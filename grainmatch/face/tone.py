"""Tone: CIELAB of clear wood on the cell grid, glare, and the slow drift along the board."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.face.grid import Floats, Grid
from grainmatch.model import Mask, Rgb


def find_glare(rgb: Rgb) -> Mask:
    """Pixels (h, w) where the sensor is full in at least two channels: their colour is lost."""
    return np.asarray((rgb >= 250).sum(axis=2) >= 2)


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
