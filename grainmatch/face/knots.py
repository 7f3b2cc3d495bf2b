"""Knots: where they lie, how large they are, sound or dead.

A knot is darker and browner than the wood along the grain from it, it is not long in the grain's
direction, and lines run round it. `knot_pixels` turns that into odds for each pixel, `knot_patches` into
patches that are whole knots; here they become marks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, Grid, blur, blur_wide, find_runs_near, median_light, shrink
from grainmatch.face.knot_patches import (
    LEAST_PEAK,
    choose_patches,
    find_patches,
    measure_patches,
    outline_patch,
)
from grainmatch.face.knot_pixels import (
    MODEL_PX_PER_MM,
    KnotModel,
    KnotModels,
    apply_model,
    load_models,
    measure_pixels,
)
from grainmatch.model import Mark, Mask

_WIDEST_FACE_MM = 165.0  # the widest fitted on; a wider face, or one without a true scale, counts as that
_USUAL_FACE_MM = 120.0
_LEAST_DROP = 7.0  # lightness; the palest one in a hundred of the knots fitted on reaches 8.4
_LEAST_DARK_NEAR = 6.0  # lightness; a pixel with nothing that dark within 2.5 mm is no knot
_MARGIN_MM = 30.0  # wood kept on either side of a candidate, so that its surroundings are known
_BAND_MARGIN_MM = (
    50.0  # ... and of a band cut from a longer stretch: twice the widest average along the board
)
_BAND_PIXELS = 700_000  # a longer stretch is looked at in bands: its measures take some 100 bytes a pixel
_LEAST_WORTH = 0.22  # predicted overlap from which a patch is called a knot
_SOUND_SHARE = 0.4  # of the wood's lightness; a dead knot's rim is darker (parts four in five as labelled)
_SLENDEREST = 6.0  # length over breadth; anything longer is a line drawn on the face or a split
_HOLE_SHARE = 0.2  # of the wood's lightness; darker than that is no wood
_SMALLEST_MM = 1.5


def find_knots(lab: Floats, grid: Grid, *, models: KnotModels | None = None) -> tuple[Mark, ...]:
    """Knots and knot holes on a face, from its CIELAB image (h, w, 3) at working scale."""
    models = models or load_models()
    odds = find_knot_odds(lab, grid, model=models.pixels)
    scale = seeking_scale(grid)
    patches = find_patches(odds, scale=scale)
    if not patches:
        return ()
    worth = apply_model(models.patches, measure_patches(patches, odds, lab, scale=scale))
    wood = median_light(lab, grid)
    knots = []
    for chosen in choose_patches(patches, worth, least=_LEAST_WORTH):
        points = outline_patch(patches[chosen])
        if len(points) < 4 or max(np.ptp(points, axis=0)) + 1 < _SMALLEST_MM * scale:
            continue
        _, sides, _ = cv2.minAreaRect(points.astype(np.float32))
        if max(sides) + 1 <= _SLENDEREST * (min(sides) + 1):
            knots.append(_as_mark(points, odds, lab, wood, grid))
    # The surest pixel alone may be chance: a quarter of a knot's pixels must be as sure as it must be.
    return tuple(k for k in knots if k.confidence >= LEAST_PEAK)


def _as_mark(outline_px: NDArray[Any], odds: Floats, lab: Floats, wood: float, grid: Grid) -> Mark:
    """One patch as a mark; wood is the lightness of the face."""
    left, top = outline_px.min(axis=0)
    right, bottom = outline_px.max(axis=0) + 1
    patch = np.zeros((bottom - top, right - left), dtype=np.uint8)
    cv2.fillPoly(patch, [outline_px - (left, top)], 1)
    within = patch.astype(bool)
    light = lab[top:bottom, left:right, 0][within]
    confidence = float(np.percentile(odds[top:bottom, left:right][within], 75))
    hole = float(np.percentile(light, 15)) < _HOLE_SHARE * wood
    return Mark(
        "hole" if hole else "knot",
        _outer_rim(outline_px) / grid.px_per_mm,
        confidence=confidence,
        sound=bool(np.percentile(light, 5) > _SOUND_SHARE * wood),
    )


def _outer_rim(outline_px: NDArray[Any]) -> NDArray[np.float64]:
    """Border pixels (n, 2) to a line round their outer sides, in pixel coordinates."""
    centre = (outline_px.min(axis=0) + outline_px.max(axis=0) + 1) / 2
    out = outline_px + 0.5 - centre
    half = (np.ptp(outline_px, axis=0) + 1) / 2
    # Border pixel centres lie half a pixel inside; stretching by that much keeps the shape.
    return np.asarray(centre + out * half / np.maximum(half - 0.5, 0.5), dtype=np.float64)


def seeking_scale(grid: Grid) -> float:
    """Working pixels to what counts as a mm in the search.

    More than the true scale on a face wider than those fitted on; less, down to 1 / 1.4, on narrow faces,
    whose knots are smaller too.
    """
    face_px = float(np.median(grid.inside[:, ::8].sum(axis=0)))
    scale = max(grid.px_per_mm, face_px / _WIDEST_FACE_MM)
    return scale * float(np.clip(face_px / scale / _USUAL_FACE_MM, 1 / 1.4, 1.0))


def find_knot_odds(lab: Floats, grid: Grid, *, model: KnotModel) -> Floats:
    """Probability (h, w), float32, that each working pixel lies in a knot; 0 off the wood.

    lab is CIELAB at working scale. Only stretches that hold a dark spot are looked at closely.
    """
    odds: Floats = np.zeros(lab.shape[:2], dtype=np.float32)
    scale = seeking_scale(grid)
    held = np.flatnonzero(grid.inside.any(axis=1))
    rows = slice(int(held[0]), int(held[-1]) + 1) if len(held) else slice(0, 0)
    for left, right in _stretches(lab[rows], grid.inside[rows], scale):
        for first, last in _bands(left, right, rows.stop - rows.start, scale):
            low = max(left, first - round(_BAND_MARGIN_MM * scale))
            part = (rows, slice(low, min(right, last + round(_BAND_MARGIN_MM * scale))))
            band = _band_odds(np.ascontiguousarray(lab[part]), grid.inside[part], scale, model)
            odds[rows, first:last] = band[:, first - low : last - low]
    odds[~grid.inside] = 0
    return odds


def _bands(left: int, right: int, height: int, scale: float) -> Iterator[tuple[int, int]]:
    """A stretch in equal parts (left, right), none of them much larger than its margins allow."""
    widest = max(_BAND_PIXELS // max(height, 1), round(4 * _BAND_MARGIN_MM * scale))
    ends = np.linspace(left, right, max(1, math.ceil((right - left) / widest)) + 1).astype(int)
    yield from pairwise(ends.tolist())


def _stretches(lab: Floats, inside: Mask, scale: float) -> Iterator[tuple[int, int]]:
    """Column ranges (left, right) with spots darker than the wood along the grain and around them."""
    step = max(1, round(scale))
    size = (max(1, lab.shape[1] // step), max(1, lab.shape[0] // step))
    light = shrink(np.ascontiguousarray(lab[..., 0]), size)
    wood = shrink(inside.astype(np.float32), size)
    unit = scale / step
    sizes = ((20 * unit, 1.2 * unit), (8 * unit, 8 * unit))
    along, around = (blur_wide(light * wood, *s) / (blur_wide(wood, *s) + 1e-4) for s in sizes)
    drop = np.minimum(along, around) - blur(light, 0.6 * unit, 0.6 * unit)
    spots = np.asarray(((drop > _LEAST_DROP) & (wood > 0.9)).any(axis=0))
    reach = int(_MARGIN_MM * unit)
    for left, right in find_runs_near(spots, reach):
        yield left * step, right * step if right < size[0] else lab.shape[1]


def _band_odds(lab: Floats, inside: Mask, scale: float, model: KnotModel) -> Floats:
    """The model's probability over one band of the face."""
    height, width = inside.shape
    factor = min(1.0, MODEL_PX_PER_MM / scale) if scale > 1.1 * MODEL_PX_PER_MM else 1.0
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    small = shrink(lab, size) if factor < 1 else lab
    wood = shrink(inside.astype(np.float32), size) > 0.99 if factor < 1 else inside
    measures, dark_near = measure_pixels(small, wood, px_per_mm=scale * factor, least_dark=_LEAST_DARK_NEAR)
    odds: Floats = np.zeros(wood.shape, dtype=np.float32)
    odds[dark_near] = apply_model(model, measures)
    if factor == 1:
        return odds
    return np.asarray(cv2.resize(odds, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
