"""What light fell where: an even, neutral photo from sheets, boards and bench.

A `Light` holds, on a coarse grid over the photo, what linear light is to be multiplied by so that a
perfect white reads 1 everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR, linear_to_srgb, srgb_to_linear
from grainmatch.geometry import Points, apply_homography
from grainmatch.model import Light, Photo, Rgb, Sheet
from grainmatch.photo import sheet as printed

Floats = NDArray[np.float64]

GRID_CELLS = 48  # along the photo's long side
# Plain office paper reflects about this much of what a perfect white would (sRGB 244 beside the patches).
PAPER_LINEAR = float(SRGB8_TO_LINEAR[244])
CLIPPED_FRAC = 0.02
_CLIPPED_LEVEL = 254


def flat_light(photo: Photo, gain: Floats | None = None) -> Light:
    """The same `gain` (3,) all over the photo; no change when it is None."""
    height, width = photo.rgb.shape[:2]
    cell = max(height, width) / GRID_CELLS
    rows, columns = max(2, round(height / cell)), max(2, round(width / cell))
    one = np.ones(3) if gain is None else gain
    return Light(np.broadcast_to(one, (rows, columns, 3)).astype(np.float32))


def gain_at(light: Light, photo_shape: tuple[int, ...], points_px: Points) -> NDArray[np.float32]:
    """Gain (n, 3) at photo pixels (n, 2), linear between the grid's cell centres."""
    rows, columns = light.gain.shape[:2]
    x = (points_px[:, 0] * columns / photo_shape[1] - 0.5).astype(np.float32)
    y = (points_px[:, 1] * rows / photo_shape[0] - 0.5).astype(np.float32)
    out = cv2.remap(light.gain, x[:, None], y[:, None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32).reshape(-1, 3)


def apply_gain(rgb: Rgb, gain: NDArray[np.float32]) -> Rgb:
    """sRGB image (h, w, 3) multiplied in linear light by gain (h, w, 3) or (3,), back in sRGB."""
    linear = srgb_to_linear(rgb)
    linear *= gain
    np.clip(linear, 0.0, 1.0, out=linear)
    return _ENCODE[(linear * np.float32(65535.0) + np.float32(0.5)).astype(np.uint16)]


_ENCODE: NDArray[np.uint8] = linear_to_srgb(np.arange(65536, dtype=np.float64) / 65535.0)


def measure_light(photo: Photo, sheets: Sequence[Sheet]) -> Light:
    """White from the sheets' patches and paper, the same all over the photo; no sheet: no change."""
    whites = [w for w in (measure_white(photo, sheet) for sheet in sheets) if w is not None]
    if not whites:
        return flat_light(photo)
    return flat_light(photo, 1.0 / np.exp(np.mean(np.log(whites), axis=0)))


def measure_white(photo: Photo, sheet: Sheet) -> Floats | None:
    """Linear light (3,) a perfect white would send from the sheet; None when it cannot be told.

    Each patch's mean light over the light its sRGB value stands for, and the paper's over PAPER_LINEAR,
    averaged in the logarithm with the brighter ones counting more; patches that are clipped, covered or
    out of the picture do not count.
    """
    if sheet.number < 0:
        return _plain_white(photo, sheet)
    left = printed.pattern_left_mm(sheet.paper_mm)
    boxes = [
        (left + printed.PATCH_PITCH_MM * k + 3, printed.PATCH_TOP_MM + 3, printed.PATCH_MM[0] - 6, 9.0)
        for k in range(len(printed.PATCH_SRGB) - 1)
    ]
    known = [*(float(SRGB8_TO_LINEAR[v]) for v in printed.PATCH_SRGB[:-1]), PAPER_LINEAR]
    boxes.append((left, printed.PATCH_TOP_MM - 8, printed.PATTERN_MM[0], 6.0))
    to_px, _ = cv2.findHomography(sheet.corners_mm, sheet.corners_px, 0)
    ratios, weights = [], []
    for box, value in zip(boxes, known, strict=True):
        light = _box_light(photo, np.asarray(to_px), box)
        if light is not None:
            ratios.append(light / value)
            weights.append(value if value < PAPER_LINEAR else 4.0)
    if not ratios:
        return None
    logs = np.log(np.maximum(np.array(ratios), 1e-4))
    centre = np.median(logs, axis=0)
    w = np.array(weights)[:, None] / (1 + ((logs - centre) / 0.05) ** 2)
    return np.asarray(np.exp((w * logs).sum(axis=0) / w.sum(axis=0)))


def _plain_white(photo: Photo, sheet: Sheet) -> Floats | None:
    """White from the middle of a plain sheet of paper."""
    to_px, _ = cv2.findHomography(sheet.corners_mm, sheet.corners_px, 0)
    width, height = sheet.paper_mm
    light = _box_light(photo, np.asarray(to_px), (0.2 * width, 0.2 * height, 0.6 * width, 0.6 * height))
    return None if light is None else np.asarray(light / PAPER_LINEAR)


def _box_light(photo: Photo, to_px: Points, box_mm: tuple[float, float, float, float]) -> Floats | None:
    """Mean linear light (3,) in a box (left, top, width, height) on the sheet."""
    left, top, width, height = box_mm
    x, y = np.meshgrid(np.linspace(left, left + width, 60), np.linspace(top, top + height, 24))
    at = np.floor(apply_homography(to_px, np.column_stack([x.ravel(), y.ravel()]))).astype(int)
    if (at < 0).any() or (at >= photo.rgb.shape[1::-1]).any():
        return None
    seen = photo.rgb[at[:, 1], at[:, 0]]
    if (seen >= _CLIPPED_LEVEL).any(axis=1).mean() > CLIPPED_FRAC:
        return None
    linear = srgb_to_linear(seen).astype(np.float64)
    return None if linear.std(axis=0).max() > 0.25 * linear.mean() else np.asarray(linear.mean(axis=0))
