"""Colours of the drawn wood: species tones, the light and dark of a ring, fibre streaks, knots.

The tones are chosen by eye to look like freshly planed boards (no published source); they only need to be
plausible, since whoever uses a drawing reads its true colour from the drawing itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR
from grainmatch.errors import BoardError
from grainmatch.synth.solid import SolidBoard, knot_depth, ring_radius_mm

Field = NDArray[np.floating[Any]]
Image = NDArray[np.float32]

_TABLE_STEP_MM = 0.02
_TABLE_START_MM = -80.0
_TABLE_N = 24_000
_STREAK_MM = (9.0, 0.3)  # grain of the streak noise along and across the fibres


@dataclass(frozen=True)
class SpeciesTone:
    """sRGB of early, late and sapwood; late_share of a ring is dark; sharp: how abruptly it begins;
    streak: relative strength of fibre streaks; pores: extra dark flecks in the earlywood."""

    early: tuple[int, int, int]
    late: tuple[int, int, int]
    sapwood: tuple[int, int, int]
    late_share: float
    sharp: float
    streak: float
    pores: float = 0.0


SPECIES_TONES: dict[str, SpeciesTone] = {
    "cherry": SpeciesTone((200, 142, 100), (160, 98, 64), (226, 192, 148), 0.35, 1.5, 0.05),
    "walnut": SpeciesTone((124, 92, 68), (84, 58, 42), (204, 178, 146), 0.35, 1.6, 0.08, 0.05),
    "maple": SpeciesTone((232, 208, 172), (212, 180, 140), (240, 222, 192), 0.25, 2.0, 0.03),
    "oak": SpeciesTone((198, 164, 120), (168, 130, 88), (218, 194, 156), 0.55, 3.0, 0.07, 0.16),
    "pine": SpeciesTone((238, 204, 146), (200, 142, 84), (244, 218, 170), 0.28, 2.2, 0.03),
    "ash": SpeciesTone((226, 202, 164), (186, 154, 112), (236, 216, 184), 0.40, 3.0, 0.05, 0.14),
}


def tone_of(species: str) -> SpeciesTone:
    """The tones of a species by name. Raises BoardError when it is not one that can be drawn."""
    if species not in SPECIES_TONES:
        known = ", ".join(sorted(SPECIES_TONES))
        raise BoardError(f"The wood '{species}' cannot be drawn.", f"Use one of: {known}.")
    return SPECIES_TONES[species]


@lru_cache(maxsize=64)
def _latewood_integral(seed: int, ring_mm: float, late_share: float, sharp: float) -> NDArray[np.float64]:
    """Running integral over the radius of the ring's darkness (0 early .. 1 late), in mm.

    Differences of it give the mean over any span: an exact filter for any picture scale.
    """
    rng = np.random.default_rng([seed, 4])
    n = math.ceil(_TABLE_N * _TABLE_STEP_MM / (0.3 * ring_mm)) + 4
    slow = np.interp(np.arange(n), np.arange(0, n + 12, 12), rng.normal(0, 0.22, len(range(0, n + 12, 12))))
    widths = ring_mm * np.exp(slow + rng.normal(0, 0.16, n))
    strength = np.clip(rng.normal(0.85, 0.15, n), 0.35, 1.1)
    borders = _TABLE_START_MM + np.concatenate([[0.0], np.cumsum(widths)])
    radius = _TABLE_START_MM + _TABLE_STEP_MM * np.arange(_TABLE_N)
    ring = np.searchsorted(borders, radius, side="right") - 1
    t = (radius - borders[ring]) / widths[ring]
    rise = np.clip((t - (1 - late_share)) / late_share, 0, 1)
    slow_part = 0.18 * t
    dark = strength[ring] * (slow_part + 0.82 * rise ** (1 / sharp))
    fade = np.clip((1 - t) / 0.06, 0, 1)  # the ring closes over a few cells, not in no space at all
    return np.concatenate([[0.0], np.cumsum(dark * fade)]) * _TABLE_STEP_MM


def ring_darkness(board: SolidBoard, radius_mm: Field, span_mm: Field) -> Field:
    """Darkness 0..1 of the ring profile, averaged over `span_mm` of radius about `radius_mm`."""
    tone = tone_of(board.species)
    table = _latewood_integral(board.seed, board.ring_mm, tone.late_share, tone.sharp)
    span = np.maximum(span_mm, _TABLE_STEP_MM)

    def integral(at_mm: Field) -> Field:
        place = np.clip((at_mm - _TABLE_START_MM) / _TABLE_STEP_MM, 0, _TABLE_N - 1.001)
        low = place.astype(np.int32)
        base = table[low]
        return np.asarray(base + (table[low + 1] - base) * (place - low))

    return np.asarray((integral(radius_mm + span / 2) - integral(radius_mm - span / 2)) / span)


@lru_cache(maxsize=32)
def _streaks(seed: int, level: int) -> Image:
    """A tile of fine noise, long along the fibres, unit variance, averaged over 2**level rows."""
    rng = np.random.default_rng([seed, 5])
    tile: NDArray[Any] = rng.standard_normal((1024, 512)).astype(np.float32)
    tile = cv2.GaussianBlur(tile, (0, 0), sigmaX=1.2, sigmaY=0.7, borderType=cv2.BORDER_REFLECT)
    coarse = cv2.resize(
        rng.standard_normal((64, 32)).astype(np.float32), (512, 1024), interpolation=cv2.INTER_CUBIC
    )
    both = tile / tile.std() + 0.7 * coarse / coarse.std()
    if level:
        rows = 1024 >> level
        both = cv2.resize(both, (512, rows), interpolation=cv2.INTER_AREA)
        both = cv2.resize(both, (512, 1024), interpolation=cv2.INTER_LINEAR)
    return np.asarray(both, dtype=np.float32)


def streak_noise(seed: int, along_mm: Field, across_mm: Field, px_mm: float) -> Image:
    """Fine fibre streaks at places on a cut, about unit strength; px_mm is the pixel size there."""
    level = int(np.clip(round(math.log2(max(px_mm, 1e-3) / _STREAK_MM[1])), 0, 6))
    to_x = (along_mm / _STREAK_MM[0]).astype(np.float32)
    to_y = (across_mm / _STREAK_MM[1]).astype(np.float32)
    return np.asarray(
        cv2.remap(_streaks(seed, level), to_x, to_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    )


def speckle_noise(seed: int, y_mm: Field, depth_mm: Field, px_mm: float) -> Image:
    """Fine isotropic noise on an end, about unit strength."""
    return streak_noise(seed, y_mm * (_STREAK_MM[0] / _STREAK_MM[1]), depth_mm, px_mm)


def _linear(rgb: tuple[int, int, int]) -> Image:
    return np.asarray(SRGB8_TO_LINEAR[np.asarray(rgb)], dtype=np.float32)


def shade(
    board: SolidBoard, x_mm: Field, y_mm: Field, depth_mm: Field, *, end_cut: bool, px_mm: float
) -> tuple[Image, Field, NDArray[np.bool_]]:
    """Colour of a cut through the solid at a grid of places (h, w) in the board's frame.

    Neighbouring places are taken to be neighbouring pixels: their spacing sets how far each pixel
    averages over the rings. Returns (linear rgb (h, w, 3), ring radius in mm (h, w), knot mask).
    """
    tone = tone_of(board.species)
    x, y, depth = np.broadcast_arrays(x_mm, y_mm, depth_mm)
    radius = ring_radius_mm(board, x, y, depth)
    down, right = np.gradient(radius)
    span = np.hypot(down, right)
    dark = ring_darkness(board, radius, span)[..., None].astype(np.float32)
    early, late, sapwood = _linear(tone.early), _linear(tone.late), _linear(tone.sapwood)
    rgb = early + (late - early) * dark
    if board.sapwood_radius_mm is not None:
        share = np.clip((radius - board.sapwood_radius_mm) / np.maximum(span, 0.4) + 0.5, 0, 1)
        pale = sapwood * (1 - 0.55 * dark * (1 - late / early))
        rgb = rgb + (pale - rgb) * share[..., None].astype(np.float32)
    rgb = rgb * _fine(board, tone, x, y, depth, dark[..., 0], end_cut=end_cut, px_mm=px_mm)[..., None]
    knot = np.zeros(radius.shape, dtype=bool)
    if board.knots:
        rgb, knot = _paint_knots(board, rgb, x, y, depth)
    return np.asarray(rgb, dtype=np.float32), radius, knot


def _fine(
    board: SolidBoard,
    tone: SpeciesTone,
    x: Field,
    y: Field,
    depth: Field,
    dark: Image,
    *,
    end_cut: bool,
    px_mm: float,
) -> Image:
    """Fibre streaks, pores and the slow drift of tone along the board, as a factor on colour."""
    if end_cut:
        streak = speckle_noise(board.seed, y, depth, px_mm)
        fine = 1 + 0.6 * tone.streak * streak - 0.6 * tone.pores * np.maximum(streak - 0.8, 0) * (1 - dark)
        return np.asarray(np.clip(fine, 0.4, 1.4), dtype=np.float32)
    streak = streak_noise(board.seed, x, y + 3.1 * depth, px_mm)
    rng = np.random.default_rng([board.seed, 6])
    drift = 0.03 * np.sin(2 * np.pi * x / (board.length_mm * rng.uniform(0.8, 2.5)) + rng.uniform(0, 6.3))
    fine = 1 + drift + tone.streak * streak - tone.pores * np.maximum(streak - 0.6, 0) * (1 - dark)
    return np.asarray(np.clip(fine, 0.4, 1.4), dtype=np.float32)


def _paint_knots(
    board: SolidBoard, rgb: Image, x: Field, y: Field, depth: Field
) -> tuple[Image, NDArray[np.bool_]]:
    share, which = knot_depth(board, x, y, depth)
    near = share < 2.5
    if not near.any():
        return rgb, share < 1
    down, right = np.gradient(share)
    cover = np.clip((1 - share) / np.maximum(np.hypot(down, right), 1e-6) + 0.5, 0, 1)
    is_dark = np.array([k.dark for k in board.knots])[which.astype(np.int64)]
    radius = np.array([k.radius_mm for k in board.knots])[which.astype(np.int64)]
    late = _linear(tone_of(board.species).late)
    rings = 0.62 + 0.16 * np.cos(2 * np.pi * share * radius / 1.7) - 0.22 * np.clip(share, 0, 1) ** 4
    colour = late * np.where(is_dark, 0.42 * rings, 0.9 * rings)[..., None].astype(np.float32)
    halo = 1 - 0.18 * np.exp(-np.maximum(share - 1, 0) / 0.5)
    rgb = rgb * np.where(near, halo, 1.0)[..., None].astype(np.float32)
    rgb = rgb + (colour - rgb) * cover[..., None].astype(np.float32)
    return np.asarray(rgb, dtype=np.float32), share < 1
