"""Seams too thin to show bench: boards touching along their length.

Where two boards touch, a hairline of shadow or a step in tone runs dead straight along both, level with
their edges, and ends where the boards' ends jump; often the jumps are all that shows. A growth ring or a
crack may be as dark, but it wanders, slants or stops. So every line is judged by how far its mean response
stands out from those of all other lines of its slope, and by the jumps at its ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from grainmatch.board.lines import sum_along_lines
from grainmatch.board.matched import CLIP, look_for_hairlines
from grainmatch.board.stops import Stops
from grainmatch.board.tonestep import TONE_STEP, differs_in_colour, follow_step, is_darkest
from grainmatch.model import Mask
from grainmatch.ranks import median

Field = NDArray[np.floating[Any]]
Floats = NDArray[np.float64]
MOST_SLOPE = 0.008
SLOPE_COST = 1000.0
"""Standing-out a line loses per unit of slope against the boards' edges."""
JUMP_WORTH = 0.8
MOST_JUMP_MM = 4.0
FREE_JUMP_MM = 1.0
JUMP_OVER_MM = 8.0
UNEVEN_MM = 1.5
ASKEW_FRAC = 0.1
UNSEEN_SIDE = 0.75
"""Standing-out a line gains per mm that the wood's end jumps beside it, from FREE_JUMP_MM on and up to
MOST_JUMP_MM an end; over how much width a jump must last; how uneven the end of the longer board may be up to
the seam, and by what share of the jump its corner may look otherwise; and what a jump counts if no side is
seen where one should show."""
LEAST_STANDING_OUT = 5.7
LEAST_JUMPS = 2.0
LEAST_SEEN = 2.0
SURE_JUMPS = 4.0
SURE_WORTH = 1.7
SURE_SLOPE_SHARE = 0.3
LEAST_SHOWN = 4.0
LEAST_ALONE = 7.0
LEAST_DEPTH = 0.01
"""What a line must reach with jumps at its ends; what those must bring, and the line itself unless it is
sure: that takes jumps at both ends, which then make up for a line that hardly shows and explain most of its
slope; what a line must reach to be taken for one whose jumps are sure but lie a little beside it; and what a
line must reach without jumps, and how much log light it must take. Of 87 heaps drawn with
wood drawn and real, a line inside a board reached 6 in two and none 7, which 87 in 100 of the seams did."""
LEAST_SHARE = 0.42
"""How many columns must agree on a line that counts without jumps: of 161 seams of drawn boards all but three
reached 0.47, two straight growth rings inside boards 0.30 and 0.38."""
NEAR_ROWS, LOOK_ROWS, LOOK_COLUMNS = 4, 6, 4
BORDER_ROWS = 2
"""How far beside a hairline, and beside a border, light is read, over how many columns at once; and how many
rows a border takes up."""
CLIP_STEP = 0.06
LEAST_SPREAD = 0.03
LEAST_STEP = 9.0
LEAST_STEP_SHARE = 0.5
STEP_COST = 2.4
FAINT_COST, UNSEEN_COST = 1.0, 1e3
"""Log light by which one column can at most speak for a step in tone, and the least spread of what lines say,
as a share of it. A step in tone alone is weaker evidence than a line of shadow, for a streak of heartwood
makes one too: what it must reach alone, how many columns must agree unless jumps make it sure, and what it
counts less."""


@dataclass(frozen=True)
class Seam:
    """A separator's centre line in rows: row(column) = start + drop * column / columns.

    height is how many rows it takes up; share is how well the columns agree, 0..1; first and last are
    the columns between which boards lie on both sides; clear: whether it stands out by itself as a hairline
    or step, whatever the boards' ends do.
    """

    start: float
    drop: float
    height: float
    share: float
    first: int
    last: int
    clear: bool = False


def rows_along(seam: Seam, n: int) -> Floats:
    """Row index of the seam's centre in each of n columns (row centres whole)."""
    return np.asarray(seam.start + seam.drop * (np.arange(n) + 0.5) / n - 0.5)


