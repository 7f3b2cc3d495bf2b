"""Where the wood of a heap starts and stops along its boards, row by row, and how far down their sides show.

Boards that touch seldom end on one line: where the ends jump, one board ends beside another.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import BLACK, Backdrop
from grainmatch.board.edge import LINEAR
from grainmatch.board.frame import Frame, lean_per_mm, look_along, look_through
from grainmatch.geometry import Points
from grainmatch.model import Bench, Mask
from grainmatch.ranks import median

Floats = NDArray[np.float64]
LOG_LIGHT = np.log(LINEAR + np.float32(BLACK))
ROWS_APART_MM = 1.0
COARSE_STEP_PX, WIDE_STEPS = 0.7, 8
COARSE_PX = 1.5
"""How densely ends are looked for in the coarse photo, in how many steps at once first; and how far from an
end seen there the end is in the full one."""
WOOD_MM = 8.0
"""How much wood before it is read to know its look."""
LEAST_CHANGE = 0.35
"""Log light, over three colours, by which what lies past the wood must differ to place its end finely."""


@dataclass(frozen=True, eq=False)
class Stops:
    """Where the wood of every so many rows starts and stops, u (h,), NaN where that is not told.

    Of a board's upright side, where the camera sees it: side_mm (h,), how far down from the face its foot
    shows, negative upwards, and inward_mm, how far towards the middle of the board, at either end.
    """

    ends_mm: tuple[Floats, Floats]
    side_mm: Floats
    inward_mm: tuple[Floats, Floats]
    every_rows: int

    def side_rows(self, rows_n: int, rows_per_mm: float) -> Floats:
        """How many rows below an edge, at each of a picture's rows, the foot of its side shows."""
        return np.repeat(self.side_mm, self.every_rows)[:rows_n] * rows_per_mm


def find_stops(
    bench: Bench, backdrop: Backdrop, mask: Mask, frame: Frame, low: Points, high: Points, v: Floats
) -> Stops:
    """The ends of the wood in a coarse `mask`, about every mm of a frame's rows v between two corners."""
    every = max(1, round(ROWS_APART_MM / float(v[1] - v[0])))
    v = v[::every]
    start = _coarse_end(bench, backdrop.scale, mask, frame, v, (float(low[0]), float(high[0])))
    stop = _coarse_end(bench, backdrop.scale, mask, frame, v, (float(high[0]), float(low[0])))
    ends = tuple(
        _place(bench, backdrop.scale, frame, v, end, outward) for end, outward in ((start, -1.0), (stop, 1.0))
    )
    left, right = (_foot_mm(bench, frame, end, v) for end in (low[0], high[0]))
    side = 0.5 * (left + right)[:, 1]
    return Stops((ends[0], ends[1]), side, (left[:, 0].clip(0), (-right[:, 0]).clip(0)), every)


def _coarse_end(
    bench: Bench, scale: float, mask: Mask, frame: Frame, v: Floats, span_mm: tuple[float, float]
) -> Floats:
    """Where the wood of each row v (h,) begins in the mask, going from one u to another; NaN where none is.

    Looked for in wide steps first, then closely within the step before the wood.
    """
    first, last = span_mm
    way = 1.0 if last > first else -1.0
    step = COARSE_STEP_PX / (bench.px_per_mm * scale)
    wide = step * WIDE_STEPS
    u = np.arange(0.0, abs(last - first), wide)
    rough = look_through(bench, mask.view(np.uint8), frame, first + way * u, v, scale).astype(bool)
    before = first + way * (u[rough.argmax(axis=1)] - wide)
    t = np.arange(1, WIDE_STEPS + 1) * step
    starts = frame.leave(np.column_stack([before, v]))
    near = look_along(bench, mask.view(np.uint8), starts, way * frame.axes[0], t, scale).astype(bool)
    found = before + way * t[near.argmax(axis=1)]
    return np.where(rough.any(axis=1) & near.any(axis=1), found, np.nan)


def _foot_mm(bench: Bench, frame: Frame, u: float, v: Floats) -> Floats:
    """Where the foot of an upright side shows from its top, along u and v (h, 2), at rows v (h,)."""
    places = frame.leave(np.array([[u, v[0]], [u, v[-1]]]))
    foot = lean_per_mm(bench, places) @ frame.axes.T * bench.face_height_mm
    return np.column_stack([np.interp(v, [v[0], v[-1]], along) for along in foot.T])


def _place(bench: Bench, scale: float, frame: Frame, v: Floats, near: Floats, outward: float) -> Floats:
    """Each row's end in the full photo: where, around the end known coarsely, light is halfway between the
    wood's and what differs most from it.
    """
    rows = np.flatnonzero(np.isfinite(near))
    px_mm = 1 / bench.px_per_mm
    reach = (COARSE_PX / scale + 1.0) * px_mm
    t = np.arange(-reach - WOOD_MM, 2 * reach, px_mm)
    starts = frame.leave(np.column_stack([near[rows], v[rows]]))
    sharp = look_along(bench, bench.photo.rgb, starts, outward * frame.axes[0], t)
    seen = np.asarray(cv2.LUT(sharp, LOG_LIGHT))
    light = cv2.blur(seen, (1, 3), borderType=cv2.BORDER_REPLICATE)
    near_end = t >= -reach
    wood = median(light[:, ~near_end][:, ::2], axis=1, keepdims=True)
    away = light[:, near_end] - wood
    off = np.sqrt(np.einsum("hnc,hnc->hn", away, away))
    half = 0.5 * off.max(axis=1)
    past = off >= half[:, None]
    past[:, :-1] &= past[:, 1:]
    k, each = past.argmax(axis=1).clip(1, None), np.arange(len(rows))
    before, after = off[each, k - 1], off[each, k]
    share = ((half - before) / np.maximum(after - before, 1e-6)).clip(0, 1)
    told = past.any(axis=1) & (2 * half > LEAST_CHANGE)
    fine = np.full(len(near), np.nan)
    fine[rows[told]] = (near[rows] + outward * (t[near_end][k - 1] + share * px_mm))[told]
    return fine
