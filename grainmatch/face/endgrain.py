"""Rings on a board's end: where the pith lies, which face is the bark side, how the rings stand.

Two steps. First every small patch votes: the normal of its ring line, from the structure tensor at
three scales (Bigun & Granlund 1987), passes through the pith, so a grid of pith places is scored by
how well all normals agree (a mixture of a von Mises law on the doubled angle and a flat share for
saw marks and checks). Then the best place on each side of mid-thickness is refined by turning the
picture about it: about the true pith a small turn changes nothing, whatever the rings' widths are.
The two sides are compared patch by patch, so 'cannot tell' comes from the same numbers as the answer.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import i0e, ndtr

from grainmatch.colour import srgb_to_lab
from grainmatch.face.picture import check_picture
from grainmatch.model import EndGrain, Mask, Rgb, Side

Floats = NDArray[np.floating[Any]]
Image = NDArray[np.float32]

_WIDTH_PX, _HEIGHT_PX = 440, 220  # the picture is read at about this size, whatever it came in
_NARROWEST_PX = 24  # ... and no side of it with fewer pixels: the margins would leave nothing
_SCALES_PX = ((1.0, 5.0), (2.0, 7.0), (3.5, 10.0))  # gradient and window sigma of each structure tensor
_LAGS_PX = (8.0, 16.0, 24.0)  # arc lengths over which rings must look the same
_RADIAL_LAGS_PX = (5.0, 8.0, 11.0)
_BLACK_L, _WHITE_L = 3.0, 97.0
_LEAST_PX = 16
_LEAST_WOOD_PX = 400
_NO_RINGS = "No rings can be seen; the end may be painted, waxed or roughly sawn."
_OUTLIER_FRAC = 0.15
_BLOCKS_N = 12
_FARTHEST = 8.0  # pith distance in picture widths beyond which rings count as straight
_ECCENTRIC_FRAC = 0.12  # real rings are not circles: least relative sigma of the pith's distance

# Limits of 'cannot tell', from discs of Douglas fir against noise, stripes and brush strokes.
_LEAST_SHARE = 0.2  # of the picture's variance that runs along the rings
_MOST_BLOTCHY = 0.75  # likeness across the rings over likeness along them; blots have about 1
_STRAIGHT = 6.0  # pith distance in picture widths
_LEAST_T = 1.3  # Student's t of the blocks' preference for this side over the other


@dataclass(frozen=True, eq=False)
class _Normals:
    """Ring normals at patches: place x, y (n,) in working px, cos2 and sin2 of the doubled angle, kappa: the
    sharpness of the vote, area: its weight."""

    x: Image
    y: Image
    cos2: Image
    sin2: Image
    kappa: Image
    area: Image

    def every(self, n: int) -> _Normals:
        """Every n-th of them."""
        return _Normals(*(getattr(self, f.name)[::n] for f in fields(self)))


@dataclass(frozen=True, eq=False)
class _Fit:
    """A pith place: direction and log distance from the picture's middle in working px; below: the side of
    mid-depth; likeness: of the picture with itself turned about it, and the same for each block."""

    direction_rad: float
    log_distance: float
    below: bool
    likeness: float
    block_likeness: NDArray[np.float64]


def read_end(rgb: Rgb, *, px_per_mm: float, inside: Mask | None = None) -> EndGrain:
    """Read the rings of one board end: a picture (h, w, 3) of the left end from outside, show face up.

    inside (h, w) marks the wood when the picture holds more than the end; the picture's edges are taken as
    the end's. Of a usable picture it always returns a record; when the rings do not tell (paint, wax, rough
    saw marks, rings too straight or upright) bark_side is None and `reason` says so in words. Raises
    BoardError for what is no colour picture, under 16 pixels high or wide or without scale, and for a mask of
    another size.
    """
    check_picture("The picture of the end", rgb, inside, px_per_mm=px_per_mm, least_px=_LEAST_PX)
    rings, on_wood, scale = _prepare(rgb, inside)
    if on_wood.sum() < _LEAST_WOOD_PX:
        h, w = rgb.shape[:2]
        nowhere_mm = 10 * math.hypot(h, w) / px_per_mm
        return EndGrain(None, 0.0, h / px_per_mm / 2, nowhere_mm, 0.0, 0.0, 0.0, _NO_RINGS)
    normals = _ring_normals(rings, on_wood)
    smooth = np.asarray(cv2.GaussianBlur(rings, (0, 0), 1.2), dtype=np.float32)
    smooth[~on_wood] = np.nan
    starts = _vote(normals, rings.shape)
    fits = [_refine(smooth, start, below) for start, below in zip(starts, (True, False), strict=True)]
    best, other = sorted(fits, key=lambda f: -f.likeness)
    mm_per_px = 1 / (px_per_mm * scale)
    return _record(smooth, best, other, mm_per_px)


def ring_angle_deg(end: EndGrain, across_mm: ArrayLike, *, depth_mm: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Angle of the rings to the faces, 0 (flat) to 90 (upright), at places on the end.

    across_mm is measured from the centre line towards the lower edge and depth_mm below the show face, as
    in EndGrain; both broadcast. Rings are taken as circles about the pith.
    """
    across = np.abs(np.asarray(across_mm, dtype=np.float64) - end.pith_across_mm)
    depth = np.abs(np.asarray(depth_mm, dtype=np.float64) - end.pith_depth_mm)
    return np.degrees(np.arctan2(across, depth))


