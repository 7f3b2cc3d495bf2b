"""The cell grid that everything read from a face is laid on, and averages over its cells.

A face is padded on the right and below to whole cells. Padding and anything outside the wood carry
no weight, so cells are weighted means of what they truly hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import BoardError
from grainmatch.model import Mask, Rgb

Floats = NDArray[np.floating[Any]]

CELL_MM = 4.0
_SCALES = (0.01, 200.0)
_WORK_PX_PER_MM = 1.75  # finest scale at which ring lines (over 1 mm apart) are still drawn well


@dataclass(frozen=True, eq=False)
class Strips:
    """A face with each cell's length averaged: total (h, columns, c) is the mean of values times mask, mass
    (h, columns) that of the mask alone."""

    total: Floats
    mass: Floats
    cell_px: int

    def cells(self) -> Floats:
        """Mean (rows, columns, c) over each cell; NaN where it holds nothing."""
        rows = len(self.mass) // self.cell_px
        total, mass = (
            a.reshape(rows, self.cell_px, *a.shape[1:]).sum(axis=1) for a in (self.total, self.mass)
        )
        return np.where(mass[..., None] > 0, total / np.maximum(mass, 1e-9)[..., None], np.nan)


@dataclass(frozen=True, eq=False)
class Grid:
    """A face at working scale: whole cells of `cell_px` pixels.

    rgb (rows * cell_px, columns * cell_px, 3) uint8; inside holds the wood; step is how many face
    pixels one working pixel spans.
    """

    rgb: Rgb
    inside: Mask
    step: int
    cell_px: int
    px_per_mm: float

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of cells."""
        return self.inside.shape[0] // self.cell_px, self.inside.shape[1] // self.cell_px

    @property
    def cell_mm(self) -> float:
        """Side of a cell."""
        return self.cell_px / self.px_per_mm

    def cell_mean(self, values: NDArray[Any]) -> Floats:
        """Mean over each cell of (h, w) or (h, w, c) values."""
        rows, columns = self.shape
        return shrink(np.ascontiguousarray(values, dtype=np.float32), (columns, rows))

    def columns(self, values: Floats, mask: Mask) -> Strips:
        """Values (h, w, 3) under the mask, averaged over each cell's length but not across the board."""
        size = (self.shape[1], self.inside.shape[0])
        weight = mask.astype(np.float32)
        held = np.empty_like(weight)
        total = [  # by channel: faces may be large
            shrink(np.multiply(values[..., k], weight, out=held), size) for k in range(values.shape[2])
        ]
        return Strips(np.dstack(total), shrink(weight, size), self.cell_px)


def blur(values: Floats, along: float, across: float, *, edge: int = cv2.BORDER_REPLICATE) -> Floats:
    """Gaussian blur of (h, w) or (h, w, c) with a sigma along and one across, in pixels or cells."""
    image = np.ascontiguousarray(values)
    return np.asarray(
        cv2.GaussianBlur(image, (0, 0), sigmaX=along, sigmaY=across, borderType=edge), dtype=image.dtype
    )


def shrink(image: Floats, size: tuple[int, int]) -> Floats:
    """Area-averaged copy of a float image at (width, height)."""
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def blur_wide(image: Floats, along: float, across: float, *, edge: int = cv2.BORDER_REPLICATE) -> Floats:
    """Gaussian blur through a smaller copy when the sigma allows it."""
    height, width = image.shape[:2]
    size = (max(1, width // max(1, int(along / 2.5))), max(1, height // max(1, int(across / 2.5))))
    if size == (width, height):
        return blur(image, along, across, edge=edge)
    soft = blur(shrink(image, size), along * size[0] / width, max(0.3, across * size[1] / height), edge=edge)
    return np.asarray(cv2.resize(soft, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def lay_grid(rgb: Rgb, inside: Mask, *, px_per_mm: float) -> Grid:
    """Bring a face to working scale (a whole step down, never up) and pad it to whole cells.

    Raises BoardError for a scale at which no board was ever photographed, and where no pixel is all wood.
    """
    if not _SCALES[0] <= px_per_mm <= _SCALES[1]:
        raise BoardError(
            f"A face of {px_per_mm:g} pixels a millimetre cannot be read.",
            f"Give px_per_mm from {_SCALES[0]:g} to {_SCALES[1]:g}.",
        )
    step = max(1, int(px_per_mm / _WORK_PX_PER_MM))
    scale = px_per_mm / step
    cell_px = max(4, round(CELL_MM * scale))
    height, width = inside.shape
    block = step * cell_px
    below, right = -height % block, -width % block
    padded = cv2.copyMakeBorder(rgb, 0, below, 0, right, cv2.BORDER_REPLICATE)
    wood = cv2.copyMakeBorder(inside.astype(np.uint8), 0, below, 0, right, cv2.BORDER_CONSTANT, value=0)
    if step > 1:
        size = (padded.shape[1] // step, padded.shape[0] // step)
        padded = cv2.resize(padded, size, interpolation=cv2.INTER_AREA)
        wood = (cv2.resize(wood * 255, size, interpolation=cv2.INTER_AREA) > 250).astype(np.uint8)
    if not wood.any():
        raise BoardError("The face's mask holds no wood.", "Measure the photo again.")
    return Grid(np.asarray(padded, dtype=np.uint8), wood.astype(bool), step, cell_px, scale)


def median_light(lab: Floats, grid: Grid) -> float:
    """Median lightness of a face's wood, from every seventh pixel either way or, where those miss it, all."""
    thin = lab[::7, ::7, 0][grid.inside[::7, ::7]]
    return float(np.median(thin if thin.size else lab[..., 0][grid.inside]))


def find_runs_near(flags: Mask, reach: int) -> list[tuple[int, int]]:
    """Ranges (first, one past the last) of places (n,) that lie within `reach` of a True."""
    near = cv2.dilate(flags.astype(np.uint8)[None], np.ones((1, 2 * reach + 1), np.uint8))[0]
    turns = np.flatnonzero(np.diff(np.concatenate([[0], near, [0]]).astype(np.int8)))
    return [(int(first), int(last)) for first, last in turns.reshape(-1, 2)]
