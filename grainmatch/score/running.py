"""Do two edges belong to one piece of wood? The pile itself teaches how its wood runs on across a gap.

Inside every strip the same wood can be looked at on both sides of a gap that was never cut. From such
pairs of places we learn which differences along the length survive a gap and how well:
the canonical correlations of Hotelling (1936), "Relations between two sets of variates", Biometrika 28,
between what is seen above the gap and what is seen below it. Two edges are then compared by the
logarithm of the likelihood ratio, joint normal against independent, summed along the length.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.score.views import Cut, Image, Views, blur

Floats = NDArray[np.float64]
SCALE_PX = {"tone": 24.0, "texture": 48.0}
"""Finer and coarser scales were tried: on wood not seen before they blur the answer more than they help."""
GAP_FRAC = 0.30
"""Gap that is learnt across, as a share of the strip's height: between a thin and a thick saw cut."""
_BANDS_FRAC = ((0.01, 0.05), (0.05, 0.13), (0.13, 0.25))
_CLIP = 3.5
"""Standard deviations beyond which a place (a knot, a stain) says no more."""
_EXPOSURE_SIGMA = 0.05 / np.sqrt(3)
"""How far exposures of single strips may differ, log lightness: 5 % either way."""


@dataclass(frozen=True, eq=False)
class _Lesson:
    """What one scale taught: spread (D,) and mix (D, D) make features white, r (D,) their correlations."""

    spread: Floats
    mix: Floats
    r: Floats

    def look(self, features: Image) -> Image:
        """Features (..., D) as white ones."""
        seen = np.clip(features / self.spread.astype(np.float32), -_CLIP, _CLIP) @ self.mix.astype(np.float32)
        return np.asarray(np.clip(seen, -_CLIP, _CLIP))


def price_running(views: Views, cuts: Sequence[Cut]) -> list[dict[str, Floats]]:
    """Minus the log likelihood ratio of every seam, (n, 2, n, 2), by kind and scale, for each cut.

    Seams inside the strips are judged by what the other half of the strips taught.
    """
    jobs: list[tuple[str, Callable[[], list[Floats]]]] = []
    for kind, pair in (("tone", views.tone), ("texture", views.texture)):
        mean = pair[0].mean(axis=(0, 2, 3), keepdims=True)
        upper = pair[0] - mean
        fields = (upper, upper if pair[1] is pair[0] else pair[1] - mean)
        jobs.append((f"{kind} mean", partial(_price_mean, fields, cuts, exposure=kind == "tone")))
        if SCALE_PX[kind] * 6 <= upper.shape[-1]:
            jobs.append((f"{kind} running", partial(_price_scale, fields, cuts, SCALE_PX[kind])))
    with ThreadPoolExecutor(2) as pool:
        priced = list(pool.map(lambda job: job[1](), jobs))
    return [
        {name: prices[k] for (name, _), prices in zip(jobs, priced, strict=True)} for k in range(len(cuts))
    ]


def _price_scale(fields: tuple[Image, Image], cuts: Sequence[Cut], scale_px: float) -> list[Floats]:
    upper = _filter(fields[0], scale_px)
    seen = (upper, upper if fields[1] is fields[0] else _filter(fields[1], scale_px))
    return _price(seen, cuts, scale_px, fields[0].shape[-1], exposure=False)


def _price_mean(fields: tuple[Image, Image], cuts: Sequence[Cut], *, exposure: bool) -> list[Floats]:
    upper, lower = (f.mean(axis=-1, keepdims=True) for f in fields)
    width = fields[0].shape[-1]
    return _price((upper, lower), cuts, width, width, exposure=exposure)


