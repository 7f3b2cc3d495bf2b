"""The dark beside a piece of wood: a board's side in shade, the shadow in a gap, or that beyond an end."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import BLACK, Backdrop
from grainmatch.board.frame import look
from grainmatch.board.stops import LOG_LIGHT
from grainmatch.geometry import Points, plane_to_pixels
from grainmatch.model import Bench, Mask
from grainmatch.ranks import median

DARK_STEP = 0.3
"""Log light by which a board's side in shade lies below its face."""
RIM_MM = 3.0
"""How far a separator found as one line may cut into a face beside a gap that widens along it; the gap is
wider than that, latewood is not."""
EDGE_MM = 1.5
"""How far from a face's edge its light is reached (own choice)."""
LEAST_TINT, BENCH_SHARE = 0.3, 0.4
"""Log colour ratio by which wood and bench must differ for it to tell one from the other, and what share of
that still is bench."""
SHADOW_MM = (6.0, 14.0)
SHADOW_FRAC = 0.35
"""How far a shadow taken for wood reaches: a share of the board's thickness, within limits."""


def shadow_reach_mm(thickness_mm: float) -> float:
    """How far the shadow of a board may be taken for its wood."""
    return float(np.clip(SHADOW_FRAC * thickness_mm, *SHADOW_MM))


def is_bench_coloured(bench: Bench, backdrop: Backdrop, places_mm: Points) -> Mask:
    """Which places (rows, n, 2), going outward along the grain, are in light or shade nearer to the bench's
    colour than to that of the wood they begin on, where the two differ."""
    logs = np.asarray(cv2.LUT(look(bench, bench.photo.rgb, places_mm), LOG_LIGHT))
    middle = places_mm.reshape(-1, 2).mean(axis=0)[None]
    bare = backdrop.bench_light(plane_to_pixels(bench.camera, middle, bench.face_height_mm)[0])
    off = logs - np.log(bare + BLACK)
    differ = np.ptp(median(off[:, : max(4, off.shape[1] // 6)], axis=1), axis=1, keepdims=True)
    return np.asarray((np.ptp(off, axis=2) < BENCH_SHARE * differ) & (differ > LEAST_TINT))


def past_dark(
    log_light: NDArray[np.float32],
    inside: Mask,
    solid: Mask,
    known: Mask,
    *,
    rows_per_mm: float,
    most_rows: float,
) -> Mask:
    """Rows from the first that is as light as the piece, below the dark side or shadow at its top.

    log_light (h, w); the piece takes up the rows inside (h, w), part of all wood, which is solid (h, w).
    What is printed on a sheet, not known (h, w), is not dark, and a rim of the board above that a slanting
    separator cut off is not light, nor the piece's own where bench shows below it. All rows where the piece
    is darker over more than most_rows, which is heartwood beside paler sapwood, or grows lighter little by
    little: a side and a shadow end where the face begins.
    """
    inside = _past_bench(inside, solid | ~known, most_rows)
    # Of the piece alone: past its ends it is dark.
    there = inside.astype(np.float32)
    smooth: Any = cv2.blur(log_light * there, (5, 3)) / np.maximum(cv2.blur(there, (5, 3)), 1e-3)
    bright = inside & ((smooth > _usual_light(log_light, inside & known) - DARK_STEP) | ~known)
    bright &= ~_rim_above(inside, bright, solid, rows_per_mm)
    past = np.asarray(np.maximum.accumulate(bright, axis=0))
    wood = _begins_unlike_shade(smooth, inside.argmax(axis=0), past, rows_per_mm, most_rows)
    past[:, wood] = inside[:, wood]
    return past


def _rim_above(inside: Mask, bright: Mask, solid: Mask, rows_per_mm: float) -> Mask:
    """Rows (h, w) of another board's rim, bright above something dark, that a slanting separator cut off."""
    row, columns = np.arange(len(inside))[:, None], np.arange(inside.shape[1])
    first = inside.argmax(axis=0)
    dark = ((row >= first) & ~bright).argmax(axis=0)
    again = ((row > dark) & bright).argmax(axis=0)
    cut_off = (dark - first < RIM_MM * rows_per_mm) & (again - dark > RIM_MM * rows_per_mm)
    return np.asarray((row < dark) & cut_off & solid[(first - 1).clip(0), columns])


def _begins_unlike_shade(
    smooth: NDArray[np.float32],
    first: NDArray[np.intp],
    past: Mask,
    rows_per_mm: float,
    most_rows: float,
) -> Mask:
    """Columns (w,) in which what is darker from row `first` (w,) on, before `past` (h, w), is too much for a
    side or a shadow, or ends in no step of light."""
    begins, columns = past.argmax(axis=0), np.arange(past.shape[1])
    far = past.any(axis=0) & (begins - first > most_rows)
    reach = max(2, round(EDGE_MM * rows_per_mm))
    after, before = (begins + reach).clip(0, len(past) - 1), np.maximum(begins - reach, first)
    rise = smooth[after, columns] - smooth[before, columns]
    return np.asarray(far | ((begins > first + reach) & (rise < DARK_STEP / 2)))


def _past_bench(inside: Mask, solid: Mask, most_rows: float) -> Mask:
    """Rows of a piece (h, w) below the bench seen within most_rows of its top: what lies above that is the
    rim of another board."""
    row = np.arange(len(inside))[:, None]
    below = row - inside.argmax(axis=0)
    bench = ~solid & (below > 0) & (below <= most_rows)
    return inside & ~np.logical_or.accumulate(bench[::-1], axis=0)[::-1]


def _usual_light(log_light: NDArray[np.float32], inside: Mask) -> NDArray[np.float32]:
    """The median of each column's light where it is inside; infinite in a column that holds nothing."""
    ranked = np.sort(np.where(inside, log_light, np.float32(np.inf)), axis=0)
    count, columns = inside.sum(axis=0), np.arange(inside.shape[1])
    lower, upper = ranked[np.maximum(count - 1, 0) // 2, columns], ranked[count // 2, columns]
    return np.asarray((lower + upper) / 2)
