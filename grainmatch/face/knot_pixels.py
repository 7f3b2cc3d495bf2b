"""The pixel model behind the knot finder: twenty measures of a pixel, one small layered logistic model.

Nothing absolute goes in, only differences from the wood around, so the wood's own colour does not
matter. The weights stand in knots.json; `tests/benchmarks/fit_knots.py` fitted them and says on what.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, blur, blur_wide
from grainmatch.model import Mask

_BLOCK_ROWS = 512
MODEL_PX_PER_MM = 2.0  # the scale the model was fitted at; it also serves from 1 to 2.2


@dataclass(frozen=True, eq=False)
class KnotModel:
    """Weights of a small layered model: standardise (mean, sd), hidden layer with ramps, logistic output."""

    mean: Floats
    sd: Floats
    hidden: Floats
    hidden_bias: Floats
    output: Floats
    output_bias: float


@dataclass(frozen=True, eq=False)
class KnotModels:
    """pixels gives the odds that a pixel lies in a knot; patches how well a patch of them covers one."""

    pixels: KnotModel
    patches: KnotModel


def measure_pixels(
    lab: Floats, inside: Mask, *, px_per_mm: float, least_dark: float = -np.inf
) -> tuple[Floats, Mask]:
    """The twenty measures (n, 20), float32, of pixels with something dark nearby, and which those are (h, w).

    Drops of L, a, b below: the wood along the grain (25 mm) and all around (12 mm), each for a small,
    a middle and a wide patch about the pixel; line energy along and across at two sizes; and the
    darkest spot within 2.5 mm, which must lie `least_dark` below the wood around. What lies off the picture
    or off the wood counts for nothing, so that a knot cut by a board's end is seen against the wood on its
    one side.
    """
    s = px_per_mm
    wood = inside.astype(np.float32)
    held = lab * wood[..., None]
    around = _level(held, wood, 12 * s, 12 * s)
    lab = lab if inside.all() else np.where(inside[..., None], lab, around)
    small = blur(lab, 0.5 * s, 0.5 * s)
    reach = max(1, round(2.5 * s))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    dark = around[..., 0] - np.asarray(cv2.erode(np.ascontiguousarray(small[..., 0]), disc))
    chosen = dark > least_dark
    at = np.flatnonzero(chosen)
    near_along = _level(np.ascontiguousarray(held[..., 0]), wood, 8 * s, 0.5 * s).ravel()[at]
    along = _pick(_level(held, wood, 25 * s, 1.0 * s), at)
    middle, wide = (_pick(blur_wide(lab, reach_mm * s, reach_mm * s), at) for reach_mm in (1.5, 4.0))
    energy = _line_energy(np.ascontiguousarray(lab[..., 0]), s, at)
    around, small = _pick(around, at), _pick(small, at)
    columns = [
        near_along - small[:, 0], along - small, around - small, around - middle, around - wide,
        along[:, 0] - middle[:, 0], along[:, 0] - wide[:, 0], energy, dark.ravel()[at],
    ]  # fmt: skip
    return np.asarray(np.column_stack(columns), dtype=np.float32), chosen


def _pick(image: Floats, at: NDArray[np.int64]) -> Floats:
    """Values (n, c) of an image (h, w, c) at flat places."""
    return image.reshape(-1, image.shape[2])[at]


def apply_model(model: KnotModel, measures: Floats) -> Floats:
    """Probability (n,) from measures (n, 20)."""
    weights = (model.hidden / model.sd[:, None]).astype(np.float32)
    bias = (model.hidden_bias - (model.mean / model.sd) @ model.hidden).astype(np.float32)
    score = np.empty(len(measures), dtype=np.float32)
    # Small blocks stay below the size at which matrix libraries wake threads, which costs more than it saves.
    for start in range(0, len(measures), _BLOCK_ROWS):
        block = slice(start, start + _BLOCK_ROWS)
        inner = np.maximum(measures[block] @ weights + bias, 0)
        score[block] = inner @ model.output.astype(np.float32)
    score += np.float32(model.output_bias)
    return np.asarray(1 / (1 + np.exp(-np.clip(score, -30, 30))), dtype=np.float32)


@lru_cache(maxsize=1)
def load_models() -> KnotModels:
    """The fitted models."""
    table = json.loads(files("grainmatch.face").joinpath("knots.json").read_text("utf-8"))
    return KnotModels(_read_model(table["pixels"]), _read_model(table["patches"]))


def _read_model(table: dict[str, Any]) -> KnotModel:
    names = ("mean", "sd", "hidden", "hidden_bias", "output")
    arrays = {name: np.asarray(table[name], dtype=np.float32) for name in names}
    return KnotModel(**arrays, output_bias=float(table["output_bias"]))


def _level(held: Floats, wood: Floats, along: float, across: float) -> Floats:
    """Mean of (h, w) or (h, w, 3) over the wood about each pixel; held is 0 where there is none."""
    none = cv2.BORDER_CONSTANT
    mass = blur_wide(wood, along, across, edge=none) + np.float32(1e-4)
    total = blur_wide(held, along, across, edge=none)
    return np.asarray(total / (mass[..., None] if held.ndim == 3 else mass), dtype=np.float32)


def _line_energy(light: Floats, s: float, at: NDArray[np.int64]) -> Floats:
    """Log energy (n, 4) of derivatives along and across, lightness per mm, over 1.5 and 4 mm."""
    soft = blur(light, 0.6 * s, 0.6 * s)
    gx = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=s / 8), dtype=np.float32)
    gy = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=s / 8), dtype=np.float32)
    energy = np.dstack([gx * gx, gy * gy])
    return np.log1p(np.column_stack([_pick(blur_wide(energy, r * s, r * s), at) for r in (1.5, 4.0)]))