def _filter(field: Image, scale_px: float) -> Image:
    """What varies along the length at one scale, sampled once a scale."""
    flat = field.reshape(-1, field.shape[-1])
    shrink = max(1, int(scale_px / 2))
    if shrink > 1:
        size = (flat.shape[1] // shrink, flat.shape[0])
        flat = np.asarray(cv2.resize(flat, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    slow = blur(flat, scale_px / shrink, 0) - blur(flat, 2 * scale_px / shrink, 0)
    step = max(1, int(scale_px) // shrink)
    count = (flat.shape[1] - 1) // step + 1
    start = (flat.shape[1] - 1 - (count - 1) * step) // 2  # the samples must lie even from both ends
    return np.ascontiguousarray(slow[:, start::step][:, :count]).reshape(*field.shape[:-1], -1)


def _price(
    fields: tuple[Image, Image], cuts: Sequence[Cut], scale_px: float, width_px: int, *, exposure: bool
) -> list[Floats]:
    upper, lower = fields
    rows = upper.shape[2]
    bands = [(round(a * rows), max(round(b * rows), round(a * rows) + 1)) for a, b in _BANDS_FRAC]
    strips = np.arange(len(upper))
    lesson = _learn(upper, bands, scale_px, width_px, exposure=exposure)
    halves = []
    if len(strips) > 3 and any(cut.inside for cut in cuts):
        halves = [
            _learn(upper[strips % 2 == k], bands, scale_px, width_px, exposure=exposure) for k in (1, 0)
        ]
    upper_sums, lower_sums = _running_sum(upper), _running_sum(lower)
    prices = []
    for cut in cuts:
        top = _below(upper_sums, bands, cut.top_row)
        bottom = _above(upper_sums if cut.inside else lower_sums, bands, cut.bottom_row)
        if cut.inside and halves:
            both = [_compare(half, top, bottom) for half in halves]
            prices.append(np.where((strips % 2 == 0)[:, None, None, None], both[0], both[1]))
        else:
            prices.append(_compare(lesson, top, bottom))
    return prices


def _compare(lesson: _Lesson, top: Image, bottom: Image) -> Floats:
    above = lesson.look(np.stack([bottom, top[:, ::-1]], axis=1))
    below = lesson.look(np.stack([top, bottom[:, ::-1]], axis=1))
    r = lesson.r.astype(np.float32)
    rest = 1 - r**2
    own = r**2 / (2 * rest)
    first, second = ((above**2) @ own).sum(axis=2), ((below**2) @ own).sum(axis=2)
    n = len(above)
    shared = (above * (r / rest)).reshape(2 * n, -1) @ below.reshape(2 * n, -1).T
    fixed = 0.5 * float(np.log(rest).sum()) * above.shape[2]
    return np.asarray(
        fixed + first[:, :, None, None] + second[None, None] - shared.reshape(n, 2, n, 2), dtype=np.float64
    )


def _learn(
    field: Image, bands: list[tuple[int, int]], scale_px: float, width_px: int, *, exposure: bool
) -> _Lesson:
    """Correlate what is seen on both sides of gaps inside the strips."""
    strips_n, _, rows, _ = field.shape
    depth, gap = bands[-1][1], max(1, round(GAP_FRAC * rows))
    sums = _running_sum(field)
    starts = range(depth, max(depth + 1, rows - depth - gap + 1), max(1, gap // 6))
    over = np.stack([_above(sums, bands, y) for y in starts])
    under = np.stack([_below(sums, bands, min(y + gap, rows - depth)) for y in starts])
    if exposure:  # the first of every three features is log lightness
        shift = np.random.default_rng(0).normal(0, _EXPOSURE_SIGMA, over.shape[:3])[..., None]
        over[..., ::3] += shift
        under[..., ::3] -= shift
    over, under = over.reshape(-1, over.shape[-1]), under.reshape(-1, under.shape[-1])
    spread = np.sqrt((over**2 + under**2).mean(axis=0) / 2) + 1e-9
    over, under = np.clip(over / spread, -_CLIP, _CLIP), np.clip(under / spread, -_CLIP, _CLIP)
    independent_n = (
        strips_n * max(1.0, width_px / (2 * scale_px)) * max(1.0, (rows - 2 * depth - gap) / (2 * depth))
    )
    mix, r = _correlate(over, under, independent_n)
    return _Lesson(spread, mix, r)


def _correlate(over: Floats, under: Floats, independent_n: float) -> tuple[Floats, Floats]:
    """Directions and correlations, shrunk by how few independent places they were learnt from.

    The same directions serve both sides: wood does not know which way is up.
    """
    count, size = over.shape
    own = (over.T @ over + under.T @ under) / (2 * count)
    both = (over.T @ under + under.T @ over) / (2 * count)
    shrink = (size + 1) / (size + 1 + independent_n)
    own = (1 - shrink) * own + shrink * np.diag(np.diag(own)) + 1e-9 * np.eye(size)
    value, axis = np.linalg.eigh(own)
    white = axis / np.sqrt(value)
    r, turn = np.linalg.eigh(white.T @ ((1 - shrink) * both) @ white)
    return white @ turn, np.clip(r, -0.98, 0.98)


def _running_sum(field: Image) -> Image:
    """Sum of the rows before each row: (n, K, rows + 1, m)."""
    return np.concatenate([np.zeros_like(field[:, :, :1]), np.cumsum(field, axis=2)], axis=2)


def _below(sums: Image, bands: list[tuple[int, int]], row: int) -> Image:
    """Band means going down from a row, nearest first: (n, m, bands * K)."""
    return _stack([(sums[:, :, row + b] - sums[:, :, row + a]) / np.float32(b - a) for a, b in bands])


def _above(sums: Image, bands: list[tuple[int, int]], row: int) -> Image:
    """Band means going up from a row, nearest first: (n, m, bands * K)."""
    return _stack([(sums[:, :, row - a] - sums[:, :, row - b]) / np.float32(b - a) for a, b in bands])


def _stack(means: list[Image]) -> Image:
    stacked = np.stack(means, axis=1)  # n, bands, K, m
    return np.moveaxis(stacked, 3, 1).reshape(stacked.shape[0], stacked.shape[3], -1)
