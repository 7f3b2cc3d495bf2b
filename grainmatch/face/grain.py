"""Grain direction: the direction of the drawn figure, cell by cell, with how sure it is.

Structure tensor (Bigün & Granlund, ICCV 1987; Förstner & Gülch, 1987): the smoothed outer product
of the gradient. It is formed twice. A fine one follows the flow round knots; a long one, blurred
and averaged along the board where figure changes slowly, holds against camera noise. Each cell
leans on the long one as far as the direction is steady there. Camera noise is measured and its
share taken off, and each pixel's vote is capped, so that pores, planer marks and dents, which are
few but strong, cannot outvote the figure.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid, blur
from grainmatch.model import Mask

Axes = NDArray[np.complex128]  # exp(2j angle): undirected directions that can be averaged

_VOTE_CAP = 3.0  # in typical gradients
_STEADY_DEG = 3.0  # change of direction from cell to cell at which the fine tensor takes half
_MIXED_DEG = 8.0  # change of direction at which a cell's single direction is worth half
_FAINT_ENERGY = 0.3  # of the face's median line energy, at which a direction is worth half


@dataclass(frozen=True)
class _Scale:
    """Derivative blur (along, across) in mm, averaging window (along, across) in cells, and how many
    working pixels are merged along the board before any of it."""

    blur_mm: tuple[float, float]
    window_cells: tuple[float, float]
    merge_px: int


_FINE = _Scale((0.5, 0.5), (0.7, 0.7), 1)
_LONG = _Scale((1.2, 0.5), (2.5, 0.8), 2)
_FIBRE_CELLS = 6.0


@dataclass(frozen=True, eq=False)
class Grain:
    """All (rows, columns). angle_rad: the figure; coherence 0..1; fibre_angle_rad: the fine streaks
    between the lines."""

    angle_rad: NDArray[np.float64]
    coherence: NDArray[np.float64]
    fibre_angle_rad: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Tensor:
    """Cell means of Jxx - Jyy, 2 Jxy and Jxx + Jyy, and the share of each cell that voted."""

    difference: Floats
    cross: Floats
    trace: Floats
    weight: Floats

    def axes(self) -> Axes:
        """Directions along the lines, across the mean gradient: opposite it when angles are doubled."""
        double = -(self.difference.astype(np.float64) + 1j * self.cross)
        length = np.abs(double)
        return np.where(length > 0, double / np.maximum(length, 1e-30), -1.0 + 0j)

    def purity(self) -> Floats:
        """How far one direction holds all the energy, 0..1."""
        strength = np.hypot(self.difference, self.cross)
        return np.asarray(np.minimum(strength / np.maximum(self.trace, 1e-9), 1.0))


def measure_grain(lightness: Floats, grid: Grid, *, clear: Mask) -> Grain:
    """Figure direction on the cell grid from lightness (h, w) at working scale.

    Only `clear` pixels vote: wood, no marks, no glare. Cells without votes get coherence 0 and the
    direction of their neighbourhood.
    """
    noise_sd = measure_noise(lightness, clear)
    fine_votes = _vote(lightness, clear, grid, _FINE, noise_sd)
    fine = _average(fine_votes, _FINE.window_cells)
    long = _average(_vote(lightness, clear, grid, _LONG, noise_sd), _LONG.window_cells)
    along = long.axes()
    steady: Floats = 1 / (1 + (_turning_deg(along) / _STEADY_DEG) ** 4)
    steady = blur(steady, 0.7, 0.7)
    axes = steady * along + (1 - steady) * fine.axes()
    filled = long.weight > 0.02
    typical = float(np.median(long.trace[filled])) if filled.any() else 1.0
    shown = np.maximum(long.trace, 0) / max(typical, 1e-9)
    coherence = steady * long.purity() + (1 - steady) * fine.purity()
    coherence = coherence * shown / (shown + _FAINT_ENERGY)
    coherence = coherence / (1 + (_turning_deg(axes) / _MIXED_DEG) ** 2)
    return Grain(
        angle_rad=_angle(axes),
        coherence=np.where(filled, coherence, 0.0).astype(np.float64),
        fibre_angle_rad=_fibre_angle(fine_votes, shown),
    )


def measure_noise(lightness: Floats, clear: Mask) -> float:
    """Sd of white noise in an image, by Immerkaer's mask (Comput. Vis. Image Underst. 64(2), 1996).

    The median replaces his mean: lines and marks cover a minority of pixels.
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    height, width = lightness.shape
    every = 15 if height >= 60 else 3  # a fifteenth of the rows is plenty
    threes = (height // every, every, width)
    rows = lightness[: threes[0] * every].reshape(threes)[:, :3].reshape(-1, width)
    middle = clear[: threes[0] * every].reshape(threes)[:, 1]
    response = np.abs(cv2.filter2D(rows, cv2.CV_32F, kernel)[1::3, ::2][middle[:, ::2]])
    return float(np.median(response)) / (0.6745 * 6) if response.size else 0.0


def _vote(lightness: Floats, clear: Mask, grid: Grid, scale: _Scale, noise_sd: float) -> _Tensor:
    """Capped gradient products of clear pixels, averaged over each cell, noise taken off."""
    merge = scale.merge_px if grid.cell_px % scale.merge_px == 0 else 1
    image = lightness
    safe = np.asarray(cv2.erode(clear.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0))
    if merge > 1:
        size = (image.shape[1] // merge, image.shape[0])
        image = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
        safe = np.asarray(cv2.resize(safe, size, interpolation=cv2.INTER_NEAREST))
    sigma = [max(0.6, s * grid.px_per_mm) / m for s, m in zip(scale.blur_mm, (merge, 1), strict=True)]
    gx, gy = _gradient(image, sigma, merge)
    # Worked on in place: fresh arrays of this size cost more than the arithmetic.
    vote, product = gx * gx, gy * gy
    vote += product
    sample = vote[::5, ::7][safe[::5, ::7] > 0]
    limit = _VOTE_CAP**2 * max(float(np.median(sample)) if sample.size else 0.0, 1e-9)
    vote *= np.float32(1 / limit)
    np.sqrt(np.maximum(vote, 1, out=vote), out=vote)
    np.divide(safe, vote, out=vote)
    mass = np.maximum(grid.cell_mean(vote), 1e-6)
    noise_x, noise_y = (noise_sd**2 * v / merge for v in _noise_gain(tuple(sigma), merge))
    across = grid.cell_mean(np.multiply(product, vote, out=product)) / mass - noise_y
    del product
    vote *= gx
    crossed = grid.cell_mean(np.multiply(vote, gy, out=gy)) / mass
    along = grid.cell_mean(np.multiply(vote, gx, out=gx)) / mass - noise_x
    return _Tensor(along - across, 2 * crossed, along + across, grid.cell_mean(safe))


def _gradient(image: Floats, sigma: list[float], merge: int) -> tuple[Floats, Floats]:
    """Derivatives along and across per working pixel, after a Gaussian blur; `merge` pixels in one."""
    blurred = blur(image, *sigma)
    gx = cv2.Scharr(blurred, cv2.CV_32F, 1, 0, scale=1 / (32 * merge))
    gy = cv2.Scharr(blurred, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(gx, dtype=np.float32), np.asarray(gy, dtype=np.float32)


def _noise_gain(sigma: tuple[float, ...], merge: int) -> tuple[float, float]:
    """Variance of each derivative for white noise of unit variance: the energy of its kernel."""
    impulse = np.zeros((81, 81), np.float32)
    impulse[40, 40] = 1.0
    gx, gy = _gradient(impulse, list(sigma), merge)
    return float((gx**2).sum()), float((gy**2).sum())


def _average(votes: _Tensor, window_cells: tuple[float, float]) -> _Tensor:
    """Gaussian average over neighbouring cells, each counted by the share of it that voted."""

    def mean(values: Floats) -> Floats:
        return blur(values, *window_cells, edge=cv2.BORDER_CONSTANT)

    weight = mean(votes.weight)
    parts = (votes.difference, votes.cross, votes.trace)
    difference, cross, trace = (mean(v * votes.weight) / np.maximum(weight, 1e-6) for v in parts)
    return _Tensor(difference, cross, trace, weight)


def _turning_deg(axes: Axes) -> NDArray[np.float64]:
    """How much the direction changes from one cell to the next, along and across together."""
    padded = np.pad(axes, 1, mode="edge")
    down = np.angle(padded[2:, 1:-1] * np.conj(padded[:-2, 1:-1]))
    right = np.angle(padded[1:-1, 2:] * np.conj(padded[1:-1, :-2]))
    return np.asarray(np.degrees(np.hypot(down, right)) / 2)


def _angle(axes: Axes) -> NDArray[np.float64]:
    """Directions in (-pi/2, pi/2]."""
    return np.asarray(np.angle(axes) / 2, dtype=np.float64)


def _fibre_angle(votes: _Tensor, shown: Floats) -> NDArray[np.float64]:
    """Direction of the fine streaks: from cells where ring lines hardly show, spread to the others."""
    between_lines = votes.weight * votes.purity() / (1 + (shown / _FAINT_ENERGY) ** 2) + 1e-6
    axes = votes.axes() * between_lines
    real, imaginary = (blur(part, _FIBRE_CELLS, _FIBRE_CELLS) for part in (axes.real, axes.imag))
    return _angle(real + 1j * imaginary)
