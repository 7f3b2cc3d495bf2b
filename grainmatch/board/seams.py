"""Straight separators between boards: gaps, dark sides and hairline seams, seen in a frame.

A seam is straight over the whole length two boards share; a growth ring wanders by millimetres
and a crack stops. So dark bands are summed along every nearly level straight line, each column's
say clipped, and only lines that nearly every column agrees with count.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.lines import sum_along_lines
from grainmatch.model import Mask

Field = NDArray[np.float32]
CLIP = 0.15
"""Log-light by which a column can at most speak for a line: a 14 % drop."""


@dataclass(frozen=True)
class Seam:
    """A separator's centre line in rows: row(column) = start + drop * column / columns.

    height is how many rows it takes up; share is the mean of the columns' clipped say, 0..1;
    first and last are the columns between which boards lie on both sides.
    """

    start: float
    drop: float
    height: float
    share: float
    first: int
    last: int


def find_seams(
    log_light: Field, wood: Mask, known: Mask, *, rows_per_mm: float, tallest_rows: int, least_apart_rows: int, least_share: float = 0.42
) -> list[Seam]:
    """Separators in a picture (h, 2^k) of log light, where `wood` (h, 2^k) is not bench and
    `known` is not hidden by a sheet."""
    best: list[Seam] = []
    height = 1
    while height <= tallest_rows:
        best += _seams_of_height(log_light, wood, known, height, tallest_rows, least_share)
        height = height * 2
    best.sort(key=lambda s: -s.share)
    kept: list[Seam] = []
    for seam in best:
        if _boards_beside(seam, wood, 0.7 * least_apart_rows) and _holds(seam, log_light, wood, rows_per_mm) and all(_apart(seam, other) >= least_apart_rows for other in kept):
            kept.append(seam)
    return kept


HAIRLINE_MM = 2.6
MOST_WANDER_MM = 0.15
"""A planed edge is straighter than this along its length; growth rings wander by far more."""
LEAST_HAIRLINE_DEPTH = 0.07
LEAST_BAND_DEPTH = 0.25


def _holds(seam: Seam, light: Field, wood: Mask, rows_per_mm: float) -> bool:
    """Whether a line of dark says is a separator: straight if thin, deep if tall."""
    if seam.height > HAIRLINE_MM * rows_per_mm:
        return _band_depth(seam, light, wood) >= LEAST_BAND_DEPTH
    wander, depth = _hairline_track(seam, light, wood)
    return wander <= MOST_WANDER_MM * rows_per_mm and depth >= LEAST_HAIRLINE_DEPTH


def _boards_beside(seam: Seam, wood: Mask, reach_rows: float) -> bool:
    """Whether wood goes on for a board's width on both sides, not just for the side of one board."""
    h, n = wood.shape
    columns = np.arange(seam.first, seam.last + 1)
    middle = _rows_along(seam, n)[columns]
    ways = [np.rint(middle + way * (seam.height / 2 + reach_rows)).astype(int).clip(0, h - 1) for way in (-1, 1)]
    return all(wood[rows, columns].mean() > 0.5 for rows in ways)


def _rows_along(seam: Seam, n: int) -> NDArray[np.float64]:
    return np.asarray(seam.start + seam.drop * (np.arange(n) + 0.5) / n - 0.5)


def _band_depth(seam: Seam, light: Field, wood: Mask) -> float:
    """Median over the columns of how much darker (log light) the band is than what flanks it."""
    h, n = light.shape
    columns = np.arange(seam.first, seam.last + 1)
    middle = _rows_along(seam, n)[columns]
    reach = seam.height / 2 + 3

    def at(offset: float) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
        return np.rint(middle + offset).astype(int).clip(0, h - 1), columns

    gap = ~wood[at(0)]
    flank = np.minimum(light[at(-reach)], light[at(reach)])
    return float(np.median(np.where(gap, 1.0, flank - light[at(0)])))


