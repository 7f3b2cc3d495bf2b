"""What light fell where: an even, neutral photo from sheets, boards and bench.

A `Light` holds, on a coarse grid over the photo, what linear light is to be multiplied by so that a
perfect white reads 1 everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR, linear_to_srgb, srgb_to_linear
from grainmatch.geometry import Points, apply_homography
from grainmatch.model import Light, Mask, Photo, Rgb, Sheet
from grainmatch.photo import sheet as printed

Floats = NDArray[np.float64]

GRID_CELLS = 48  # along the photo's long side
# Plain office paper reflects about this much of what a perfect white would (sRGB 244 beside the patches).
PAPER_LINEAR = float(SRGB8_TO_LINEAR[244])
CLIPPED_FRAC = 0.02
_PAPER_WEIGHT = 0.7
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
    return _grid_at(light.gain, photo_shape, points_px)


def shine_at(light: Light, photo_shape: tuple[int, ...], points_px: Points) -> NDArray[np.float32] | None:
    """Shine (n,) at photo pixels (n, 2); None when the boards are matt."""
    return None if light.shine is None else _grid_at(light.shine, photo_shape, points_px)[:, 0]


def _grid_at(
    grid: NDArray[np.float32], photo_shape: tuple[int, ...], points_px: Points
) -> NDArray[np.float32]:
    rows, columns = grid.shape[:2]
    x = (points_px[:, 0] * columns / photo_shape[1] - 0.5).astype(np.float32)
    y = (points_px[:, 1] * rows / photo_shape[0] - 0.5).astype(np.float32)
    out = cv2.remap(grid, x[:, None], y[:, None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32).reshape(len(points_px), -1)


def apply_gain(rgb: Rgb, gain: NDArray[np.float32], shine: NDArray[np.float32] | None = None) -> Rgb:
    """sRGB image (h, w, 3) in linear light times gain (h, w, 3) or (3,), less shine (h, w); back in sRGB."""
    linear = srgb_to_linear(rgb)
    full = np.broadcast_to(gain, linear.shape).astype(np.float32, copy=False)
    deep = cv2.multiply(
        linear, np.ascontiguousarray(full), scale=65535.0, dtype=cv2.CV_16U
    )  # clips and rounds
    if shine is not None:
        deep = cv2.subtract(deep, cv2.merge([np.rint(65535 * shine).astype(np.uint16)] * 3))  # not below 0
    return np.asarray(cv2.LUT(deep, _ENCODE), dtype=np.uint8)


_ENCODE: NDArray[np.uint8] = linear_to_srgb(np.arange(65536, dtype=np.float64) / 65535.0)


def measure_light(photo: Photo, sheets: Sequence[Sheet]) -> Light:
    """White from the sheets' patches and paper, the same all over the photo; no sheet: no change."""
    whites = [read_whites(photo, sheet) for sheet in sheets]
    levels = [join_whites(w.log_light, w) for w in whites if w is not None]
    return flat_light(photo, np.exp(-np.mean(levels, axis=0)) if levels else None)


@dataclass(frozen=True, eq=False)
class Whites:
    """Looks at one sheet's patches and paper.

    places_mm (n, 2) on the sheet; log_light (n, 3) of a perfect white there; weight (n,); patch (n,):
    whether it is one.
    """

    places_mm: Points
    log_light: Floats
    weight: Floats
    patch: Mask


def read_whites(photo: Photo, sheet: Sheet) -> Whites | None:
    """Light of a perfect white at each patch and at the paper; None when nothing can be read.

    A patch's mean light over the light its sRGB value stands for, brighter ones weighing more; the paper's
    over PAPER_LINEAR. Boxes that are clipped, uneven (covered) or out of the picture are left out.
    """
    to_px, _ = cv2.findHomography(sheet.corners_mm, sheet.corners_px, 0)
    boxes = _white_boxes(sheet)
    seen = [(box, known, _box_light(photo, np.asarray(to_px), box)) for box, known in boxes]
    good = [(box, known, light) for box, known, light in seen if light is not None]
    if not good:
        return None
    return Whites(
        np.array([(box[0] + box[2] / 2, box[1] + box[3] / 2) for box, _, _ in good]),
        np.log(np.maximum(np.array([light / known for _, known, light in good]), 1e-4)),
        np.array([known if known != PAPER_LINEAR else _PAPER_WEIGHT for _, known, _ in good]),
        np.array([known != PAPER_LINEAR for _, known, _ in good]),
    )


def join_whites(log_light: Floats, whites: Whites) -> Floats:
    """One log white (3,) from looks (n, 3), which may have had the light's fall-off taken out.

    The level is the patches'; the paper, whose whiteness nobody knows, has a say in the tint only, unless
    no patch can be read.
    """
    level_of = log_light.mean(axis=1)
    use = whites.patch if whites.patch.any() else ~whites.patch
    level = _robust_mean(level_of[use], whites.weight[use])
    tint = [_robust_mean(log_light[:, k] - level_of, whites.weight) for k in range(3)]
    return level + np.array(tint)


def _robust_mean(values: Floats, weights: Floats) -> float:
    """Weighted mean in which values more than 5 % from the median hardly count."""
    w = weights / (1 + ((values - np.median(values)) / 0.05) ** 2)
    return float((w * values).sum() / w.sum())


def _white_boxes(sheet: Sheet) -> list[tuple[tuple[float, float, float, float], float]]:
    """Boxes (left, top, width, height) on the sheet, and what each reflects of a perfect white's light."""
    if sheet.number < 0:
        width, height = sheet.paper_mm
        return [((0.2 * width, 0.2 * height, 0.6 * width, 0.6 * height), PAPER_LINEAR)]
    left = printed.pattern_left_mm(sheet.paper_mm)
    patch_mm = (printed.PATCH_MM[0] - 6, printed.PATCH_MM[1] - 6)
    boxes = [
        (
            (left + printed.PATCH_PITCH_MM * k + 3, printed.PATCH_TOP_MM + 3, *patch_mm),
            float(SRGB8_TO_LINEAR[v]),
        )
        for k, v in enumerate(printed.PATCH_SRGB[:-1])
    ]
    strip = [(left + 35.0 * k, printed.PATCH_TOP_MM - 8, 35.0, 6.0) for k in range(6)]
    return boxes + [(box, PAPER_LINEAR) for box in strip]


def blank_paper_mm(sheet: Sheet) -> Points:
    """Places (n, 2) on the sheet's paper that nothing is printed on, about 12 mm apart."""
    width, height = sheet.paper_mm
    x, y = np.meshgrid(np.arange(7.0, width - 6, 12.0), np.arange(7.0, height - 6, 12.0))
    places = np.column_stack([x.ravel(), y.ravel()])
    if sheet.number < 0:
        return places
    left = printed.pattern_left_mm(sheet.paper_mm)
    beside = np.abs(places[:, 0] - width / 2) > width / 2 - left + 6
    strip = np.column_stack([np.arange(left, width - left + 1, 12.0), np.full(18, printed.PATCH_TOP_MM - 5)])
    return np.concatenate([places[beside], strip])


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
