"""What the light did on every surface in a photo: boards, the bench around them, and paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_linear
from grainmatch.geometry import (
    Points,
    apply_homography,
    pixels_to_plane,
    plane_to_pixels,
    polygon_mask,
    shrink,
)
from grainmatch.model import Bench, Mask, Rgb
from grainmatch.photo.light import blank_paper_mm
from grainmatch.photo.rectify import frame_face

Floats = NDArray[np.float64]

LEAST_CELLS = 12
_WORK_PIXELS = 700_000
_STEP_MM = 4.0
_CELL = 5  # steps to a cell: 20 mm
_PROFILE_BINS = 8
_FOLD = 512
_PATCHES = 5  # of the bench, either way; each may have a tone of its own
_DARKEST_LINEAR, _BRIGHTEST_LINEAR = 0.004, 0.985
_SHADOW_MM = 45.0  # soft shadows of boards reach about this far
# Independent looks a surface is worth, however many cells it has: grain and stains run on. Paper is
# even to about 1 %, which makes its few looks worth many.
_BOARD_WORTH, _BENCH_WORTH, _SHEET_WORTH = 40.0, 30.0, 120.0

# Log (R, G, B) to mean brightness, red over green, blue over green; and back.
MIX = np.array([[1 / 3, 1 / 3, 1 / 3], [1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])
UNMIX = np.linalg.inv(MIX)


@dataclass(frozen=True, eq=False)
class Surface:
    """Light seen on one surface.

    places_mm (n, 2) on the plane of the faces; tones (n, 3): mixed logs of linear light, see MIX; bins (n,):
    which strip across a board, or which patch of the bench, a cell belongs to, each of which may have its
    own tone. worth: independent looks it is worth at the usual spread of tone. blotchy: how far the
    bins' tones differ is not known beforehand. shines: it may mirror the lamp.
    """

    places_mm: Points
    tones: Floats
    bins: NDArray[np.int64]
    worth: float
    blotchy: bool = False
    shines: bool = False


def see_surfaces(
    bench: Bench, outlines_px: Sequence[Points], margin_frac: float
) -> tuple[list[Surface], tuple[Points, Points]]:
    """Boards, then the bench within `margin_frac` of their and the sheets' span around them, then paper; and
    the box (low, high) in mm that boards and sheets fill. No board that can be used: nothing."""
    small, scale = _small_copy(bench.photo.rgb)
    shape = (small.shape[0], small.shape[1])
    sheets = _sheet_mask(bench, shape, scale)
    boards = [_see_board(bench, small, scale, o, sheets) for o in outlines_px]
    found = [b for b in boards if b is not None]
    if not found:
        return [], (np.zeros(2), np.zeros(2))
    paper = [pixels_to_plane(bench.camera, o, bench.face_height_mm) for o in bench.sheet_outlines_px]
    known = np.concatenate([*(b.places_mm for b in found), *paper])
    low, high = known.min(axis=0), known.max(axis=0)
    margin = margin_frac * float((high - low).max())
    around = _see_bench(bench, small, scale, outlines_px, sheets)
    near = ((around.places_mm > low - margin) & (around.places_mm < high + margin)).all(axis=1)
    if near.sum() >= LEAST_CELLS:
        found.append(_in_patches(around, near))
    return found + _see_sheets(bench, shape, scale, outlines_px), (low, high)


def _small_copy(rgb: Rgb) -> tuple[NDArray[np.float32], Floats]:
    """An area-averaged copy in linear light, and its size over the photo's (x, y)."""
    height, width = rgb.shape[:2]
    step = max(1, round(math.sqrt(height * width / _WORK_PIXELS)))
    rows, columns = height // step, width // step
    whole = rgb[: rows * step, : columns * step]
    return srgb_to_linear(shrink(whole, (columns, rows))), np.array([1 / step, 1 / step])


