"""Ring lines on a face: how far apart they lie, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grain import Grain
from grainmatch.face.grid import Floats, Grid, Strips, blur, blur_wide

_SOFT_MM = 0.35
_WIDE_MM = 6.0  # slower changes than this across the board are tone, not lines
_LEAST_SWING = 0.25  # of the face's rms wave, to either side; weaker swings are streaks or noise
_LEAST_LOCAL_SWING = 0.3  # of the rms wave nearby
_WINDOW_CELLS = (8.0, 1.2)
_WINDOW_SIGMAS = 2.5  # a Gaussian holds as much as a box sqrt(2 pi) sigma wide
_LEAST_LINES = 1.0


@dataclass(frozen=True, eq=False)
class Rings:
    """spacing_mm (rows, columns): distance between lines at right angles to them, NaN where none show.
    lines_per_mm (rows, columns): lines crossed per mm going straight across the board."""

    spacing_mm: NDArray[np.float64]
    lines_per_mm: NDArray[np.float64]


def measure_rings(tones: Strips, grid: Grid, grain: Grain) -> Rings:
    """Count ring lines across the board from the CIELAB of clear wood in strips.

    Each cell's length is averaged first: lines run along the board nearly everywhere, camera noise and
    streaks do not survive it. A line is one full swing from dark to light.
    """
    mass = tones.mass
    held = np.maximum(mass, 1e-3)
    line = np.where(mass > 1e-3, tones.total[..., 0] / held, 0)
    soft = _SOFT_MM * grid.px_per_mm
    wide = _WIDE_MM * grid.px_per_mm
    fine = blur(line * held, 0.5, soft) / blur(held, 0.5, soft)
    wave = fine - blur_wide(line * held, 0.5, wide) / blur_wide(held, 0.5, wide)
    wave[mass < 0.3] = 0
    typical = float(np.sqrt((wave[mass > 0.3] ** 2).mean())) if (mass > 0.3).any() else 0.0
    local = np.sqrt(blur_wide(wave * wave * held, 4.0, wide) / blur_wide(held, 4.0, wide))
    crossing = _count_swings(wave, np.maximum(_LEAST_SWING * typical, _LEAST_LOCAL_SWING * local))
    per_cell = crossing.reshape(grid.shape[0], grid.cell_px, -1).sum(axis=1).astype(np.float32)
    wood = mass.reshape(grid.shape[0], grid.cell_px, -1).mean(axis=1)
    along, across = _WINDOW_CELLS
    seen = blur(wood, along, across)
    density = blur(per_cell * wood, along, across) / np.maximum(seen, 1e-3) / grid.cell_mm
    lines_in_window = density * grid.cell_mm * across * _WINDOW_SIGMAS
    shown = (lines_in_window > _LEAST_LINES) & (seen > 0.2) & (grain.coherence > 0.2)
    spacing = np.where(shown, np.abs(np.cos(grain.angle_rad)) / np.maximum(density, 1e-6), np.nan)
    return Rings(spacing.astype(np.float64), np.where(seen > 0.2, density, np.nan).astype(np.float64))


def _count_swings(wave: Floats, reach: Floats) -> NDArray[np.bool_]:
    """True (h, columns) where a column, going down, comes from below -reach to above +reach."""
    state = np.where(wave > reach, 1, np.where(wave < -reach, -1, 0)).astype(np.int8)
    rows = np.arange(len(wave))[:, None]
    last_known = np.maximum.accumulate(np.where(state != 0, rows, 0), axis=0)
    held = np.take_along_axis(state, last_known, axis=0)
    swings = np.zeros(wave.shape, dtype=bool)
    swings[1:] = (held[1:] == 1) & (held[:-1] == -1)
    return swings
