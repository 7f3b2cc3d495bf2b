"""Marks: knots, cracks and other things on a face that are not clear wood, each an outline in mm."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid
from grainmatch.model import Mark

_DARKER_LIGHTNESS = 9.0
_SMALLEST_MM = 2.5


def find_marks(lab: Floats, grid: Grid) -> tuple[Mark, ...]:
    """Marks on a face from its CIELAB image (h, w, 3) at working scale."""
    lightness = np.ascontiguousarray(lab[..., 0])
    drop = _local_level(lightness, grid) - lightness
    drop[~grid.inside] = 0
    spread = 1.4826 * float(np.median(np.abs(drop[grid.inside]))) if grid.inside.any() else 0.0
    dark = (drop > max(_DARKER_LIGHTNESS, 3.5 * spread)).astype(np.uint8)
    reach = max(1, round(0.8 * grid.px_per_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    dark = np.asarray(cv2.morphologyEx(cv2.morphologyEx(dark, cv2.MORPH_CLOSE, disc), cv2.MORPH_OPEN, disc))
    outlines, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    marks = [_as_mark(np.asarray(o).reshape(-1, 2), drop, grid) for o in outlines]
    return tuple(m for m in marks if m is not None)


def _local_level(lightness: Floats, grid: Grid) -> Floats:
    """Lightness of the wood around each pixel (15 mm), marks hardly counted."""
    weight = grid.inside.astype(np.float32)
    sigma = 15.0 * grid.px_per_mm
    small = (max(1, lightness.shape[1] // 8), max(1, lightness.shape[0] // 8))
    for _ in range(2):
        total = cv2.GaussianBlur(
            cv2.resize(lightness * weight, small, interpolation=cv2.INTER_AREA), (0, 0), sigma / 8
        )
        mass = cv2.GaussianBlur(cv2.resize(weight, small, interpolation=cv2.INTER_AREA), (0, 0), sigma / 8)
        level = cv2.resize(
            total / np.maximum(mass, 1e-6), lightness.shape[::-1], interpolation=cv2.INTER_LINEAR
        )
        weight = grid.inside * (np.abs(lightness - level) < 8).astype(np.float32)
    return np.asarray(level, dtype=np.float32)


def _as_mark(outline_px: NDArray[Any], drop: Floats, grid: Grid) -> Mark | None:
    """One dark patch as a mark, None when it is too small to matter."""
    outline_mm = (outline_px + 0.5) / grid.px_per_mm
    if len(outline_px) < 4:
        return None
    (_, size, _) = cv2.minAreaRect(outline_px.astype(np.float32))
    long_mm, short_mm = max(size) / grid.px_per_mm, min(size) / grid.px_per_mm
    if long_mm < _SMALLEST_MM:
        return None
    x, y = outline_px.mean(axis=0).astype(int)
    slender = long_mm > 4 * max(short_mm, 0.5)
    depth = float(drop[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2].mean())
    kind = "crack" if slender else "knot"
    return Mark(kind, outline_mm, confidence=float(np.clip(depth / 40, 0.1, 1)), sound=depth < 35)  # type: ignore[arg-type]
