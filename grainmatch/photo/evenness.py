"""The light's smooth fall-off over the bench, from what is common within boards, bench and sheets.

Every surface keeps its own tone; what varies smoothly within all of them together is the light. In
the logarithm of linear light this is a linear model, solved by robust least squares, once for
brightness and once for each of two colour ratios (the idea of intrinsic images, Barrow & Tenenbaum
1978, with the surfaces known beforehand).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_linear
from grainmatch.geometry import Points, pixels_to_plane, plane_to_pixels, polygon_mask
from grainmatch.model import Bench, Light, Mask, Rgb
from grainmatch.photo.light import flat_light, measure_white
from grainmatch.photo.rectify import frame_face

Floats = NDArray[np.float64]

_WORK_PIXELS = 700_000
_STEP_MM = 4.0
_CELL = 5  # steps to a cell: 20 mm
_PROFILE_BINS = 8
_LEAST_CELLS = 12
_DARKEST_LINEAR, _BRIGHTEST_LINEAR = 0.004, 0.985
# How far from boards and sheets, in spans of them, the bench still tells about their light.
_MARGIN_FRAC = 0.25

# Expected 1-sigma sizes in the logarithm, for brightness and then two colour ratios: of the field's
# linear, quadratic and cubic coefficients over the half span, of a surface's tone from cell to cell,
# and of the profile across a board.
_FIELD_SIGMA = ((0.6, 0.2, 0.2), (0.4, 0.1, 0.1), (0.2, 0.05, 0.05))
_TONE_SIGMA = (0.04, 0.015, 0.02)
_PROFILE_SIGMA = (0.08, 0.03, 0.04)
# Independent looks a surface is worth, however many cells it has: grain and stains run on.
_BOARD_WORTH, _BENCH_WORTH = 40.0, 30.0
_ROUNDS = 5

# Log (R, G, B) to mean brightness, red over green, blue over green; and back.
_MIX = np.array([[1 / 3, 1 / 3, 1 / 3], [1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])
_UNMIX = np.linalg.inv(_MIX)
_TERMS = 10


@dataclass(frozen=True, eq=False)
class _Surface:
    """Light seen on one surface: places (n, 2) mm, tones (n, 3) mixed logs, profile bin (n,)."""

    places_mm: Points
    tones: Floats
    bins: NDArray[np.int64]
    worth: float


@dataclass(frozen=True, eq=False)
class _Field:
    """Mixed log white as a cubic in bench millimetres: coefficients (3, 10)."""

    middle_mm: Points
    reach_mm: float
    coefficients: Floats

    def terms(self, places_mm: Points) -> Floats:
        x, y = ((places_mm - self.middle_mm) / self.reach_mm).T
        return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])

    def white(self, places_mm: Points) -> Floats:
        """Linear light (n, 3) of a perfect white at places (n, 2)."""
        return np.exp(self.terms(places_mm) @ self.coefficients.T @ _UNMIX.T)


def even_light(bench: Bench, outlines_px: Sequence[Points]) -> Bench:
    """The bench with its light refitted as a smooth field, now that the boards are outlined.

    outlines_px: one (n, 2) outline of each board, in photo pixels. The field is a cubic in bench
    millimetres for the logarithm of brightness and of two colour ratios, common to all surfaces; each
    board has its own tone and its own profile across its width (heartwood and sapwood run along a board,
    light does not), the bench near them one tone. White is pinned at the sheets. Cells that do not fit
    (knots, shadows, things lying about) lose their weight (Tukey's biweight). Assumes matt surfaces.
    """
    outlines = [np.asarray(o, dtype=np.float64) for o in outlines_px]
    small, scale = _small_copy(bench.photo.rgb)
    sheets = _sheet_mask(bench, small.shape[:2], scale)
    boards = [_see_board(bench, small, scale, o, sheets) for o in outlines]
    found = [b for b in boards if b is not None]
    if not found:
        return bench
    whites = _sheet_whites(bench)
    known = np.concatenate([*(b.places_mm for b in found), *(p for p, _ in whites)])
    low, high = known.min(axis=0), known.max(axis=0)
    reach_mm = float((high - low).max()) / 2
    field = _Field((low + high) / 2, reach_mm, np.zeros((3, _TERMS)))
    around = _see_bench(bench, small, scale, outlines, sheets)
    margin = 2 * reach_mm * _MARGIN_FRAC
    near = ((around.places_mm > low - margin) & (around.places_mm < high + margin)).all(axis=1)
    if near.sum() >= _LEAST_CELLS:
        found.append(
            replace(
                around, places_mm=around.places_mm[near], tones=around.tones[near], bins=around.bins[near]
            )
        )
    fitted = np.array([_fit_channel(found, whites, field, k) for k in range(3)])
    return replace(bench, light=_draw_light(bench, replace(field, coefficients=fitted), (low, high)))


def _small_copy(rgb: Rgb) -> tuple[NDArray[np.float32], Floats]:
    """An area-averaged copy in linear light, and its size over the photo's (x, y)."""
    height, width = rgb.shape[:2]
    shrink = min(1.0, float(np.sqrt(_WORK_PIXELS / (height * width))))
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    small = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return srgb_to_linear(small), np.array([size[0] / width, size[1] / height])


def _sheet_mask(bench: Bench, shape: tuple[int, int], scale: Floats) -> Mask:
    """Where sheets lie in the small copy, with a rim for their shadow."""
    mask = np.zeros(shape, dtype=bool)
    for outline in bench.sheet_outlines_px:
        middle = outline.mean(axis=0)
        mask |= polygon_mask((middle + (outline - middle) * 1.1) * scale, shape)
    return mask


def _see_board(
    bench: Bench, small: NDArray[np.float32], scale: Floats, outline_px: Points, sheets: Mask
) -> _Surface | None:
    """Medians over 20 mm cells of a face, clear of its edges and of sheets; None when too few."""
    frame = frame_face(bench, outline_px)
    columns, rows = (int((s - 4 * _STEP_MM) / _STEP_MM) // _CELL for s in frame.size_mm)
    if columns < 1 or rows < 1:
        return None
    x = 2.5 * _STEP_MM + _STEP_MM * np.arange(columns * _CELL)
    y = 2.5 * _STEP_MM + _STEP_MM * np.arange(rows * _CELL)
    places = frame.to_bench(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    at = plane_to_pixels(bench.camera, places, bench.face_height_mm) * scale
    wood = polygon_mask(outline_px * scale, sheets.shape) & ~sheets
    sure = cv2.erode(wood.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)

    def cells(values: NDArray[np.float32] | Points) -> NDArray[np.float32]:
        blocks = np.asarray(values).reshape(rows, _CELL, columns, _CELL, -1).transpose(0, 2, 1, 3, 4)
        return np.asarray(blocks.reshape(rows * columns, _CELL * _CELL, -1), dtype=np.float32)

    whole = cells(_look(sure, at)).min(axis=(1, 2)) > 0.99
    bins = np.repeat(np.arange(rows) * min(rows, _PROFILE_BINS) // rows, columns)
    surface = _usable(
        cells(places).mean(axis=1), np.median(cells(_look(small, at)), axis=1), bins, whole, _BOARD_WORTH
    )
    return surface if len(surface.tones) >= _LEAST_CELLS else None


def _see_bench(
    bench: Bench, small: NDArray[np.float32], scale: Floats, outlines_px: Sequence[Points], sheets: Mask
) -> _Surface:
    """Medians over blocks of the bench, clear of boards and the core of their shadows, and of sheets."""
    height, width = sheets.shape
    taken = sheets.astype(np.uint8)
    for outline in outlines_px:
        taken |= polygon_mask(outline * scale, (height, width)).astype(np.uint8)
    margin = max(3, round(0.01 * max(height, width)))
    taken = np.asarray(cv2.dilate(taken, np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)), dtype=np.uint8)
    block = max(4, round(max(height, width) / 60))
    rows, columns = height // block, width // block
    cut = small[: rows * block, : columns * block].reshape(rows, block, columns, block, 3)
    tones = np.median(cut.transpose(0, 2, 1, 3, 4).reshape(rows * columns, -1, 3), axis=1)
    free = taken[: rows * block, : columns * block].reshape(rows, block, columns, block).max(axis=(1, 3)) == 0
    gx, gy = np.meshgrid((np.arange(columns) + 0.5) * block, (np.arange(rows) + 0.5) * block)
    places = pixels_to_plane(bench.camera, np.column_stack([gx.ravel(), gy.ravel()]) / scale, 0.0)
    return _usable(places, tones, np.zeros(len(tones), dtype=np.int64), free.ravel(), _BENCH_WORTH)


def _usable(
    places_mm: Points, linear: NDArray[np.float32], bins: NDArray[np.int64], use: Mask, worth: float
) -> _Surface:
    use = use & (linear.min(axis=1) > _DARKEST_LINEAR) & (linear.max(axis=1) < _BRIGHTEST_LINEAR)
    return _Surface(places_mm[use], np.log(linear[use].astype(np.float64)) @ _MIX.T, bins[use], worth)


def _look(image: NDArray[np.float32], at_px: Points) -> NDArray[np.float32]:
    """Values (n, channels) between the image's pixels."""
    x, y = (at_px[:, 0] - 0.5).astype(np.float32), (at_px[:, 1] - 0.5).astype(np.float32)
    out = cv2.remap(image, x[:, None], y[:, None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32).reshape(len(at_px), -1)


def _sheet_whites(bench: Bench) -> list[tuple[Points, Floats]]:
    """Place (1, 2) mm and mixed log white (3,) of every sheet whose white can be read."""
    whites = []
    for sheet, outline in zip(bench.sheets, bench.sheet_outlines_px, strict=True):
        white = measure_white(bench.photo, sheet)
        if white is not None:
            middle = outline.mean(axis=0, keepdims=True)
            whites.append((pixels_to_plane(bench.camera, middle, bench.face_height_mm), _MIX @ np.log(white)))
    return whites


def _fit_channel(
    surfaces: Sequence[_Surface], whites: Sequence[tuple[Points, Floats]], field: _Field, k: int
) -> Floats:
    """Coefficients (10,) of the k-th mixed log field.

    Unknowns: the field's nine varying terms, then for each surface its tone and its profile. The field's
    constant follows from the sheets (zero, that is no change, without any).
    """
    design, tones, which, prior = _design(surfaces, field, k)
    worth = np.array([s.worth / len(s.tones) for s in surfaces])[which] / _TONE_SIGMA[k] ** 2
    weight = np.ones(tones.shape)
    solution = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        w = weight * worth
        normal = design.T @ (design * w[:, None]) + np.diag(prior)
        solution = np.asarray(np.linalg.solve(normal, design.T @ (w * tones)), dtype=np.float64)
        left = tones - design @ solution
        spread = [1.4826 * float(np.median(np.abs(left[which == i]))) for i in range(len(surfaces))]
        limit = 4.685 * np.maximum(spread, 0.3 * _TONE_SIGMA[k])[which]
        weight = np.clip(1 - (left / limit) ** 2, 0.0, None) ** 2
    varying = solution[: _TERMS - 1]
    pins = [float(white[k] - (field.terms(place)[0, 1:] @ varying)) for place, white in whites]
    return np.concatenate([[np.mean(pins) if pins else 0.0], varying])


def _design(
    surfaces: Sequence[_Surface], field: _Field, k: int
) -> tuple[Floats, Floats, NDArray[np.int64], Floats]:
    """The linear model: matrix (n, unknowns), tones (n,), surface of each row (n,), prior weights."""
    bins = [int(s.bins.max()) + 1 for s in surfaces]
    first = np.concatenate([[0], np.cumsum([1 + b for b in bins])]) + _TERMS - 1
    which = np.repeat(np.arange(len(surfaces)), [len(s.tones) for s in surfaces])
    every = np.arange(len(which))
    design = np.zeros((len(which), int(first[-1])))
    design[:, : _TERMS - 1] = field.terms(np.concatenate([s.places_mm for s in surfaces]))[:, 1:]
    design[every, first[which]] = 1.0
    design[every, first[which] + 1 + np.concatenate([s.bins for s in surfaces])] = 1.0
    prior = np.full(design.shape[1], _PROFILE_SIGMA[k] ** -2)
    prior[first[:-1]] = 1e-6
    prior[: _TERMS - 1] = np.repeat([row[k] for row in _FIELD_SIGMA], (2, 3, 4)) ** -2.0
    return design, np.concatenate([s.tones[:, k] for s in surfaces]), which, prior


def _draw_light(bench: Bench, field: _Field, box_mm: tuple[Points, Points]) -> Light:
    """The gain on the coarse grid over the photo; beyond the known box the field stays at its rim."""
    rows, columns = flat_light(bench.photo).gain.shape[:2]
    height, width = bench.photo.rgb.shape[:2]
    gx, gy = np.meshgrid(
        (np.arange(columns) + 0.5) * width / columns, (np.arange(rows) + 0.5) * height / rows
    )
    at = np.column_stack([gx.ravel(), gy.ravel()])
    rim = 2 * field.reach_mm * _MARGIN_FRAC
    places = np.clip(
        pixels_to_plane(bench.camera, at, bench.face_height_mm), box_mm[0] - rim, box_mm[1] + rim
    )
    return Light((1.0 / field.white(places)).reshape(rows, columns, 3).astype(np.float32))