def find_hairlines(
    log_light: Field,
    looks: NDArray[np.float32],
    wood: Mask,
    *,
    rows_per_mm: float,
    length_rows: float,
    stops: Stops,
) -> list[Seam]:
    """Hairline seams in a picture (h, 2^k) of log light, and in each colour (h, 2^k, 3), best first; stops:
    where wood ends in its rows."""
    most_drop = min(int(MOST_SLOPE * length_rows), log_light.shape[1] - 1)
    drop = np.arange(-most_drop, most_drop + 1.0)
    jumps = _jumps(stops, drop, len(log_light), rows_per_mm)
    sure = jumps >= SURE_JUMPS
    askew = (SLOPE_COST / length_rows * np.abs(drop))[:, None] * np.where(sure, SURE_SLOPE_SHARE, 1.0)
    seen = look_for_hairlines(looks, wood)
    least = LEAST_DEPTH / LEAST_ALONE * seen.per_log_light
    standing, share = _standing_out(seen.say, seen.told.astype(np.float32), most_drop, least)
    dip = standing - askew  # lighter lines than the wood are no shadow
    step, step_share = _step_lines(log_light, wood.astype(np.float32), most_drop, sure)
    step = step - askew

    told = jumps + SURE_WORTH * sure
    # Jumps tell a seam, but not where it is as well as a line that shows.
    reach = 2 * int(JUMP_OVER_MM * rows_per_mm) + 1
    near = np.asarray(cv2.dilate(told, np.ones((1, reach))))

    def judge(score: Floats, clear: Mask) -> tuple[Floats, Mask]:
        by_jumps = sure | ((jumps >= LEAST_JUMPS) & (score >= LEAST_SEEN))
        alone = clear | ((near >= LEAST_JUMPS) & (score >= LEAST_ALONE))
        shows = alone | ((near >= SURE_JUMPS + SURE_WORTH) & (score >= LEAST_SHOWN))
        return np.where(by_jumps | shows, score + np.where(shows, near, told), -np.inf), alone

    agree = np.maximum(share, 0) / CLIP
    clear_dip = (dip >= LEAST_ALONE) & (agree >= LEAST_SHARE)
    clear_step = (step >= LEAST_STEP) & (step_share >= LEAST_STEP_SHARE)
    as_dip = _Lines(*judge(dip, clear_dip), agree, clear_dip, sure)
    as_step = _Lines(*judge(step, clear_step), step_share, clear_step, np.ones_like(sure))
    return _peaks(as_dip, as_step, drop, log_light, looks, wood, max(4, int(4 * rows_per_mm)))


def _step_lines(light: Field, there: Field, most_drop: int, sure: Mask) -> tuple[Floats, Floats]:
    """(standing-out of each line as a step in tone, mean say 0..1)."""
    standing, mean = _standing_out(*_steps(light, there), most_drop, LEAST_SPREAD * CLIP_STEP)
    share = np.abs(mean) / CLIP_STEP
    faint = np.where(sure, FAINT_COST, UNSEEN_COST) * (share < LEAST_STEP_SHARE)
    return np.where(np.isfinite(standing), np.abs(standing), -np.inf) - STEP_COST - faint, share


def _steps(light: Field, there: Field) -> tuple[Field, Field]:
    """How much lighter the five rows above are than the five below (signed), and where wood flanks it."""
    beside: Any = cv2.blur(light, (1, 5), borderType=cv2.BORDER_REPLICATE)
    wood: Any = cv2.blur(there, (1, 5), borderType=cv2.BORDER_CONSTANT)
    flanked = np.minimum(shift_rows(wood, 4), shift_rows(wood, -3)) > 0.9
    step = np.clip(shift_rows(beside, 4) - shift_rows(beside, -3), -CLIP_STEP, CLIP_STEP)
    return step * flanked, flanked.astype(np.float32)


def shift_rows(field: Field, rows: int) -> Field:
    """The field moved down by rows, so that each place reads what lies `rows` above it."""
    moved = np.zeros_like(field)
    if rows > 0:
        moved[rows:] = field[:-rows]
    else:
        moved[:rows] = field[-rows:]
    return moved


