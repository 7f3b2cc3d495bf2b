"""Seams too thin to show bench: boards touching along their length.

Where two boards touch, a hairline of shadow or a step in tone runs dead straight along both, level with
their edges, and ends where the boards' ends jump. A growth ring or a crack may be as dark, but it
wanders, slants or stops. So every line is judged by how far its mean response stands out from those
of all other lines of its slope, and by the jumps at its ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.lines import sum_along_lines
from grainmatch.model import Mask

Field = NDArray[np.floating[Any]]
Floats = NDArray[np.float64]
CLIP = 0.06
"""Log light by which one column can at most speak for a hairline: 6 %."""
MOST_SLOPE = 0.008
SLOPE_COST = 1000.0
"""Standing-out a line loses per unit of slope against the boards' edges."""
JUMP_WORTH = 0.8
"""Standing-out a line gains per mm that the wood's end jumps beside it, up to MOST_JUMP_MM an end."""
MOST_JUMP_MM = 4.0
FREE_JUMP_MM = 1.0
LEAST_STANDING_OUT = 5.7
LEAST_JUMPS = 2.0
LEAST_SEEN = 2.0
SURE_JUMPS = 6.2
LEAST_ALONE = 9.0
LEAST_ALONE_SHARE = 0.35
"""What a line must reach with jumps at its ends; what those must bring, and the line itself unless they are
plain at both ends; and what it must reach without."""
LEAST_SHARE = 0.2
STEP_COST = 2.4
LEAST_STEP_SHARE = 0.5
"""A step in tone alone is weaker evidence than a line of shadow: a streak of heartwood makes one too."""


@dataclass(frozen=True)
class Seam:
    """A separator's centre line in rows: row(column) = start + drop * column / columns.

    height is how many rows it takes up; share is how well the columns agree, 0..1; first and last are
    the columns between which boards lie on both sides.
    """

    start: float
    drop: float
    height: float
    share: float
    first: int
    last: int


def rows_along(seam: Seam, n: int) -> Floats:
    """Row index of the seam's centre in each of n columns (row centres whole)."""
    return np.asarray(seam.start + seam.drop * (np.arange(n) + 0.5) / n - 0.5)


def find_hairlines(
    log_light: Field, wood: Mask, *, rows_per_mm: float, length_rows: float, ends_mm: tuple[Floats, Floats]
) -> list[Seam]:
    """Hairline seams in a picture (h, 2^k) of log light, best first."""
    there = wood.astype(np.float32)
    kinds = [(_dips(log_light, there, height), 0.0, LEAST_SHARE) for height in (1, 2, 3, 5)]
    kinds.append((_steps(log_light, there), STEP_COST, LEAST_STEP_SHARE))
    score, share, drop = np.zeros(0), np.zeros(0), np.zeros(0)
    for (say, counts), cost, least_share in kinds:
        standing, agree, drop = _standing_out(say, counts, length_rows)
        standing = np.where(agree < least_share, -np.inf, standing - cost)
        if score.size == 0:
            score, share = standing, agree
        share = np.where(standing > score, agree, share)
        score = np.maximum(score, standing)
    score = score - SLOPE_COST * np.abs(drop[:, None]) / length_rows
    jumps = _jumps(ends_mm, drop, rows_per_mm)
    alone = (score >= LEAST_ALONE) & (share >= LEAST_ALONE_SHARE)
    by_jumps = (jumps >= LEAST_JUMPS) & ((score >= LEAST_SEEN) | (jumps >= SURE_JUMPS))
    score = np.where(by_jumps | alone, score + jumps, -np.inf)
    return _peaks(score, share, drop, there, max(4, int(4 * rows_per_mm)))


def _dips(light: Field, there: Field, height: int) -> tuple[Field, Field]:
    """How much darker a band of that height is than three rows above and below, and where wood flanks it."""
    flank, half = 3, height // 2 + 2
    centre: Any = cv2.blur(light, (1, height), borderType=cv2.BORDER_REPLICATE)
    beside: Any = cv2.blur(light, (1, flank), borderType=cv2.BORDER_REPLICATE)
    wood: Any = cv2.blur(there, (1, flank), borderType=cv2.BORDER_CONSTANT)
    lower, upper = half + height % 2, half
    flanked = np.minimum(shift_rows(wood, lower), shift_rows(wood, -upper)) > 0.9
    drop = np.minimum(shift_rows(beside, lower), shift_rows(beside, -upper)) - centre
    return np.clip(drop, -CLIP, CLIP) * flanked, flanked.astype(np.float32)