def _prepare(rgb: Rgb, inside: Mask | None) -> tuple[Image, Mask, float]:
    """Evened lightness at the working size, where it is wood, and working px per picture px."""
    h, w = rgb.shape[:2]
    # A thin, wide end is read wider: stretched one way only, its circles would be none.
    scale = max(min(_WIDTH_PX / w, _HEIGHT_PX / h), _NARROWEST_PX / min(w, h))
    size = round(w * scale), round(h * scale)
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    light = np.asarray(srgb_to_lab(np.asarray(small, dtype=np.uint8))[..., 0], dtype=np.float32)
    wood = (light > _BLACK_L) & (light < _WHITE_L)  # nothing can be read in glare or the dark beside the end
    if inside is not None:
        share = np.asarray(cv2.resize(inside.astype(np.float32), size, interpolation=cv2.INTER_AREA))
        wood &= share > 0.99
    weight = np.asarray(cv2.erode(wood.astype(np.float32), np.ones((5, 5))))
    norm = cv2.GaussianBlur(weight, (0, 0), 25) + 1e-6
    flat = (light - cv2.GaussianBlur(light * weight, (0, 0), 25) / norm) * weight
    spread = np.sqrt(cv2.GaussianBlur(flat * flat, (0, 0), 25) / norm)
    return np.asarray(flat / (spread + 1.0), dtype=np.float32), weight > 0.5, scale


def _ring_normals(rings: Image, on_wood: Mask) -> _Normals:
    """Normals of the ring lines on a grid of patches, from the structure tensor at each scale."""
    parts: list[tuple[Floats, ...]] = []
    for gradient_px, window_px in _SCALES_PX:
        soft = cv2.GaussianBlur(rings, (0, 0), gradient_px)
        gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3)
        xx, yy, xy = (cv2.GaussianBlur(g, (0, 0), window_px) for g in (gx * gx, gy * gy, gx * gy))
        margin, step = int(gradient_px * 2) + 1, max(3, int(window_px * 1.2))
        rows, columns = (
            v.ravel()
            for v in np.mgrid[
                margin : rings.shape[0] - margin : step, margin : rings.shape[1] - margin : step
            ]
        )
        difference, cross = (xx - yy)[rows, columns], 2 * xy[rows, columns]
        strength = np.hypot(difference, cross) + 1e-9
        coherence = strength / ((xx + yy)[rows, columns] + 1e-6)
        area = np.where(on_wood[rows, columns], float(step * step), 0.0)
        parts.append(
            (columns + 0.5, rows + 0.5, difference / strength, cross / strength, 12 * coherence**2, area)
        )
    return _Normals(*(np.concatenate(v).astype(np.float32) for v in zip(*parts, strict=True)))


