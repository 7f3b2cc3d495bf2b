"""Even light over boards that are outlined: the bench with its fall-off and colour taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Points, apply_homography, pixels_to_plane, polygon_mask
from grainmatch.model import Bench, Light
from grainmatch.photo.field import Field, fit_field
from grainmatch.photo.light import flat_light, join_whites, read_whites
from grainmatch.photo.shine import Shine, fit_shine, without_shine
from grainmatch.photo.surfaces import MIX, see_surfaces

Floats = NDArray[np.float64]

# How far from boards and sheets, in spans of them, the bench still tells about their light.
_MARGIN_FRAC = 0.25
_SHINE_ROUNDS = 2  # the light is known better once the shine is taken off, and the other way round
_CLIP_SIDE_PX = 1000
_CLIPPED_LEVEL = 254
_CLIPPED_FRAC = 0.01


def even_light(bench: Bench, outlines_px: Sequence[Points]) -> Bench:
    """The bench with its light refitted as a smooth field, now that the boards are outlined.

    outlines_px: one (n, 2) outline of each board, in photo pixels. The field is what is common within boards,
    bench and paper (see `fit_field`); the sheets' patches say what is white. The light stays as it was when
    no board is large enough. Blown-out wood is told in the warnings.
    """
    outlines = [np.asarray(o, dtype=np.float64) for o in outlines_px]
    bench = replace(bench, warnings=(*bench.warnings, *_blown_out(bench, outlines)))
    surfaces, (low, high) = see_surfaces(bench, outlines, _MARGIN_FRAC)
    if not surfaces:
        return bench
    reach_mm = float((high - low).max()) / 2
    middle_mm = (low + high) / 2
    field, colours = fit_field(surfaces, middle_mm, reach_mm)
    field, shine = _pin(bench, field), None
    for _ in range(_SHINE_ROUNDS if bench.sheets else 0):
        shine = fit_shine(surfaces, field, colours)
        if shine is None:
            break
        field, colours = fit_field(without_shine(surfaces, field, shine), middle_mm, reach_mm)
        field = _pin(bench, field)
    rim = 2 * reach_mm * _MARGIN_FRAC
    return replace(bench, light=_draw_light(bench, field, shine, low - rim, high + rim))


def _blown_out(bench: Bench, outlines_px: Sequence[Points]) -> tuple[str, ...]:
    """A warning when wood is overexposed: some channel at its top over more than 1 % of the faces."""
    step = max(1, round(max(bench.photo.rgb.shape[:2]) / _CLIP_SIDE_PX))
    seen = bench.photo.rgb[step // 2 :: step, step // 2 :: step]
    faces = np.zeros(seen.shape[:2], dtype=bool)
    for outline in outlines_px:
        faces |= polygon_mask(outline / step, (seen.shape[0], seen.shape[1]))
    for outline in bench.sheet_outlines_px:
        faces &= ~polygon_mask(outline / step, (seen.shape[0], seen.shape[1]))
    brightest = reduce(np.maximum, np.moveaxis(seen, 2, 0))
    share = float((brightest[faces] >= _CLIPPED_LEVEL).mean()) if faces.any() else 0.0
    if share <= _CLIPPED_FRAC:
        return ()
    return (f"{100 * share:.0f} % of the wood is overexposed; its colour there is not known.",)


def _pin(bench: Bench, field: Field) -> Field:
    """The field with its constants set so that the sheets' whites are white; as it was without any."""
    levels = []
    for sheet in bench.sheets:
        whites = read_whites(bench.photo, sheet)
        if whites is not None:
            to_px, _ = cv2.findHomography(sheet.corners_mm, sheet.corners_px, 0)
            at_px = apply_homography(np.asarray(to_px), whites.places_mm)
            at_mm = pixels_to_plane(bench.camera, at_px, bench.face_height_mm)
            levels.append(join_whites(whites.log_light - field.log_white(at_mm), whites))
    if not levels:
        return field
    coefficients = field.coefficients.copy()
    coefficients[:, 0] += MIX @ np.mean(levels, axis=0)
    return replace(field, coefficients=coefficients)


def _draw_light(bench: Bench, field: Field, shine: Shine | None, low_mm: Points, high_mm: Points) -> Light:
    """Gain and shine on the coarse grid over the photo; outside the box they stay as at its rim."""
    rows, columns = flat_light(bench.photo).gain.shape[:2]
    height, width = bench.photo.rgb.shape[:2]
    x, y = (np.arange(columns) + 0.5) * width / columns, (np.arange(rows) + 0.5) * height / rows
    at_px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    places = np.clip(pixels_to_plane(bench.camera, at_px, bench.face_height_mm), low_mm, high_mm)
    gain = np.exp(-field.log_white(places)).reshape(rows, columns, 3).astype(np.float32)
    if shine is None:
        return Light(gain)
    return Light(gain, shine.share(places).reshape(rows, columns).astype(np.float32))