def _steps(light: Field, there: Field) -> tuple[Field, Field]:
    """How much lighter the five rows above are than the five below (signed), and where wood flanks it."""
    beside: Any = cv2.blur(light, (1, 5), borderType=cv2.BORDER_REPLICATE)
    wood: Any = cv2.blur(there, (1, 5), borderType=cv2.BORDER_CONSTANT)
    flanked = np.minimum(shift_rows(wood, 4), shift_rows(wood, -3)) > 0.9
    step = np.clip(shift_rows(beside, 4) - shift_rows(beside, -3), -CLIP, CLIP)
    return step * flanked, flanked.astype(np.float32)


def shift_rows(field: Field, rows: int) -> Field:
    """The field moved down by rows, so that each place reads what lies `rows` above it."""
    moved = np.zeros_like(field)
    if rows > 0:
        moved[rows:] = field[:-rows]
    else:
        moved[:rows] = field[-rows:]
    return moved


def _standing_out(say: Field, counts: Field, length_rows: float) -> tuple[Floats, Floats, Floats]:
    """(robust z of each line among those of its slope, mean say 0..1, drops in rows)."""
    n = say.shape[1]
    most_drop = int(MOST_SLOPE * length_rows)
    total, drop = sum_along_lines(say, most_drop=most_drop)
    count, _ = sum_along_lines(counts, most_drop=most_drop)
    agree = np.where(count >= 0.12 * n, total / np.maximum(count, 0.12 * n) / CLIP, np.nan)
    enough = np.isfinite(agree).sum(axis=1) > 30
    z = np.full(agree.shape, -np.inf)
    a = agree[enough]
    middle = _medians(a)
    spread = 1.4826 * _medians(np.abs(a - middle))
    z[enough] = np.nan_to_num(np.abs(a - middle) / np.maximum(spread, 0.03), nan=-np.inf)
    return z, np.nan_to_num(np.abs(agree)), drop


def _medians(values: Floats) -> Floats:
    """The median (m, 1) of what is known in each row; numpy's own goes row by row where some is not."""
    ranked, known = np.sort(values, axis=1), np.isfinite(values).sum(axis=1, keepdims=True)
    lower, upper = (np.take_along_axis(ranked, k // 2, axis=1) for k in (known - 1, known))
    return np.asarray((lower + upper) / 2)


def _jumps(ends_mm: tuple[Floats, Floats], drop: Floats, rows_per_mm: float) -> Floats:
    """What the jumps of both ends add to each line (drops, h)."""
    reach = max(3, int(5 * rows_per_mm))
    worth = []
    for end in ends_mm:
        seen = np.flatnonzero(np.isfinite(end))
        end = np.interp(np.arange(len(end)), seen, end[seen])
        wide = np.pad(end, reach, mode="edge")
        view = np.lib.stride_tricks.sliding_window_view(wide, reach)
        above, below = np.median(view[: len(end)], axis=1), np.median(view[-len(end) :], axis=1)
        worth.append(JUMP_WORTH * np.clip(np.abs(above - below) - FREE_JUMP_MM, 0, MOST_JUMP_MM))
    h = len(ends_mm[0])
    last = np.rint(np.arange(h)[None, :] + drop[:, None]).astype(int).clip(0, h - 1)
    return np.asarray(worth[0][None, :] + worth[1][last])


def _peaks(score: Floats, share: Floats, drop: Floats, there: Field, apart_rows: int) -> list[Seam]:
    h, n = there.shape
    score = score.copy()
    starts = np.arange(h)[None, :]
    found = []
    for _ in range(30):
        i, r = np.unravel_index(int(score.argmax()), score.shape)
        if score[i, r] < LEAST_STANDING_OUT:
            break
        line = np.rint(r + drop[i] * (np.arange(n) + 0.5) / n).astype(int).clip(0, h - 1)
        columns = np.flatnonzero(there[line, np.arange(n)] > 0)
        if len(columns):
            agree = float(np.clip(share[i, r], 0, 1))
            found.append(Seam(float(r + 0.5), float(drop[i]), 1.0, agree, int(columns[0]), int(columns[-1])))
        middle = starts + drop[:, None] / 2
        score[np.abs(middle - r - drop[i] / 2) < apart_rows] = -np.inf
    return found