def _vote(normals: _Normals, shape: tuple[int, ...]) -> list[tuple[float, float]]:
    """Best (direction, log distance) of the pith below mid-depth and above it, from a coarse grid."""
    h, w = shape
    direction = (np.arange(96) + 0.5) * (2 * np.pi / 96)
    log_distance = np.log(np.geomspace(0.03, 5.0, 32) * max(w, h))
    d, g = (v.ravel().astype(np.float32) for v in np.meshgrid(direction, log_distance))
    px, py = w / 2 + np.exp(g) * np.cos(d), h / 2 + np.exp(g) * np.sin(d)
    best = []
    for side in (np.sin(d) > 0, np.sin(d) < 0):
        # A tenth of the patches tell which places are worth asking all of them.
        places = np.flatnonzero(side)
        first = _agreement(normals.every(10), px[places], py[places])
        places = places[np.argsort(-first)[: len(places) // 10]]
        k = places[int(np.argmax(_agreement(normals, px[places], py[places])))]
        best.append((float(d[k]), float(g[k])))
    return best


def _agreement(normals: _Normals, px: Floats, py: Floats) -> Floats:
    """Log likelihood of the normals for a pith at each place (n,)."""
    flat = i0e(normals.kappa)
    score = np.empty(len(px))
    for start in range(0, len(px), 256):
        dx, dy = (a - p[start : start + 256, None] for a, p in ((normals.x, px), (normals.y, py)))
        agree = ((dx * dx - dy * dy) * normals.cos2 + 2 * dx * dy * normals.sin2) / (dx * dx + dy * dy + 1e-6)
        law = _OUTLIER_FRAC + (1 - _OUTLIER_FRAC) * np.exp(normals.kappa * (agree - 1)) / flat
        score[start : start + 256] = np.log(law) @ normals.area
    return score


def _place(shape: tuple[int, ...], direction_rad: float, log_distance: float) -> tuple[float, float]:
    distance = math.exp(log_distance)
    return (
        shape[1] / 2 + distance * math.cos(direction_rad),
        shape[0] / 2 + distance * math.sin(direction_rad),
    )


def _likeness(
    rings: Image, x: float, y: float, *, radial: bool = False, every_px: int = 2
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Products of the picture with itself turned a little about (x, y): (sum, count) a block (12,).

    radial: moved away from (x, y) instead, by less than most rings are wide. Blocks run along the longer
    side. NaN marks what is not wood.
    """
    h, w = rings.shape
    rows, columns = np.arange(2, h - 2, every_px)[:, None], np.arange(2, w - 2, every_px)
    base = rings[rows, columns]
    dx, dy = np.float32(0.5 - x) + columns.astype(np.float32), np.float32(0.5 - y) + rows.astype(np.float32)
    radius = np.sqrt(dx * dx + dy * dy)
    total, count = np.zeros_like(base), np.zeros_like(base)
    for lag in _RADIAL_LAGS_PX if radial else _LAGS_PX:
        part = lag / np.maximum(radius, lag)
        c, s = (1 + part, np.zeros_like(part)) if radial else (np.cos(part), np.sin(part))
        to_x, to_y = c * dx - s * dy + np.float32(x - 0.5), s * dx + c * dy + np.float32(y - 0.5)
        product = base * cv2.remap(rings, to_x, to_y, cv2.INTER_LINEAR, borderValue=math.nan)
        known = ~np.isnan(product)
        total += np.where(known, product, 0)
        count += known
    along = np.broadcast_to(columns / w if w >= h else rows / h, base.shape)
    block = (along * _BLOCKS_N).astype(np.int64).ravel()
    return (
        np.bincount(block, total.ravel(), _BLOCKS_N).astype(np.float64),
        np.bincount(block, count.ravel(), _BLOCKS_N).astype(np.float64),
    )


def _refine(rings: Image, start: tuple[float, float], below: bool) -> _Fit:
    """Move a pith place, on its own side of mid-depth, to where turning about it changes least."""
    farthest = math.log(_FARTHEST * max(rings.shape))

    def unlikeness(v: NDArray[np.float64]) -> float:
        if (math.sin(v[0]) > 0) != below or v[1] > farthest:
            return 1e3
        total, count = _likeness(rings, *_place(rings.shape, *v), every_px=3)
        return -float(total.sum() / max(count.sum(), 1.0))

    towards_upright = 0.05 if (math.cos(start[0]) > 0) != below else -0.05
    corners = np.array([start, (start[0] - towards_upright, start[1]), (start[0], start[1] + 0.1)])
    options = {"initial_simplex": corners, "maxfev": 50, "xatol": 0.002, "fatol": 1e-5}
    found = minimize(unlikeness, start, method="Nelder-Mead", options=options)
    direction, log_distance = (float(v) for v in found.x)
    total, count = _likeness(rings, *_place(rings.shape, direction, log_distance))
    likeness = float(total.sum() / max(count.sum(), 1.0))
    return _Fit(direction, log_distance, below, likeness, total / np.maximum(count, 1))


def _place_sigma_frac(rings: Image, fit: _Fit) -> float:
    """1-sigma of the pith's place over its distance: the sandwich of Huber (1967) over blocks."""
    steps = np.array([0.03, 0.06])
    here = np.array([fit.direction_rad, fit.log_distance])

    def blocks(direction: float, log_distance: float) -> NDArray[np.float64]:
        total, count = _likeness(rings, *_place(rings.shape, direction, log_distance))
        return np.asarray(total / max(count.sum(), 1.0))

    middle = blocks(*here)
    slope, bend = np.zeros((2, _BLOCKS_N)), np.zeros((2, 2))
    for k in range(2):
        step = np.eye(2)[k] * steps[k]
        ahead, behind = blocks(*(here + step)), blocks(*(here - step))
        slope[k] = (ahead - behind) / (2 * steps[k])
        bend[k, k] = float((ahead - 2 * middle + behind).sum()) / steps[k] ** 2
    corner = blocks(*(here + steps)) + blocks(*(here - steps)) - blocks(*(here + steps * (1, -1)))
    bend[0, 1] = bend[1, 0] = float((corner - blocks(*(here - steps * (1, -1)))).sum()) / (4 * steps.prod())
    if bend[0, 0] >= 0 or np.linalg.det(bend) <= 0:
        return 1.0  # no clear summit: the place is as unsure as it is far
    inverse = np.linalg.inv(bend)
    spread = inverse @ (slope @ slope.T) @ inverse
    return float(np.sqrt(np.trace(spread) + _ECCENTRIC_FRAC**2))


def _record(rings: Image, best: _Fit, other: _Fit, mm_per_px: float) -> EndGrain:
    x, y = _place(rings.shape, best.direction_rad, best.log_distance)
    distance_px = math.exp(best.log_distance)
    gain = best.block_likeness - other.block_likeness
    t = float(gain.mean() / (gain.std(ddof=1) / math.sqrt(_BLOCKS_N) + 1e-9))
    share = best.likeness / (float(np.nanvar(rings)) + 1e-3)
    straight = distance_px / max(rings.shape)
    outward, count = _likeness(rings, x, y, radial=True)
    blotchy = float(outward.sum() / max(count.sum(), 1)) / (best.likeness + 1e-9)
    visible = share if blotchy < _MOST_BLOTCHY else 0.0
    reason = _why_not(visible, straight, t, abs(math.sin(best.direction_rad)))
    bark: Side | None = None if reason else ("A" if best.below else "B")
    sure = float(ndtr(0.8 * t)) * min(1.0, visible / 0.4)
    ring_px, misfit_px = _ring_width(rings, x, y)
    return EndGrain(
        bark_side=bark,
        pith_across_mm=(x - rings.shape[1] / 2) * mm_per_px,
        pith_depth_mm=y * mm_per_px,
        pith_sigma_mm=distance_px * mm_per_px * min(_place_sigma_frac(rings, best), 2.0),
        ring_mm=ring_px * mm_per_px,
        residual_mm=misfit_px * mm_per_px,
        confidence=sure if bark else min(sure, 0.5),
        reason=reason,
    )


def _why_not(visible: float, straight: float, t: float, lean: float) -> str:
    """Why the bark side cannot be told, empty when it can."""
    if visible < _LEAST_SHARE:
        return _NO_RINGS
    if straight > _STRAIGHT:
        return "The lines on the end are too straight to tell on which side the pith lies."
    if t < _LEAST_T and lean < 0.2:
        return "The rings stand upright, so both faces lie about equally far from the pith."
    if t < _LEAST_T:
        return "The rings do not agree well enough on which side the pith lies."
    return ""


def _ring_width(rings: Image, x: float, y: float) -> tuple[float, float]:
    """Mean ring width and rms misfit of the rings to circles about (x, y), in working px.

    Pixels are sorted into six sectors about the pith and averaged along arcs. The width is the first
    summit of the profiles' autocorrelation; the misfit comes from the shifts between sectors.
    """
    rows, columns = np.nonzero(~np.isnan(rings))
    dx, dy = columns + 0.5 - x, rows + 0.5 - y
    radius = np.hypot(dx, dy)
    towards = math.atan2(rings.shape[0] / 2 - y, rings.shape[1] / 2 - x)
    turn = np.angle(np.exp(1j * (np.arctan2(dy, dx) - towards)))
    sector = np.searchsorted(np.quantile(turn, np.arange(1, 6) / 6), turn)
    bin_n = int(np.ptp(radius)) + 1
    place = sector * bin_n + (radius - radius.min()).astype(np.int64)
    count = np.bincount(place, minlength=6 * bin_n).reshape(6, bin_n)
    total = np.bincount(place, rings[rows, columns], 6 * bin_n).reshape(6, bin_n)
    profile = np.where(count >= 3, total / np.maximum(count, 1), 0.0)
    profile = np.asarray(cv2.GaussianBlur(profile, (0, 0), 1.0, sigmaY=1e-6))
    longest = min(bin_n - 1, 90)
    likeness = np.array([_lagged(profile, profile, lag) for lag in range(longest)])
    ring_px = float(_first_summit(likeness))
    reach = max(1, round(ring_px / 2))
    lags = np.arange(-reach, reach + 1)
    shifts = [
        int(lags[np.argmax([_lagged(one, two, int(lag)) for lag in lags])])
        for one, two in itertools.pairwise(profile)
    ]
    return ring_px, float(np.sqrt(np.mean(np.square(shifts))))


def _first_summit(likeness: NDArray[np.float64]) -> int:
    """Lag of the first summit after the first dip that is at least half as high as the highest one."""
    rises = np.flatnonzero(likeness[1:] > likeness[:-1])
    if len(rises) == 0:
        return len(likeness)
    later = np.arange(len(likeness)) > rises[0]
    summit = later.copy()
    summit[1:] &= likeness[1:] >= likeness[:-1]
    summit[:-1] &= likeness[:-1] >= likeness[1:]
    good = summit & (likeness >= 0.5 * likeness[later].max())
    return int(np.flatnonzero(good)[0]) if good.any() else len(likeness)


def _lagged(one: NDArray[np.float64], two: NDArray[np.float64], lag: int) -> float:
    """Mean product of one profile with the other moved by `lag`, over where both are known (not zero)."""
    n = one.shape[-1]
    a = one[..., max(0, -lag) : n - max(0, lag)]
    b = two[..., max(0, lag) : n - max(0, -lag)]
    known = (a != 0) & (b != 0)
    return float((a * b).sum() / max(int(known.sum()), 1)) if known.sum() > 10 else -1.0
