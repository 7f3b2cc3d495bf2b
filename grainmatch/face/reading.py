"""From the picture of a face to its features: the door of this room."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainmatch.face.cut import read_cut
from grainmatch.face.extent import find_wood
from grainmatch.face.fleck import measure_fleck
from grainmatch.face.grain import Grain, measure_grain
from grainmatch.face.grid import Grid, lay_grid
from grainmatch.face.marks import cover, find_marks
from grainmatch.face.picture import check_picture
from grainmatch.face.rings import measure_rings
from grainmatch.face.sapwood import find_sapwood, sapwood_mask
from grainmatch.face.tone import (
    find_glare,
    mean_tone,
    measure_drift,
    measure_lab,
    measure_streaks,
)
from grainmatch.geometry import mean_axis_rad
from grainmatch.model import Features, Mask, Rgb

_LEAST_PX = 8  # two of the smallest cells


def read_face(rgb: Rgb, *, px_per_mm: float, inside: Mask | None = None) -> Features:
    """Read grain, tone and marks from one face.

    rgb (h, w, 3) uint8 with length along x; inside (h, w) True on wood, found here when None.
    Raises BoardError when the picture is not a colour picture or is too small, the scale is impossible, or
    the mask does not fit or holds no wood.
    """
    check_picture("The face", rgb, inside, px_per_mm=px_per_mm, least_px=_LEAST_PX)
    grid = lay_grid(rgb, find_wood(rgb) if inside is None else inside, px_per_mm=px_per_mm)
    lab = measure_lab(grid.rgb)
    marks = find_marks(lab, grid)
    glare = find_glare(grid.rgb)
    clear = grid.inside & ~glare & ~cover(marks, grid, grow_mm=0.5)
    tones = grid.columns(lab, clear)
    light = np.ascontiguousarray(lab[..., 0])
    del lab  # the largest array there is; what follows needs room
    grain = measure_grain(light, grid, clear=clear)
    rings = measure_rings(tones, grid, grain)
    edges = find_sapwood(tones, grid)
    sapwood = np.zeros(grid.shape)
    if edges is not None:
        sapwood[:] = grid.cell_mean(sapwood_mask(edges, grid))
    cells = np.asarray(tones.cells(), dtype=np.float64)
    drift = measure_drift(cells, 1 - sapwood)
    figure = read_cut(grain, rings, grid, sapwood=sapwood)
    upper, lower = _edge_angles(grain, grid, rgb.shape[1])
    return Features(
        px_per_mm=px_per_mm,
        cell_mm=grid.cell_mm,
        angle_rad=grain.angle_rad,
        coherence=grain.coherence,
        lab=cells,
        ring_mm=rings.spacing_mm,
        sapwood=sapwood,
        mean_lab=mean_tone(tones),
        mean_angle_rad=mean_axis_rad(grain.angle_rad, grain.coherence + 1e-9),
        marks=marks,
        cut=figure.cut,
        cut_cells=figure.cut_cells,
        cathedral=figure.cathedral,
        upper_angle_rad=upper,
        lower_angle_rad=lower,
        bark_side_up=figure.bark_side_up,
        bark_confidence=figure.bark_confidence,
        fibre_angle_rad=grain.fibre_angle_rad,
        sapwood_edges=edges,
        drift_lab=drift,
        streak_de=measure_streaks(cells, sapwood, drift),
        glare=np.asarray(grid.cell_mean(glare) if glare.any() else np.zeros(grid.shape), dtype=np.float64),
        fleck=measure_fleck(light, grid, figure, clear=clear),
    )


def _edge_angles(grain: Grain, grid: Grid, width_px: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Figure direction one cell in from each long edge, for every pixel column of the face (w,)."""
    share = grid.cell_mean(grid.inside) > 0.5
    first = np.where(share.any(axis=0), share.argmax(axis=0), 0)
    last = np.where(share.any(axis=0), share.shape[0] - 1 - share[::-1].argmax(axis=0), share.shape[0] - 1)
    columns = np.arange(share.shape[1])
    at = (np.arange(width_px) + 0.5) / (grid.cell_px * grid.step) - 0.5
    lines = []
    for row in (np.minimum(first + 1, last), np.maximum(last - 1, first)):
        double = np.exp(2j * grain.angle_rad[row, columns])
        lines.append(np.angle(np.interp(at, columns, double)) / 2)
    return lines[0], lines[1]