def _standing_out(say: Field, counts: Field, most_drop: int, least_spread: float) -> tuple[Floats, Floats]:
    """(robust z of each line among those of its slope, its mean say)."""
    n = say.shape[1]
    total, _ = sum_along_lines(say, most_drop=most_drop)
    count, _ = sum_along_lines(counts, most_drop=most_drop)
    agree = np.where(count >= 0.12 * n, total / np.maximum(count, 0.12 * n), np.nan)
    enough = np.isfinite(agree).sum(axis=1) > 30
    z = np.full(agree.shape, -np.inf)
    a = agree[enough]
    middle = _medians(a)
    spread = 1.4826 * _medians(np.abs(a - middle))
    z[enough] = (a - middle) / np.maximum(spread, least_spread)
    return np.nan_to_num(z, nan=-np.inf, neginf=-np.inf), np.nan_to_num(agree)


def _medians(values: Floats) -> Floats:
    """The median (m, 1) of what is known in each row; numpy's own goes row by row where some is not."""
    ranked, known = np.sort(values, axis=1), np.isfinite(values).sum(axis=1, keepdims=True)
    lower, upper = (np.take_along_axis(ranked, k // 2, axis=1) for k in (known - 1, known))
    return np.asarray((lower + upper) / 2)


def _jumps(stops: Stops, drop: Floats, h: int, rows_per_mm: float) -> Floats:
    """What the jumps of both ends add to each line (drops, h)."""
    rows = np.arange(len(stops.side_mm))
    per_mm = rows_per_mm / stops.every_rows
    half = max(2, int(0.5 * JUMP_OVER_MM * per_mm))
    side = stops.side_mm * per_mm
    worth = []
    for end, inward, outward in zip(stops.ends_mm, stops.inward_mm, (-1, 1), strict=True):
        seen = np.flatnonzero(np.isfinite(end))
        if not len(seen):
            worth.append(np.zeros(h))
            continue
        reach = outward * np.interp(rows, seen, end[seen])
        above = _reaches_farther(reach, side.clip(0), inward, half)
        below = _reaches_farther(reach[::-1], (-side[::-1]).clip(0), inward[::-1], half)
        either = np.maximum(above, np.roll(below[::-1], 1))
        worth.append(JUMP_WORTH * np.repeat(either, stops.every_rows)[:h])
    last = np.rint(np.arange(h) + drop[:, None]).astype(int).clip(0, h - 1)
    return np.asarray(worth[0][None, :] + worth[1][last])


def _reaches_farther(reach: Floats, side_rows: Floats, inward: Floats, half: int) -> Floats:
    """How many mm, within limits, a board that stops above a row (h,) would reach farther than one below it.

    It ends evenly up to there. Beyond, the camera may see its side: the wood's end then runs inward along the
    side's corner, over side_rows in all, as far as the board below reaches.
    """
    h = len(reach)
    rows = np.arange(h)
    wide = np.pad(reach, (2 * half, 4 * half), mode="edge")  # row r is wide[r + 2 * half]
    whole, part, near = (
        median(sliding_window_view(wide, n), axis=1)[: h + 3 * half] for n in (2 * half, half, half // 2 + 1)
    )
    last = len(whole) - 1
    even = np.abs(part[:h] - part[half : h + half]) < UNEVEN_MM

    def step(foot: NDArray[np.int_]) -> Floats:
        """What ends above each row reach farther than those from row `foot` on, both near and in all."""
        below = (foot + 2 * half).clip(None, last)
        before = rows + 2 * half - (half // 2 + 1)
        return np.asarray(np.minimum(whole[:h] - whole[below], near[before] - near[below]))

    foot = np.rint(rows + side_rows).astype(int)
    farther = step(foot)
    as_seen = np.ones(h, dtype=bool)
    for down in (1.5 * half, side_rows - 0.5 * half):
        there = part[np.rint(rows + down + 1.5 * half).astype(int).clip(0, last)]
        corner = whole[:h] - np.minimum(farther, inward * np.clip(down / np.maximum(side_rows, 1e-6), 0, 1))
        as_seen &= np.abs(there - corner) < FREE_JUMP_MM + ASKEW_FRAC * np.abs(farther)
    seen_side = np.where(side_rows > 2 * half, farther * as_seen, farther) * even
    plain = step(rows) * even
    # At the foot of a side that is seen the wood's end jumps too, though no board begins there.
    feet = np.zeros(h + 1)
    np.maximum.at(feet, foot.clip(0, h), seen_side)
    feet = np.max(sliding_window_view(np.pad(feet[:h], half), 2 * half + 1), axis=1)
    unseen = np.where((side_rows > 1) & (feet < plain), UNSEEN_SIDE * plain, 0.0)
    return np.asarray((np.maximum(seen_side, unseen) - FREE_JUMP_MM).clip(0, MOST_JUMP_MM))


@dataclass(frozen=True, eq=False)
class _Lines:
    """What is known of every line (drops, h): its score, whether it stands out as much as a line alone must,
    how many columns agree, whether it is clear by itself, and whether it may be lighter than what lies beside
    it."""

    score: Floats
    alone: Mask
    share: Floats
    clear: Mask
    any_light: Mask


def _peaks(
    as_dip: _Lines,
    as_step: _Lines,
    drop: Floats,
    light: Field,
    looks: NDArray[np.float32],
    there: Mask,
    apart_rows: int,
) -> list[Seam]:
    """The best lines, taken as dips of light or steps in it.

    What is darker than one side only is the border of something dark, and counts as a step.
    """
    h, n = there.shape
    score = np.maximum(as_dip.score, as_step.score)
    middle = np.arange(h)[None, :] + drop[:, None] / 2
    found: list[Seam] = []
    for _ in range(60):
        i, r = (int(k) for k in np.unravel_index(int(score.argmax()), score.shape))
        if score[i, r] < LEAST_STANDING_OUT or len(found) == 30:
            break
        apart = np.abs(middle - r - drop[i] / 2)
        as_is = r + 0.5, float(drop[i])
        line = np.rint(r + drop[i] * (np.arange(n) + 0.5) / n).astype(int).clip(0, h - 1)
        columns = np.flatnonzero(there[line, np.arange(n)])
        kind = as_step if score[i, r] == as_step.score[i, r] else as_dip
        judged = len(columns) > 0 and not kind.any_light[i, r]
        alone = bool(kind.alone[i, r])
        place = _place_dip(looks, light, line[columns], columns, as_is, alone) if judged else as_is
        if place is None:
            score[apart < BORDER_ROWS] = as_step.score[apart < BORDER_ROWS]
            continue
        if len(columns):
            share = float(np.clip(kind.share[i, r], 0, 1))
            span = int(columns[0]), int(columns[-1])
            found.append(Seam(*place, 1.0, share, *span, clear=bool(kind.clear[i, r])))
        score[apart < apart_rows] = -np.inf
    return found


def _place_dip(
    looks: NDArray[np.float32],
    light: Field,
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    place: tuple[float, float],
    alone: bool,
) -> tuple[float, float] | None:
    """A line's start and drop: as they are when it is darker than both its sides; of the border between two
    woods when it is that; None when it is the border of something else, such as a gap.

    What stands out alone is a hairline also where its boards differ in tone by less than a board and its own
    side in shade do, or in colour: blurred, it is then hardly darker than the darker of them.
    """
    off = np.arange(-LOOK_ROWS, LOOK_ROWS + 1)[:, None]
    at = (rows + off).clip(0, len(light) - 1)
    profile = light[at, columns].mean(axis=1)
    near = profile[LOOK_ROWS - NEAR_ROWS : LOOK_ROWS + NEAR_ROWS + 1]
    if is_darkest(near):
        return place
    if alone and abs(profile[-3:].mean() - profile[:3].mean()) < TONE_STEP[0]:
        return place
    seen = looks[at, columns]
    if not differs_in_colour(median(seen[-3:].mean(axis=0) - seen[:3].mean(axis=0), axis=0)):
        return None
    if alone and is_darkest(near, step_share=0.0):
        return place
    whole = len(columns) // LOOK_COLUMNS * LOOK_COLUMNS
    profiles = median(light[at, columns][:, :whole].reshape(len(off), -1, LOOK_COLUMNS), axis=2).T
    x, base = (each[:whole].reshape(-1, LOOK_COLUMNS).mean(axis=1) + 0.5 for each in (columns, rows))
    step = follow_step(profiles, x, base)
    return None if step is None else (step[0], step[1] * light.shape[1])