def _hairline_track(seam: Seam, light: Field, wood: Mask) -> tuple[float, float]:
    """(wander in rows, depth in log light) of the darkest place near the line, over groups of columns.

    Wander is the robust spread about a gentle curve.
    """
    h, n = light.shape
    reach = 10
    rows = _rows_along(seam, n)
    base = np.floor(rows).astype(int)
    offsets = np.arange(-reach, reach + 2)
    index = (base[None, :] + offsets[:, None]).clip(0, h - 1)
    patch, there = light[index, np.arange(n)], wood[index, np.arange(n)].mean(axis=0) > 0.8
    share = (rows - base)[None, :]
    patch = patch[:-1] * (1 - share) + patch[1:] * share
    columns = np.flatnonzero(there)
    if len(columns) < 24:
        return np.inf, 0.0
    groups = np.array_split(columns, min(32, len(columns) // 3))
    profiles = np.array([patch[:, g].mean(axis=1) for g in groups])
    middle = profiles[:, reach - 3 : reach + 4]
    low = middle.argmin(axis=1) + reach - 3
    k = np.arange(len(groups))
    before, least, after = profiles[k, low - 1], profiles[k, low], profiles[k, low + 1]
    bend = before - 2 * least + after
    place = low - reach + np.where(bend > 1e-6, 0.5 * (before - after) / np.maximum(bend, 1e-6), 0)
    flank = np.minimum(
        [p[i - 5 : i - 1].max() for p, i in zip(profiles, low, strict=True)],
        [p[i + 2 : i + 6].max() for p, i in zip(profiles, low, strict=True)],
    )
    x = np.array([g.mean() for g in groups]) / n
    weights = np.ones(len(x))
    for _ in range(4):
        rest = place - np.polyval(np.polyfit(x, place, 2, w=weights), x)
        spread = max(1.4826 * float(np.median(np.abs(rest))), 0.02)
        weights = np.clip(1 - (rest / (4 * spread)) ** 2, 0.01, None)
    return spread, float(np.median(flank - least))


def _apart(a: Seam, b: Seam) -> float:
    first, last = abs(a.start - b.start), abs(a.start + a.drop - b.start - b.drop)
    crossing = (a.start - b.start) * (a.start + a.drop - b.start - b.drop) < 0
    return 0.0 if crossing else min(first, last)


def _seams_of_height(
    log_light: Field, wood: Mask, known: Mask, height: int, reach_rows: int, least_share: float
) -> list[Seam]:
    """Best separators of one height; tall ones are searched at coarser rows."""
    pool = max(1, height // 4)
    h, n = log_light.shape
    rows = h // pool
    if rows < 12:
        return []
    light = log_light[: rows * pool].reshape(rows, pool, n).mean(axis=1)
    there = wood[: rows * pool].reshape(rows, pool, n).mean(axis=1).astype(np.float32)
    seen = known[: rows * pool].reshape(rows, pool, n).all(axis=1)
    say, counts = _dark_bands(
        light, there, seen, max(1, height // pool), max(2, reach_rows // pool), gaps=pool > 1
    )
    total, drop = sum_along_lines(say)
    count, _ = sum_along_lines(counts)
    share = total / np.maximum(count, 0.12 * n) / CLIP
    share[count < 0.12 * n] = 0
    share[np.abs(drop) * pool > 0.6 * n] = 0
    found = []
    reach = max(3, 12 // pool)
    for _ in range(40):
        i, r = np.unravel_index(int(share.argmax()), share.shape)
        if share[i, r] < least_share:
            break
        if pool > 1:
            i, r = _middle_of_ties(share, drop, i, r)
        on_line = np.rint(r + drop[i] * (np.arange(n) + 0.5) / n).astype(int).clip(0, rows - 1)
        columns = np.flatnonzero(counts[on_line, np.arange(n)] > 0)
        found.append(
            Seam(
                float((r + 0.5) * pool),
                float(drop[i] * pool),
                float(height),
                float(share[i, r]),
                int(columns[0]),
                int(columns[-1]),
            )
        )
        starts = np.arange(share.shape[1])[None, :]
        near = (np.abs(starts - r) < reach) | (np.abs(starts + drop[:, None] - r - drop[i]) < reach)
        share[near] = 0
    return found


def _middle_of_ties(share: Field, drop: NDArray[np.float64], i: int, r: int) -> tuple[int, int]:
    """A gap holds many lines that all agree as well as line (i, r): the one in their middle."""
    near = cv2.connectedComponents((share >= 0.98 * share[i, r]).astype(np.uint8))[1]
    drops, starts = np.nonzero(near == near[i, r])
    return int(np.rint(drops.mean())), int(np.rint(starts.mean()))


def _dark_bands(light: Field, there: Field, known: Mask, height: int, reach: int, *, gaps: bool) -> tuple[Field, Field]:
    """Each pixel's say that a dark band of that height is centred on it, and where it has one.

    It has one between boards: with wood right above and below it, or on bare bench with wood
    within `reach` rows both ways.
    """
    flank = 3
    centre = cv2.blur(light, (1, height), borderType=cv2.BORDER_REPLICATE)
    half = height // 2 + 1 + flank // 2
    beside = cv2.blur(light, (1, flank), borderType=cv2.BORDER_REPLICATE)
    above, below = _shift(beside, half), _shift(beside, -half)
    wood = cv2.blur(there, (1, flank), borderType=cv2.BORDER_CONSTANT)
    flanked = np.minimum(_shift(wood, half), _shift(wood, -half)) > 0.9
    bare = (there < 0.5) & known
    # Bare bench is told from wood at coarse scale only.
    between = gaps & bare & _wood_within(there, reach) & _wood_within(there[::-1], reach)[::-1]
    say = np.clip(np.minimum(above, below) - centre, -CLIP, CLIP) * flanked
    say[between] = CLIP
    return say.astype(np.float32), (flanked | between).astype(np.float32)


def _wood_within(there: Field, reach: int) -> Mask:
    """Whether wood lies within `reach` rows above each place."""
    running = np.cumsum(there, axis=0)
    before = np.zeros_like(running)
    before[reach:] = running[:-reach]
    return np.asarray(running - before > 2)


def _shift(field: Field, rows: int) -> Field:
    """The field moved down by rows (so that each place reads what lies `rows` above it)."""
    moved = np.zeros_like(field)
    if rows > 0:
        moved[rows:] = field[:-rows]
    else:
        moved[:rows] = field[-rows:]
    return moved
