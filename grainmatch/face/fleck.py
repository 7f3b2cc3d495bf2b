"""Ray fleck: the bright, broken bands that wood rays draw on a quartersawn face."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainmatch.face.cut import Figure
from grainmatch.face.grid import Floats, Grid, blur, blur_wide, shrink
from grainmatch.model import Mask

_LEAST_RISE = 4.5  # lightness above the wood along the grain
_RISE_SPREADS = 4.0
_ALONG_MM = 10.0
_BAND_MM = 0.5


def measure_fleck(lightness: Floats, grid: Grid, figure: Figure, *, clear: Mask) -> NDArray[np.float64]:
    """Share (rows, columns) of each cell that is ray fleck.

    A fleck is brighter than the wood along the grain from it, and short. Near the pith's line, where arches
    end along the grain too, nothing can be told and the share is 0; so it is where the cut is plain, for
    rays are seen from the side only where rings stand steep (no published measure found; own rule).
    """
    may_show = np.isin(figure.cut_cells, ["rift", "quarter", "unclear"])
    if not may_show.any():
        return np.zeros(grid.shape)
    size = (lightness.shape[1] // 2, lightness.shape[0] // 2)
    scale = grid.px_per_mm / 2
    light, wood = shrink(lightness, size), shrink(clear.astype(np.float32), size) > 0.9
    band = blur(light, _BAND_MM * scale, _BAND_MM * scale)
    rise = np.where(wood, band - blur_wide(light, _ALONG_MM * scale, _BAND_MM * scale), 0)
    sample = rise[::4, ::4][wood[::4, ::4]]
    spread = 1.4826 * float(np.median(np.abs(sample))) if sample.size else 0.0
    bright = (rise > max(_LEAST_RISE, _RISE_SPREADS * spread)).astype(np.float32)
    share = shrink(bright, (grid.shape[1], grid.shape[0])).astype(np.float64)
    return np.where(may_show, share, 0.0)
