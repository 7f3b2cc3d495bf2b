"""The pixel model behind the knot finder: twenty measures of a pixel, one small layered logistic model.

Nothing absolute goes in, only differences from the wood around, so the wood's own colour does not
matter. The weights stand in knots.json; `tests/benchmarks/fit_knots.py` fitted them and says on what.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np

from grainmatch.face.grid import Floats, blur, blur_wide
from grainmatch.model import Mask

_BLOCK_ROWS = 512
MODEL_PX_PER_MM = 2.0  # the scale the model was fitted at; it also serves from 1 to 2.2


@dataclass(frozen=True, eq=False)
class KnotModel:
    """Weights of the pixel model: standardise (mean, sd), hidden layer with ramps, logistic output."""

    mean: Floats
    sd: Floats
    hidden: Floats
    hidden_bias: Floats
    output: Floats
    output_bias: float


def measure_pixels(lab: Floats, inside: Mask, *, px_per_mm: float) -> Floats:
    """The twenty measures (h, w, 20) of each pixel, float32.

    Drops of L, a, b below: the wood along the grain (25 mm) and all around (12 mm), each for a small,
    a middle and a wide patch about the pixel; line energy along and across at two sizes; and the
    darkest spot within 2.5 mm.
    """
    s = px_per_mm
    lab = _fill_outside(lab, inside, s)
    light = np.ascontiguousarray(lab[..., 0])
    small, middle, wide = (
        blur(lab, 0.5 * s, 0.5 * s),
        blur_wide(lab, 1.5 * s, 1.5 * s),
        blur_wide(lab, 4 * s, 4 * s),
    )
    near_along = blur_wide(light, 8 * s, 0.5 * s)
    along, around = blur_wide(lab, 25 * s, 1.0 * s), blur_wide(lab, 12 * s, 12 * s)
    planes = [
        (near_along - small[..., 0])[..., None],
        along - small,
        around - small,
        around - middle,
        around - wide,
        np.dstack([along[..., 0] - middle[..., 0], along[..., 0] - wide[..., 0]]),
        _line_energy(light, s),
    ]
    reach = max(1, round(2.5 * s))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    darkest = np.asarray(cv2.erode(np.ascontiguousarray(small[..., 0]), disc))
    planes.append((around[..., 0] - darkest)[..., None])
    return np.asarray(np.concatenate(planes, axis=2), dtype=np.float32)


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
def load_model() -> KnotModel:
    table = json.loads(files("grainmatch.face").joinpath("knots.json").read_text("utf-8"))
    arrays = {
        k: np.asarray(table[k], dtype=np.float32) for k in ("mean", "sd", "hidden", "hidden_bias", "output")
    }
    return KnotModel(**arrays, output_bias=float(table["output_bias"]))


def _line_energy(light: Floats, s: float) -> Floats:
    """Log energy (h, w, 4) of derivatives along and across, lightness per mm, over 1.5 and 4 mm."""
    soft = blur(light, 0.6 * s, 0.6 * s)
    gx = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=s / 8), dtype=np.float32)
    gy = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=s / 8), dtype=np.float32)
    energy = np.dstack([gx * gx, gy * gy])
    return np.log1p(np.dstack([blur_wide(energy, r * s, r * s) for r in (1.5, 4.0)]))


def _fill_outside(lab: Floats, inside: Mask, s: float) -> Floats:
    """Give pixels off the wood the colour of the wood near them."""
    if inside.all():
        return lab
    wood = inside.astype(np.float32)
    near = blur_wide(lab * wood[..., None], 12 * s, 12 * s)
    near /= (blur_wide(wood, 12 * s, 12 * s) + 1e-4)[..., None]
    return np.where(inside[..., None], lab, near).astype(np.float32)
