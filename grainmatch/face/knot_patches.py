"""Where a knot ends: the patch of odds that looks most like a whole knot.

The pixel model's odds, cut at rising levels, give patches nested in one another: too wide, about right, the
dark heart alone. A second small model, with measures of each patch and its rim, predicts how well the
patch's box would cover a labelled knot, and of each nest the patches with the best prospects are kept (the
component tree of maximally stable regions, Matas et al., BMVC 2002, with scores learned as by Arteta et al.,
MICCAI 2012). Its weights stand in knots.json beside the pixel model's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.grid import Floats, blur, find_runs_near
from grainmatch.model import Mask

LEVELS = (0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.87, 0.92, 0.95, 0.97, 0.985)
LEAST_PEAK = 0.6  # odds that the surest pixels of a knot reach
_SOFT_MM = 0.35
_RIM_MM = 1.0
_AROUND_MM = 3.0
_SAME_AREA = 0.93  # a patch this close to its parent's area says nothing new
_LEAST_PIXELS = 4


@dataclass(frozen=True, eq=False)
class Patch:
    """One piece of the odds above a level: its upper left corner in the picture, its mask (h, w) uint8,
    holes filled, the level, and the list place of the patch around it, -1 for an outermost one."""

    left: int
    top: int
    mask: NDArray[np.uint8]
    level: float
    parent: int


def find_patches(odds: Floats, *, scale: float) -> list[Patch]:
    """All nested patches worth judging in odds (h, w), parents before children; scale is pixels per mm."""
    found: list[Patch] = []
    reach = math.ceil(4 * _SOFT_MM * scale)
    for start, end in find_runs_near(odds.max(axis=0) > LEVELS[0], reach):  # most of a face has no odds
        soft = blur(odds[:, start:end], _SOFT_MM * scale, _SOFT_MM * scale)
        roots = (soft > LEVELS[0]).astype(np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(roots)
        for index in range(1, len(stats)):
            left, top, width, height, size = (int(v) for v in stats[index])
            window = (slice(top, top + height), slice(left, left + width))
            if size < _LEAST_PIXELS or soft[window].max() <= LEAST_PEAK:
                continue
            part = np.where(labels[window] == index, soft[window], np.float32(0))
            if part.max() > LEAST_PEAK:
                _add_nest(found, part, start + left, top)
    return found


def _add_nest(found: list[Patch], part: Floats, left: int, top: int) -> None:
    """Append the patches of one outermost piece; part (h, w) is its odds, 0 around it."""
    owner = np.full(part.shape, -1, dtype=np.int64)
    for level in LEVELS:
        n, labels, stats, _ = cv2.connectedComponentsWithStats((part > level).astype(np.uint8))
        for index in range(1, n):
            x, y, w, h, size = (int(v) for v in stats[index])
            if size < _LEAST_PIXELS:
                continue
            window = (slice(y, y + h), slice(x, x + w))
            held = labels[window] == index
            parent = int(owner[window][held][0])
            if parent >= 0 and size > _SAME_AREA * np.count_nonzero(owner[window] == parent):
                continue
            owner[window][held] = len(found)
            found.append(Patch(left + x, top + y, _fill(held), level, parent))


def _fill(held: Mask) -> NDArray[np.uint8]:
    outlines, _ = cv2.findContours(held.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(held.shape, dtype=np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, -1)
    return filled


def measure_patches(patches: list[Patch], odds: Floats, lab: Floats, *, scale: float) -> Floats:
    """The measures (n, 20) the patch model judges by, float32; lab and odds share the pixels."""
    if not patches:
        return np.zeros((0, 20), dtype=np.float32)
    rows = [_measure(p, odds, lab, scale) for p in patches]
    areas = np.array([p.mask.sum() for p in patches], dtype=np.float64)
    parents = np.array([p.parent for p in patches])
    children = np.bincount(parents[parents >= 0], minlength=len(patches))
    growth = np.where(parents >= 0, np.log(areas[parents] / areas), 0.0)
    return np.asarray(np.column_stack([rows, growth, np.minimum(children, 3)]), dtype=np.float32)


def _measure(patch: Patch, odds: Floats, lab: Floats, scale: float) -> list[float]:
    """Size, form, odds within and about the rim, colour against the wood around."""
    height, width = patch.mask.shape
    reach = max(2, round(_AROUND_MM * scale))
    top, left = max(0, patch.top - reach), max(0, patch.left - reach)
    bottom = min(odds.shape[0], patch.top + height + reach)
    right = min(odds.shape[1], patch.left + width + reach)
    mask = np.zeros((bottom - top, right - left), dtype=np.uint8)
    mask[patch.top - top : patch.top - top + height, patch.left - left : patch.left - left + width] = (
        patch.mask
    )
    near = max(1, round(_RIM_MM * scale))
    outer = cv2.dilate(mask, np.ones((2 * near + 1,) * 2, np.uint8))
    around = cv2.dilate(mask, np.ones((2 * reach + 1,) * 2, np.uint8))
    inner = cv2.erode(mask, np.ones((2 * near + 1,) * 2, np.uint8), borderValue=1)
    chance, colour = odds[top:bottom, left:right], lab[top:bottom, left:right]
    within = mask > 0
    rings = [
        r.view(np.uint8) for r in (within & (inner == 0), (outer > 0) & ~within, (around > 0) & (outer == 0))
    ]
    tones = np.array([cv2.mean(colour, m)[:3] for m in (mask, *rings)])
    hopes = [cv2.mean(chance, m)[0] for m in (mask, *rings)]
    points = np.argwhere(patch.mask)[:, ::-1].astype(np.int32)
    hull = float(cv2.contourArea(cv2.convexHull(points))) + 0.5 * (height + width)
    _, sides, _ = cv2.minAreaRect(points)
    area = float(len(points))
    cut = patch.left == 0 or patch.left + width == odds.shape[1]
    dark = float(np.percentile(colour[..., 0][within], 10))
    drops = tones[3] - tones[0]
    size = [np.log(width / scale), np.log(height / scale), np.log(area / scale**2)]
    form = [area / (width * height), area / hull, np.log((max(sides) + 1) / (min(sides) + 1))]
    rim = [tones[3, 0] - dark, tones[2, 0] - tones[1, 0], tones[3, 0] - tones[2, 0]]
    return [*size, *form, *hopes, np.log(patch.level / (1 - patch.level)), *drops, *rim, float(cut)]


def choose_patches(patches: list[Patch], worth: Floats, *, least: float) -> list[int]:
    """Places of the patches that together promise most beyond `least` each, none within another."""
    gain = np.asarray(worth, dtype=np.float64) - least
    best = np.maximum(gain, 0)
    below = np.zeros(len(patches))
    for index in range(len(patches) - 1, -1, -1):
        best[index] = max(gain[index], below[index], 0.0)
        if patches[index].parent >= 0:
            below[patches[index].parent] += best[index]
    open_: list[bool] = []
    chosen = []
    for index, patch in enumerate(patches):
        free = patch.parent < 0 or open_[patch.parent]
        taken = free and best[index] > 0 and gain[index] >= below[index]
        if taken:
            chosen.append(index)
        open_.append(free and not taken)
    return chosen


def outline_patch(patch: Patch) -> NDArray[Any]:
    """Border pixels (n, 2) of a patch in the picture's pixels."""
    outlines, _ = cv2.findContours(patch.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max((np.asarray(o).reshape(-1, 2) for o in outlines), key=len)
    return np.asarray(longest + np.array([patch.left, patch.top]))