def _sheet_mask(bench: Bench, shape: tuple[int, int], scale: Floats) -> Mask:
    """Where sheets lie in the small copy, with a rim for their shadow."""
    mask = np.zeros(shape, dtype=bool)
    for outline in bench.sheet_outlines_px:
        middle = outline.mean(axis=0)
        mask |= polygon_mask((middle + (outline - middle) * 1.1) * scale, shape)
    return mask


def _see_board(
    bench: Bench, small: NDArray[np.float32], scale: Floats, outline_px: Points, sheets: Mask
) -> Surface | None:
    """Means over 20 mm cells of a face, clear of its edges and of sheets; None when too few."""
    frame = frame_face(bench, outline_px)
    columns, rows = (int((s - 4 * _STEP_MM) / _STEP_MM) // _CELL for s in frame.size_mm)
    if columns < 1 or rows < 1:
        return None
    x, y = (2.5 * _STEP_MM + _STEP_MM * np.arange(n * _CELL) for n in (columns, rows))
    places = frame.to_bench(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    at = plane_to_pixels(bench.camera, places, bench.face_height_mm) * scale
    # Boxes of a picture are averaged many times as fast as axes of an array.
    light: Any = cv2.resize(
        _look(small, at).reshape(len(y), len(x), 3), (columns, rows), interpolation=cv2.INTER_AREA
    )
    wood = _look(_sure_wood(outline_px * scale, sheets), at).reshape(len(y), len(x))
    least = reduce(np.minimum, (wood[:, k::_CELL] for k in range(_CELL)))
    whole = reduce(np.minimum, (least[k::_CELL] for k in range(_CELL))).ravel() > 0.99
    middles = np.stack(np.meshgrid(x[_CELL // 2 :: _CELL], y[_CELL // 2 :: _CELL]), axis=-1).reshape(-1, 2)
    bins = np.repeat(np.arange(rows) * min(rows, _PROFILE_BINS) // rows, columns)
    surface = _usable(frame.to_bench(middles), light.reshape(-1, 3), bins, whole, _BOARD_WORTH)
    return replace(surface, shines=True) if len(surface.tones) >= LEAST_CELLS else None


def _sure_wood(outline: Points, sheets: Mask) -> NDArray[np.float32]:
    """1 where an outline (n, 2) holds all of a pixel and its neighbours, clear of `sheets` (h, w); else 0."""
    sure = np.zeros(sheets.shape, dtype=np.float32)
    last = np.array(sheets.shape[::-1]) - 1
    low = (np.floor(outline.min(axis=0)).astype(int) - 1).clip(0, last)
    high = np.ceil(outline.max(axis=0)).astype(int).clip(0, last) + 2
    box = slice(low[1], high[1]), slice(low[0], high[0])
    there = sheets[box]
    wood = polygon_mask(outline - low, (there.shape[0], there.shape[1])) & ~there
    sure[box] = cv2.erode(wood.astype(np.uint8), np.ones((3, 3), np.uint8))
    return sure


def _see_bench(
    bench: Bench, small: NDArray[np.float32], scale: Floats, outlines_px: Sequence[Points], sheets: Mask
) -> Surface:
    """Means over blocks of the bench, clear of boards and the core of their shadows, and of sheets."""
    height, width = sheets.shape
    taken = sheets.astype(np.uint8)
    for outline in outlines_px:
        taken |= polygon_mask(outline * scale, (height, width)).astype(np.uint8)
    margin = max(3, round(0.01 * max(height, width)))
    taken = np.asarray(cv2.dilate(taken, np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)), dtype=np.uint8)
    block = max(4, round(max(height, width) / 60))
    rows, columns = height // block, width // block
    cut = small[: rows * block, : columns * block]
    means: Any = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA)
    tones = np.asarray(means, dtype=np.float32).reshape(-1, 3)
    held: Any = cv2.resize(
        taken[: rows * block, : columns * block].astype(np.float32),
        (columns, rows),
        interpolation=cv2.INTER_AREA,
    )
    gx, gy = np.meshgrid((np.arange(columns) + 0.5) * block, (np.arange(rows) + 0.5) * block)
    places = pixels_to_plane(bench.camera, np.column_stack([gx.ravel(), gy.ravel()]) / scale, 0.0)
    seen = _usable(places, tones, np.zeros(len(tones), dtype=np.int64), held.ravel() == 0, _BENCH_WORTH)
    return seen


def _in_patches(around: Surface, near: Mask) -> Surface:
    """The bench where `near`, its bins being the patches of a grid."""
    places = around.places_mm[near]
    share = (places - places.min(axis=0)) / (np.ptp(places, axis=0) + 1e-9)
    column, row = np.minimum((share * _PATCHES).astype(np.int64), _PATCHES - 1).T
    return Surface(places, around.tones[near], row * _PATCHES + column, around.worth, blotchy=True)


def _see_sheets(
    bench: Bench, shape: tuple[int, int], scale: Floats, outlines_px: Sequence[Points]
) -> list[Surface]:
    """The blank paper of each sheet every 12 mm or so, clear of boards lying on a sheet on the bench.

    Read from the photo itself: the margins are too narrow in the small copy (shape, scale).
    """
    surfaces = []
    boards = np.zeros(shape, dtype=bool)
    for outline in outlines_px if bench.sheet_height_mm == 0 else ():
        boards |= polygon_mask(outline * scale, shape)
    rim = 2 * round(_SHADOW_MM * bench.px_per_mm * float(scale[0])) + 1
    near = np.asarray(cv2.dilate(boards.view(np.uint8), np.ones((rim, rim), np.uint8)), dtype=np.float32)
    around = np.stack(np.meshgrid(*2 * [np.linspace(-3.0, 3.0, 5)]), axis=-1).reshape(-1, 2)
    for sheet in bench.sheets:
        to_px, _ = cv2.findHomography(sheet.corners_mm, sheet.corners_px, 0)
        places_mm = blank_paper_mm(sheet)
        at = apply_homography(np.asarray(to_px), places_mm)
        looks = (places_mm[:, None] + around).reshape(-1, 2)
        x, y = np.floor(apply_homography(np.asarray(to_px), looks)).astype(np.int64).T
        if (
            x.min() < 0
            or y.min() < 0
            or x.max() >= bench.photo.rgb.shape[1]
            or y.max() >= bench.photo.rgb.shape[0]
        ):
            continue
        tones = srgb_to_linear(bench.photo.rgb[y, x]).reshape(len(at), -1, 3).mean(axis=1)
        clear = _look(near, at * scale)[:, 0] == 0
        places = pixels_to_plane(bench.camera, at, bench.sheet_height_mm)
        seen = _usable(places, tones, np.zeros(len(tones), dtype=np.int64), clear, _SHEET_WORTH)
        if len(seen.tones) >= LEAST_CELLS:
            surfaces.append(seen)
    return surfaces


def _usable(
    places_mm: Points, linear: NDArray[np.float32], bins: NDArray[np.int64], use: Mask, worth: float
) -> Surface:
    use = use & (linear.min(axis=1) > _DARKEST_LINEAR) & (linear.max(axis=1) < _BRIGHTEST_LINEAR)
    return Surface(places_mm[use], np.log(linear[use].astype(np.float64)) @ MIX.T, bins[use], worth)


def _look(image: NDArray[np.float32], at_px: Points) -> NDArray[np.float32]:
    """Values (n, channels) between the image's pixels."""
    # Folded into rows, since OpenCV's remap takes no side of 32767 or more.
    folded = np.pad(at_px - 0.5, ((0, -len(at_px) % _FOLD), (0, 0))).astype(np.float32).reshape(-1, _FOLD, 2)
    out = cv2.remap(image, folded[..., 0], folded[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    channels_n = 1 if image.ndim == 2 else image.shape[2]
    return np.asarray(out, dtype=np.float32).reshape(-1, channels_n)[: len(at_px)]
