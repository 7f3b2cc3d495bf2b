"""What boards lie on in a drawn scene: bench surfaces and the reference sheet, as flat textures in mm."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR
from grainmatch.model import Rgb

Image = NDArray[np.float32]
BenchKind = Literal["concrete", "dark", "green", "wood"]

PAPER_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
PATCH_SRGB = (220, 186, 153, 119, 85, 51)
_TILE_N = 1024
_TILE_MM_PER_PX = 1.5


def _cloud(rng: np.random.Generator, slope: float, stretch: float = 1.0) -> NDArray[np.float64]:
    """A periodic noise tile (1024, 1024) of unit variance whose amplitude falls as frequency**-slope."""
    fy = np.fft.fftfreq(_TILE_N)[:, None]
    fx = np.fft.rfftfreq(_TILE_N)[None, :] * stretch
    frequency = np.hypot(fx, fy)
    frequency[0, 0] = np.inf
    spectrum = np.fft.rfft2(rng.standard_normal((_TILE_N, _TILE_N))) * frequency**-slope
    tile = np.fft.irfft2(spectrum, s=(_TILE_N, _TILE_N))
    return np.asarray(tile / tile.std())


@lru_cache(maxsize=16)
def bench_tile(kind: BenchKind, seed: int) -> tuple[Image, float]:
    """A periodic picture of the bench in linear light (1024, 1024, 3) and its mm per pixel."""
    rng = np.random.default_rng([seed, 11])
    if kind == "concrete":
        vein = np.exp(-((_cloud(rng, 1.3) / 0.25) ** 2))
        tile = 1 + 0.10 * _cloud(rng, 1.2) - 0.14 * vein + 0.02 * _cloud(rng, 0.2)
        base = (158, 157, 152)
    elif kind == "dark":
        tile = 1 + 0.12 * _cloud(rng, 1.7) + 0.03 * _cloud(rng, 0.2)
        base = (68, 66, 68)
    elif kind == "green":
        tile = 1 + 0.03 * _cloud(rng, 0.3)
        every = np.arange(_TILE_N) % 32 == 0
        tile = np.where(every[:, None] | every[None, :], tile * 1.35, tile)
        base = (38, 92, 72)
    else:
        plank = np.arange(_TILE_N) // 128
        tone = rng.normal(1, 0.10, 8)[plank][:, None]
        tile = tone * (1 + 0.09 * _cloud(rng, 0.9, stretch=14.0))
        tile = np.where((np.arange(_TILE_N) % 128 < 2)[:, None], tile * 0.45, tile)
        base = (176, 140, 98)
    linear = SRGB8_TO_LINEAR[np.asarray(base)] * np.clip(tile, 0.2, 1.8)[..., None]
    return linear.astype(np.float32), _TILE_MM_PER_PX


def draw_sheet(*, number: int = 0, paper: str = "a4", px_per_mm: float = 4.0) -> Rgb:
    """The reference sheet as a flat picture (h, w, 3), paper edge to paper edge.

    Landscape paper; ChArUco pattern of 7 x 5 squares of 30 mm with 22 mm markers from DICT_5X5_250, ids
    17 * number onwards, 15 mm below the paper's top edge and centred; six neutral patches 30 x 15 mm at
    175 mm; a 100 mm line at 198 mm.
    """
    fine = 10  # px per mm: every measure on the sheet is then a whole number of pixels
    w_mm, h_mm = PAPER_MM[paper]
    sheet = np.full((round(h_mm * fine), round(w_mm * fine)), 248, dtype=np.uint8)
    left, top = round((w_mm - 210) / 2 * fine), 15 * fine
    sheet[top : top + 150 * fine, left : left + 210 * fine] = _charuco(number, fine)
    for index, level in enumerate(PATCH_SRGB):
        x = left + index * 35 * fine
        sheet[175 * fine : 190 * fine, x : x + 30 * fine] = level
    sheet[198 * fine - 2 : 198 * fine + 2, left : left + 100 * fine] = 30
    size = (round(w_mm * px_per_mm), round(h_mm * px_per_mm))
    small = cv2.resize(sheet, size, interpolation=cv2.INTER_AREA) if px_per_mm != fine else sheet
    return np.repeat(np.asarray(small)[..., None], 3, axis=2)


def _charuco(number: int, px_per_mm: int) -> NDArray[np.uint8]:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    ids = np.arange(17 * number, 17 * number + 17)
    board = cv2.aruco.CharucoBoard((7, 5), 30.0, 22.0, dictionary, ids)
    picture: NDArray[Any] = np.asarray(board.generateImage((210 * px_per_mm, 150 * px_per_mm)))
    return np.where(picture > 127, 248, 24).astype(np.uint8)
