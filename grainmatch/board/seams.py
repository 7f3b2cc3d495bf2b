"""Straight separators between boards: gaps, dark sides and hairline seams, seen in a frame.

A seam is straight over the whole length two boards share; a growth ring wanders by millimetres
and a crack stops. So dark bands are summed along every nearly level straight line, each column's
say clipped, and only lines that nearly every column agrees with count.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.hairlines import BORDER_ROWS, Seam, find_hairlines, rows_along, shift_rows
from grainmatch.board.lines import sum_along_lines
from grainmatch.board.sides import find_sides
from grainmatch.board.stops import Stops
from grainmatch.cores import do_both
from grainmatch.model import Mask
from grainmatch.ranks import median

Field = NDArray[np.floating[Any]]
Floats = NDArray[np.float64]
CLIP = 0.15
"""Log light by which a column can at most speak for a band: 14 %."""
LEAST_SHARE = 0.42
PLAIN_SHARE, FIRM_SHARE = 0.5, 0.85
"""Of the columns, how many must agree on a band for it to come before lines whose ends jump, and before
hairlines that stand out by themselves: of a band of heartwood fewer do."""
COST_OF_SLOPE = 5.0
"""Share a band must have more for each unit of slope: one askew over a gap has columns enough that agree."""
MOST_SLOPE = 0.025
LEAST_DEPTH = 0.25
SURE_DEPTH = 0.35
DEEP = 0.5
BARE, LEAST_DARK_SHARE = 1.0, 0.6
SHALLOW_SLOPE = 0.008
WEDGE_SHARE, WEDGE_SLOPE, WEDGE_TALLEST = 0.95, 0.014, 32
WEDGE_DEPTHS = (0.12, 0.28)
"""Of a whole band against its flanks: log light in nine tenths of its columns, and in half of them."""
LOWEST_BAND = 4
HAIRLINE_ROWS = 1.0
LEAST_SHALLOW = 8
"""Log light by which a band is darker than the boards, and the slopes allowed: a band of heartwood or of
latewood is shallow, and slants. Where no bench shows, more of the columns must agree on it."""


def find_seams(
    log_light: Field,
    log_colours: NDArray[np.float32],
    wood: Mask,
    known: Mask,
    *,
    rows_per_mm: float,
    length_mm: float,
    stops: Stops,
    tallest_rows: int,
    least_apart_rows: int,
) -> list[Seam]:
    """Separators in a picture of log light (h, 2^k), all colours together and each (h, 2^k, 3).

    wood (h, 2^k) is not bench and `known` is not hidden by a sheet; stops: where wood ends in its rows.
    """
    length_rows = length_mm * rows_per_mm
    side_rows, bare = stops.side_rows(len(wood), rows_per_mm), wood & known

    def find_thin() -> list[Seam]:
        return find_hairlines(
            log_light, log_colours, bare, rows_per_mm=rows_per_mm, length_rows=length_rows, stops=stops
        )

    def find_wide() -> tuple[list[Seam], list[Seam]]:
        bands = _find_bands(log_light, wood, known, tallest_rows, length_rows)
        return bands, find_sides(log_colours, bare, side_rows, length_rows=length_rows)

    thin, (bands, sides) = do_both(find_thin, find_wide)
    # A hairline in the middle of a band is all there is to it; those at its borders are its borders.
    bands = [b for b in bands if not any(b.height < 12 and _apart(b, line) < 2.5 for line in thin)]
    bands = sorted(bands, key=lambda s: COST_OF_SLOPE * abs(s.drop) / length_rows - s.share)
    plain, faint = ([b for b in bands if (b.share >= PLAIN_SHARE) == is_plain] for is_plain in (True, False))
    firm = [b for b in plain if b.share >= FIRM_SHARE or _band_depth(b, log_light, wood) >= BARE]
    clear = [t for t in thin if t.clear and not any(_lies_in(t, band) for band in plain)]
    found = [*firm, *clear, *plain, *thin, *faint, *sides]
    may_be_wood = wood | ~known
    kept: list[Seam] = []
    for seam in found:
        apart = all(
            _apart(seam, other) - 0.5 * (seam.height + other.height) + 1
            >= least_apart_rows + _side_between(seam, other, side_rows)
            for other in kept
        )
        if apart and _boards_beside(seam, may_be_wood, least_apart_rows, side_rows):
            kept.append(seam)
    return kept


def _find_bands(
    log_light: Field, wood: Mask, known: Mask, tallest_rows: int, length_rows: float
) -> list[Seam]:
    """Dark bands and gaps of every height that may lie between boards."""
    bands: list[Seam] = []
    height = LOWEST_BAND
    while height <= tallest_rows:
        bands += _bands_of_height(log_light, wood, known, height, tallest_rows, length_rows)
        height = height * 2
    return [b for b in bands if _is_separator(b, log_light, wood, length_rows)]


def _side_between(a: Seam, b: Seam, side_rows: Floats) -> float:
    """How many rows between a hairline and a gap beside it are no face but the side of the board there.

    The gap itself may be that side, or the part of it that the next board does not hide.
    """
    hairlines = [s.height <= HAIRLINE_ROWS for s in (a, b)]
    if all(hairlines) or not any(hairlines):
        return 0.0
    line, gap = (a, b) if hairlines[0] else (b, a)
    middle = gap.start + gap.drop / 2
    side = float(side_rows[int(np.clip(middle, 0, len(side_rows) - 1))])
    faces_line = (side > 0) == (line.start + line.drop / 2 < middle)
    return max(abs(side) - gap.height, 0.0) if faces_line else 0.0


def _is_separator(seam: Seam, light: Field, wood: Mask, length_rows: float) -> bool:
    """Whether a dark band or a gap is deep and level enough to lie between boards."""
    depth = _band_depth(seam, light, wood)
    if depth < BARE and seam.share < LEAST_DARK_SHARE:
        return False
    slope = abs(seam.drop) / length_rows
    if depth >= DEEP:
        return slope <= MOST_SLOPE
    if seam.height < LEAST_SHALLOW:
        return False  # as thin as latewood
    sure = depth >= SURE_DEPTH or (depth >= LEAST_DEPTH and seam.share >= FIRM_SHARE)
    return (sure and slope <= SHALLOW_SLOPE) or (slope <= WEDGE_SLOPE and _is_wedge(seam, light))


def _is_wedge(seam: Seam, light: Field) -> bool:
    """Whether a band as a whole is darker than both its flanks all along.

    A gap that closes to one end, or that a board's side fills in part, has its middle line now in the dark
    and now on wood, and its borders do not run level with it.
    """
    if not LEAST_SHALLOW <= seam.height <= WEDGE_TALLEST or seam.share < WEDGE_SHARE:
        return False
    h, n = light.shape
    columns = np.arange(seam.first, seam.last + 1)
    middle = rows_along(seam, n)[columns]

    def mean(first: float, last: float) -> Floats:
        rows = np.rint(middle + np.linspace(first, last, 9)[:, None]).astype(int).clip(0, h - 1)
        return np.asarray(light[rows, columns].mean(axis=0), dtype=np.float64)

    half = seam.height / 2
    flank = np.minimum(mean(-half - 8, -half - 2), mean(half + 2, half + 8))
    least, typical = np.percentile(flank - mean(-0.8 * half, 0.8 * half), (10, 50))
    return bool(least >= WEDGE_DEPTHS[0] and typical >= WEDGE_DEPTHS[1])


def _boards_beside(seam: Seam, wood: Mask, least_rows: float, side_rows: Floats) -> bool:
    """Whether wood goes on for a board's width on both sides, not just for the upright side of one board.

    Beside a hairline it must nearly all along: a growth ring leaves a wedge. Beside a gap half of it will do.
    """
    reach_rows, least_share = (least_rows, 0.8) if seam.height <= HAIRLINE_ROWS else (0.5 * least_rows, 0.5)
    h, n = wood.shape
    columns = np.arange(seam.first, seam.last + 1)
    middle = rows_along(seam, n)[columns]
    side = float(side_rows[int(np.clip(middle.mean(), 0, h - 1))])
    ways = [
        np.rint(middle + way * (seam.height / 2 + reach_rows + max(way * side, 0.0)))
        .astype(int)
        .clip(0, h - 1)
        for way in (-1, 1)
    ]
    return all(wood[rows, columns].mean() > least_share for rows in ways)


def _band_depth(seam: Seam, light: Field, wood: Mask) -> float:
    """Median over the columns of how much darker (log light) the band is than what flanks it."""
    h, n = light.shape
    columns = np.arange(seam.first, seam.last + 1)
    middle = rows_along(seam, n)[columns]
    reach = seam.height / 2 + 3

    def at(offset: float) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
        return np.rint(middle + offset).astype(int).clip(0, h - 1), columns

    gap = ~wood[at(0)]
    flank = np.minimum(light[at(-reach)], light[at(reach)])
    return float(median(np.where(gap, 1.0, flank - light[at(0)])))


def _lies_in(line: Seam, band: Seam) -> bool:
    """Whether a hairline is part of a band, or its border."""
    return _apart(line, band) <= 0.5 * band.height + BORDER_ROWS


def _apart(a: Seam, b: Seam) -> float:
    first, last = abs(a.start - b.start), abs(a.start + a.drop - b.start - b.drop)
    crossing = (a.start - b.start) * (a.start + a.drop - b.start - b.drop) < 0
    return 0.0 if crossing else min(first, last)


def _bands_of_height(
    log_light: Field, wood: Mask, known: Mask, height: int, reach_rows: int, length_rows: float
) -> list[Seam]:
    """Best separators of one height; tall ones are searched at coarser rows."""
    pool = max(1, height // 4)
    h, n = log_light.shape
    rows = h // pool
    if rows < 12:
        return []
    light = log_light[: rows * pool].reshape(rows, pool, n).mean(axis=1)
    there = wood[: rows * pool].reshape(rows, pool, n).mean(axis=1).astype(np.float32)
    seen: Mask = np.asarray(known[: rows * pool].reshape(rows, pool, n).all(axis=1))
    say, counts = _dark_bands(
        light, there, seen, max(1, height // pool), max(2, reach_rows // pool), gaps=pool > 1
    )
    most_drop = int(MOST_SLOPE * length_rows / pool)
    total, drop = sum_along_lines(say, most_drop=most_drop)
    count, _ = sum_along_lines(counts, most_drop=most_drop)
    share = total / np.maximum(count, 0.12 * n) / CLIP
    share[count < 0.12 * n] = 0
    found = []
    reach, ends = 4, np.arange(rows) + drop[:, None]
    for _ in range(60):
        i, r = (int(k) for k in np.unravel_index(int(share.argmax()), share.shape))
        if share[i, r] < LEAST_SHARE:
            break
        if pool > 1:
            i, r = _middle_of_ties(share, drop, i, r)
        on_line = np.rint(r + drop[i] * (np.arange(n) + 0.5) / n).astype(int).clip(0, rows - 1)
        columns = np.flatnonzero(counts[on_line, np.arange(n)] > 0)
        if len(columns):
            span = int(columns[0]), int(columns[-1])
            place = float((r + 0.5) * pool), float(drop[i] * pool), float(height)
            found.append(Seam(*place, float(share[i, r]), *span))
        share[:, max(r - reach + 1, 0) : r + reach] = 0
        share[np.abs(ends - (r + drop[i])) < reach] = 0
    return found


def _middle_of_ties(share: Field, drop: NDArray[np.float64], i: int, r: int) -> tuple[int, int]:
    """A gap holds many lines that all agree as well as line (i, r): the one in their middle."""
    near = cv2.connectedComponents((share >= 0.98 * share[i, r]).astype(np.uint8))[1]
    drops, starts = np.nonzero(near == near[i, r])
    return int(np.rint(drops.mean())), int(np.rint(starts.mean()))


def _dark_bands(
    light: Field, there: Field, known: Mask, height: int, reach: int, *, gaps: bool
) -> tuple[Field, Field]:
    """Each pixel's say that a dark band of that height is centred on it, and where it has one.

    It has one between boards: with wood right above and below it, or on bare bench with wood
    within `reach` rows both ways.
    """
    flank = 3
    centre: Any = cv2.blur(light, (1, height), borderType=cv2.BORDER_REPLICATE)
    half = height // 2 + 1 + flank // 2
    beside: Any = cv2.blur(light, (1, flank), borderType=cv2.BORDER_REPLICATE)
    above, below = shift_rows(beside, half), shift_rows(beside, -half)
    wood: Any = cv2.blur(there, (1, flank), borderType=cv2.BORDER_CONSTANT)
    flanked = np.minimum(shift_rows(wood, half), shift_rows(wood, -half)) > 0.9
    bare = (there < 0.5) & known
    say = np.clip(np.minimum(above, below) - centre, -CLIP, CLIP) * flanked
    between = np.zeros_like(bare)
    if gaps:
        between = bare & _wood_within(there, reach) & _wood_within(there[::-1], reach)[::-1]
    say[between] = CLIP
    return say.astype(np.float32), (flanked | between).astype(np.float32)


def _wood_within(there: Field, reach: int) -> Mask:
    """Whether wood lies within `reach` rows above each place."""
    running = np.cumsum(there, axis=0)
    before = np.zeros_like(running)
    before[reach:] = running[:-reach]
    return np.asarray(running - before > 2)
