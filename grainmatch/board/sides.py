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
NEAR_ROWS = np.ones((5, 1), np.uint8)
GOES_ON = 0.1
"""How wide a side must show; what share of the columns must agree, of how many there must be; how far from
level and how many such lines may be; over how many rows a bent edge may lie; and log light by which what
lies past a side's foot is lighter than the side, at the least, for otherwise it may all be one dark face."""


def find_sides(looks: Field, wood: NDArray[np.bool_], side_rows: Floats, *, length_rows: float) -> list[Seam]:
    """Separators made by a board's side in a picture (h, 2^k, 3) of log light, best first.

    wood (h, 2^k): where it is neither bench nor hidden. length_rows: how long the picture is, in rows.
    side_rows (h,): how many rows below an edge at each row the side's foot shows, negative above it.
    """
    found: list[Seam] = []
    planes = np.ascontiguousarray(looks.transpose(2, 0, 1))
    for flip in (False, True):
        rows = -side_rows[::-1] if flip else side_rows
        told = np.flatnonzero(rows >= LEAST_SIDE_ROWS)
        if not len(told):
            continue
        light, there = (planes[:, ::-1], wood[::-1]) if flip else (planes, wood)
        most_drop = int(MOST_SLOPE * length_rows)
        # Above the camera's foot sides show one way only, so half the picture is enough.
        margin = most_drop + int(rows.max()) + 3 * FLANK
        first, last = max(0, int(told[0]) - margin), int(told[-1]) + margin + 1
        seams = _find_below(light[:, first:last], there[first:last], rows[first:last], most_drop)
        seams = [replace(s, start=s.start + first) for s in seams]
        found += [replace(s, start=len(wood) - s.start, drop=-s.drop) for s in seams] if flip else seams
    return found


def _find_below(light: Field, wood: NDArray[np.bool_], side_rows: Floats, most_drop: int) -> list[Seam]:
    """The same below each edge only, in planes of light (3, h, 2^k)."""
    h, n = wood.shape
    step = _steps(light)
    shade = step.mean(axis=0) - TINT * np.ptp(step, axis=0)
    change = np.sqrt((step**2).mean(axis=0))
    foot = np.rint(np.arange(h) + side_rows).astype(int).clip(0, h - 1)
    near = np.asarray(cv2.dilate(change, NEAR_ROWS))[foot]
    there = wood & wood[(foot + 2 * FLANK).clip(0, h - 1)] & (side_rows >= LEAST_SIDE_ROWS)[:, None]
    grey = light.mean(axis=0)
    least = np.minimum.reduce([shade, near, _darker_down_to(grey, foot)])
    say = (np.clip(least, -CLIP, CLIP) / CLIP + BEST * least) * there
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
        start, shown = r + 0.5 + height / 2, _shown_above(grey, shade, row[columns], columns, height)
        place = start, float(drop[i]), height
        if shown is not None:
            place = r + 0.5 - shown[0] / 2 + shown[1] / 4, float(drop[i] - shown[1] / 2), shown[0]
        found.append(Seam(*place, float(share[i, r]), int(columns[0]), int(columns[-1])))
        share[np.abs(starts + drop[:, None] / 2 - r - drop[i] / 2) < height + 4] = 0
    return found


def _shown_above(
    grey: Field, shade: Field, rows: NDArray[np.int_], columns: NDArray[np.intp], height: float
) -> tuple[float, float] | None:
    """How many rows of a side show above a line (rows at columns) that is where the next, darker board hides
    it, and how many more at the line's end than at its start; None when the line itself is an edge.

    That board's face may look like the shade on a side, but it goes on past where a side would end, and
    right above it lies the real one.
    """
    h, n = grey.shape

    def mean(first: Floats | float, last: Floats | float) -> Floats:
        at = np.rint(rows + first + (last - first) * np.linspace(0.1, 0.9, 9)[:, None]).astype(int)
        return np.asarray(grey[at.clip(0, h - 1), columns].mean(axis=0), dtype=np.float64)

    if np.median(mean(height, 2 * height) - mean(0.0, height)) > GOES_ON:
        return None
    up = np.arange(LEAST_SIDE_ROWS, height + 1)[:, None, None]
    wider = np.arange(-height / 4, height / 4 + 1)[:, None]
    shown = up + wider * ((columns + 0.5) / n - 0.5)
    edges = np.rint(rows - shown).astype(int).clip(0, h - 1)
    agree = np.clip(np.asarray(cv2.dilate(shade, NEAR_ROWS))[edges, columns], -CLIP, CLIP).mean(axis=2)
    sharp = agree + BEST * shade[edges, columns].mean(axis=2)
    i, j = np.unravel_index(int(sharp.argmax()), sharp.shape)
    darker = mean(-shown[i, j] - FLANK, -shown[i, j]) - mean(-shown[i, j], 0.0)
    share = float(np.minimum(agree[i, j], np.clip(darker, -CLIP, CLIP).mean()) / CLIP)
    return (float(up[i, 0, 0]), float(wider[j, 0])) if share >= LEAST_SHARE else None


def _darker_down_to(grey: Field, foot: NDArray[np.int_]) -> Field:
    """How much darker (h, n) all from each row to its foot is than what lies right above, over all colours.

    A side is dark all over, a growth ring at its border alone.
    """
    sums = np.concatenate([np.zeros_like(grey[:1]), np.cumsum(grey, axis=0, dtype=np.float64)])
    rows = np.arange(len(grey))
    last = np.maximum(foot, rows + 1)
    above = (sums[rows] - sums[(rows - FLANK).clip(0)]) / FLANK
    side = (sums[last] - sums[rows]) / (last - rows)[:, None]
    return np.asarray(above - side, dtype=np.float32)


def _steps(light: Field) -> Field:
    """How much lighter (3, h, n) the rows right above each are than those from it on."""
    half = FLANK // 2

    def step(plane: Field) -> Field:
        beside: Any = cv2.blur(plane, (1, FLANK), borderType=cv2.BORDER_REPLICATE)
        return np.asarray(np.roll(beside, half + 1, axis=0) - np.roll(beside, -half, axis=0))

    return np.stack([step(plane) for plane in light])
