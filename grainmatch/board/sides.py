"""Boards with a gap between them that a slanted view shows nothing of but the nearer one's upright side.

Going over such a gap one leaves a face for its own side in shade, which is darker in all colours alike, and
a known distance on, at the side's foot or where the next board hides it, light or colour changes again. Both
lines run dead straight along the boards. Latewood is darker too, but not at that distance all along.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.hairlines import Seam
from grainmatch.board.lines import sum_along_lines

Field = NDArray[np.float32]
Floats = NDArray[np.float64]
FLANK = 3
CLIP = 0.15
"""How many rows are averaged on both sides of a line, and log light by which a column can at most speak."""
BEST = 0.05
"""What the rest of the light says, so that of neighbouring lines the sharpest counts."""
TINT = 3.0
"""How much what differs between colours counts against a shade: sapwood to heartwood differs by a third."""
LEAST_SIDE_ROWS = 4.0
LEAST_SHARE, LEAST_COLUMNS = 0.8, 0.3
MOST_SLOPE, MOST_SEAMS = 0.008, 20
"""How wide a side must show; what share of the columns must agree, of how many there must be; how far from
level and how many such lines may be."""


def find_sides(looks: Field, wood: NDArray[np.bool_], side_rows: Floats, *, length_rows: float) -> list[Seam]:
    """Separators made by a board's side in a picture (h, 2^k, 3) of log light, best first.

    wood (h, 2^k): where it is neither bench nor hidden. length_rows: how long the picture is, in rows.
    side_rows (h,): how many rows below an edge at each row the side's foot shows, negative above it.
    """
    found: list[Seam] = []
    for flip in (False, True):
        rows = -side_rows[::-1] if flip else side_rows
        if rows.max() < LEAST_SIDE_ROWS:
            continue
        light, there = (looks[::-1], wood[::-1]) if flip else (looks, wood)
        for seam in _find_below(light, there, rows, length_rows):
            found.append(replace(seam, start=len(wood) - seam.start, drop=-seam.drop) if flip else seam)
    return found


def _find_below(light: Field, wood: NDArray[np.bool_], side_rows: Floats, length_rows: float) -> list[Seam]:
    h, n = wood.shape
    step = _steps(light)
    shade = step.mean(axis=2) - TINT * np.ptp(step, axis=2)
    change = np.sqrt((step**2).mean(axis=2))
    foot = np.rint(np.arange(h) + side_rows).astype(int).clip(0, h - 1)
    near = np.maximum.reduce([change[(foot + k).clip(0, h - 1)] for k in (-2, -1, 0, 1, 2)])
    there = wood & wood[(foot + 2 * FLANK).clip(0, h - 1)] & (side_rows >= LEAST_SIDE_ROWS)[:, None]
    least = np.minimum.reduce([shade, near, _darker_down_to(light, foot)])
    say = (np.clip(least, -CLIP, CLIP) / CLIP + BEST * least) * there
    most_drop = int(MOST_SLOPE * length_rows)
    total, drop = sum_along_lines(say.astype(np.float32), most_drop=most_drop)
    count, _ = sum_along_lines(there.astype(np.float32), most_drop=most_drop)
    least_n = LEAST_COLUMNS * n
    share = np.where(count > least_n, total / np.maximum(count, least_n), 0.0)
    found = []
    starts = np.arange(h)[None, :]
    for _ in range(MOST_SEAMS):
        i, r = (int(k) for k in np.unravel_index(int(share.argmax()), share.shape))
        if share[i, r] < LEAST_SHARE:
            break
        row = np.rint(r + drop[i] * (np.arange(n) + 0.5) / n).astype(int).clip(0, h - 1)
        columns = np.flatnonzero(there[row, np.arange(n)])
        height = float(side_rows[row].mean())
        place = r + 0.5 + height / 2, float(drop[i]), height
        found.append(Seam(*place, float(share[i, r]), int(columns[0]), int(columns[-1])))
        share[np.abs(starts + drop[:, None] / 2 - r - drop[i] / 2) < height + 4] = 0
    return found


def _darker_down_to(light: Field, foot: NDArray[np.int_]) -> Field:
    """How much darker (h, n) all from each row to its foot is than what lies right above, over all colours.

    A side is dark all over, a growth ring at its border alone.
    """
    grey = light.mean(axis=2)
    sums = np.concatenate([np.zeros_like(grey[:1]), np.cumsum(grey, axis=0, dtype=np.float64)])
    rows = np.arange(len(grey))
    last = np.maximum(foot, rows + 1)
    above = (sums[rows] - sums[(rows - FLANK).clip(0)]) / FLANK
    side = (sums[last] - sums[rows]) / (last - rows)[:, None]
    return np.asarray(above - side, dtype=np.float32)


def _steps(light: Field) -> Field:
    """How much lighter (h, n, 3) the rows right above each are than those from it on."""
    beside: Any = cv2.blur(light, (1, FLANK), borderType=cv2.BORDER_REPLICATE)
    half = FLANK // 2
    above, below = np.roll(beside, half + 1, axis=0), np.roll(beside, -half, axis=0)
    return np.asarray(above - below, dtype=np.float32)
