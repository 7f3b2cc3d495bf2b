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
from grainmatch.ranks import median

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
    boxes, known = _white_boxes(sheet)
    light = _box_light(photo, np.asarray(to_px), boxes)
    good = np.isfinite(light).all(axis=1)
    if not good.any():
        return None
    boxes, known, light = boxes[good], known[good], light[good]
    return Whites(
        boxes[:, :2] + boxes[:, 2:] / 2,
        np.log(np.maximum(light / known[:, None], 1e-4)),
        np.where(known == PAPER_LINEAR, _PAPER_WEIGHT, known),
        known != PAPER_LINEAR,
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
    w = weights / (1 + ((values - median(values)) / 0.05) ** 2)
    return float((w * values).sum() / w.sum())


def _white_boxes(sheet: Sheet) -> tuple[Floats, Floats]:
    """Boxes (n, 4; left, top, width, height) on the sheet, and what each (n,) reflects of a perfect white's
    light."""
    if sheet.number < 0:
        width, height = sheet.paper_mm
        return np.array([[0.2 * width, 0.2 * height, 0.6 * width, 0.6 * height]]), np.array([PAPER_LINEAR])
    left = printed.pattern_left_mm(sheet.paper_mm)
    patch_mm = (printed.PATCH_MM[0] - 6, printed.PATCH_MM[1] - 6)
    patches = [
        (left + printed.PATCH_PITCH_MM * k + 3, printed.PATCH_TOP_MM + 3, *patch_mm)
        for k in range(len(printed.PATCH_SRGB) - 1)
    ]
    strip = [(left + 35.0 * k, printed.PATCH_TOP_MM - 8, 35.0, 6.0) for k in range(6)]
    known = [*SRGB8_TO_LINEAR[list(printed.PATCH_SRGB[:-1])], *[PAPER_LINEAR] * len(strip)]
    return np.array(patches + strip), np.array(known, dtype=np.float64)


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


def _box_light(photo: Photo, to_px: Points, boxes_mm: Floats) -> Floats:
    """Mean linear light (n, 3) in boxes (n, 4; left, top, width, height) on the sheet; NaN where it says
    nothing."""
    share = np.stack(np.meshgrid(np.linspace(0, 1, 60), np.linspace(0, 1, 24)), axis=-1).reshape(-1, 2)
    places = boxes_mm[:, None, :2] + share * boxes_mm[:, None, 2:]
    at = np.floor(apply_homography(to_px, places.reshape(-1, 2))).astype(int).reshape(places.shape)
    within: Mask = np.all((at >= 0) & (at < photo.rgb.shape[1::-1]), axis=(1, 2))
    x, y = np.where(within[:, None, None], at, 0).transpose(2, 0, 1)
    seen = photo.rgb[y, x]
    clipped = (seen >= _CLIPPED_LEVEL).any(axis=2).mean(axis=1) > CLIPPED_FRAC
    linear = srgb_to_linear(seen).astype(np.float64)
    mean = linear.mean(axis=1)
    uneven = linear.std(axis=1).max(axis=1) > 0.25 * mean.mean(axis=1)
    mean[~within | clipped | uneven] = np.nan
    return np.asarray(mean)
