"""Strips as fields of numbers: tone, and the texture of the grain lines."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.model import Rgb

Image = NDArray[np.float32]
TONE_N, TEXTURE_N = 3, 7
ROWS_N = 72
"""Rows kept of each half picture: bands along an edge are shares of the height, so more is not needed."""
_FINE_PX, _COARSE_PX = 1.2, 3.0
_LOG = np.log(np.maximum(np.arange(256), 4)).astype(np.float32)
_TONE = np.array([[0.3, 0.6, 0.1], [1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])


@dataclass(frozen=True)
class Cut:
    """Where the two edges of a seam lie. top_row: first row below the seam; bottom_row: the row after the
    last above it. The saw's edges are rows 0 and the last of each strip; `inside` places both within one
    strip, a seam that was never cut."""

    top_row: int
    bottom_row: int
    inside: bool = False


@dataclass(frozen=True, eq=False)
class Views:
    """Fields of n strips. upper and lower hold the rows from the upper edge down and those up to the lower
    edge, over one common height; they are the same array when all strips are equally high.

    tone (n, 3, rows, w): log lightness, red over green, blue over green. A strip's exposure shifts the
    first alone. texture (n, 7, rows, w): for fine and for coarse lines log strength, and direction as
    (cos, sin) of the double angle times coherence; last the slope of coarse lines. upper_lab and
    lower_lab (n, rows, w, 3): CIELAB.
    """

    tone: tuple[Image, Image]
    texture: tuple[Image, Image]
    lab: tuple[Image, Image]

    @property
    def rows_n(self) -> int:
        """Rows of every field."""
        return int(self.lab[0].shape[1])

    @property
    def edge(self) -> Cut:
        """The edges the saw left."""
        return Cut(0, self.rows_n)


def view_strips(pictures: Sequence[Rgb]) -> Views:
    """pictures: n of (h, w, 3) sRGB with one w; heights may differ."""
    height = min(p.shape[0] for p in pictures)
    level = all(p.shape[0] == height for p in pictures)
    with ThreadPoolExecutor(2) as pool:
        seen = list(pool.map(lambda p: _view(p, height), pictures))
    up = [np.stack([upper[k] for upper, _ in seen]) for k in range(3)]
    low = up if level else [np.stack([lower[k] for _, lower in seen]) for k in range(3)]
    return Views((up[0], low[0]), (up[1], low[1]), (up[2], low[2]))


def _view(rgb: Rgb, height: int) -> tuple[list[Image], list[Image]]:
    """Tone, texture and CIELAB of the upper and of the lower `height` rows of a picture."""
    tone = list(cv2.split(cv2.transform(cv2.LUT(rgb, _LOG), _TONE)))
    light = np.asarray(tone[0], dtype=np.float32)
    texture = _texture(light, _FINE_PX) + _texture(light, _COARSE_PX)

    def part(rows: slice) -> list[Image]:
        lab = srgb_to_lab(np.asarray(_set_rows(rgb[rows]), dtype=np.uint8))
        return [
            np.stack([_set_rows(f[rows]) for f in tone]),
            np.stack([_set_rows(f[rows]) for f in texture]),
            np.asarray(lab, dtype=np.float32),
        ]

    upper = part(slice(0, height))
    return upper, upper if len(rgb) == height else part(slice(len(rgb) - height, len(rgb)))


def _texture(light: Image, sigma_px: float) -> list[Image]:
    """Structure tensor read as strength and direction (Bigun & Granlund 1987, double angle form)."""
    smooth = blur(light, sigma_px, sigma_px)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8, borderType=cv2.BORDER_REPLICATE)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8, borderType=cv2.BORDER_REPLICATE)
    xx, xy, yy = (
        blur(f, 2 * sigma_px, 1.5 * sigma_px) for f in (across * across, across * down, down * down)
    )
    energy = xx + yy + 1e-7
    fields = [0.5 * np.log(energy), (yy - xx) / energy, 2 * xy / energy]
    if sigma_px == _COARSE_PX:
        fields.append(xy / (yy + 0.3 * xx + 1e-6))
    return fields


def blur(field: Image, along_px: float, across_px: float) -> Image:
    """Gaussian blur of the last two axes' picture; 0 leaves an axis alone."""
    size = tuple(2 * int(np.ceil(3 * s)) + 1 if s > 0 else 1 for s in (along_px, across_px))
    out = cv2.GaussianBlur(
        field, size, sigmaX=max(along_px, 1e-6), sigmaY=max(across_px, 1e-6), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, dtype=np.float32)


def _set_rows(field: NDArray[Any]) -> NDArray[Any]:
    if field.shape[0] == ROWS_N:
        return field
    way = cv2.INTER_AREA if field.shape[0] > ROWS_N else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(field, (field.shape[1], ROWS_N), interpolation=way))
