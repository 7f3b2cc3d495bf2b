"""One edge of a board face, found to a fraction of a pixel in a strip of the photo along it.

The strip runs along a rough edge; across it, t grows outward from the face. Light is linear and
divided by the face's own colour just inside, so the face is 1 whatever the wood and the lamp.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.frame import look
from grainmatch.geometry import Points
from grainmatch.model import Bench, Mask

Field = NDArray[np.float32]
LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
GAP_LIGHT = 0.17
"""Light left in a hairline gap between two boards, as a share of the face's."""


@dataclass(frozen=True, eq=False)
class Strip:
    """light (stations, n, 3) at t_mm (n,) from the rough edge, outward positive.

    side_mm (stations,) is how wide the board's own vertical side should show outside the edge. seen (stations,) is False where a sheet hides it.
    """

    light: Field
    t_mm: NDArray[np.float64]
    side_mm: NDArray[np.float64]
    px_mm: float
    seen: Mask | None = None

    @property
    def profile(self) -> Field:
        """The usual profile (n, 3) over the stations that are seen."""
        return np.asarray(np.median(self.light if self.seen is None else self.light[self.seen], axis=0))


@dataclass(frozen=True, eq=False)
class EdgeFind:
    """offset_mm (stations,) of the edge from the rough one; NaN where unseen. kind says what lies beyond."""

    offset_mm: NDArray[np.float64]
    strength: float
    kind: str


def read_strip(
    bench: Bench, places_mm: Points, outward: Points, side_mm: NDArray[np.float64], *, inside_mm: float, outside_mm: float
) -> Strip:
    """Strip at places (stations, sub, 2) on the rough edge, outward (2,) unit vector on the face plane."""
    px_mm = 1 / bench.px_per_mm
    step = 0.5 * px_mm
    t = np.arange(-inside_mm, outside_mm + step, step)
    points = places_mm[:, :, None, :] + t[:, None] * outward
    m, k, n, _ = points.shape
    seen = look(bench, bench.photo.rgb, points.reshape(m * k, n, 2))
    light = LINEAR[seen].reshape(m, k, n, 3).mean(axis=1)
    face = np.median(light[:, : max(4, int(0.4 * inside_mm / step))], axis=1)
    return Strip(light / np.maximum(face, 0.003)[:, None, :], t, side_mm, px_mm)


def find_edge(strip: Strip, *, least_t_mm: float, touching: bool = False) -> EdgeFind:
    """The face's edge in a strip: the first true step met going outward, beyond least_t_mm."""
    profile = strip.profile
    slope = _slope(profile)
    if touching:
        near = np.abs(strip.t_mm) <= -least_t_mm
        return _hairline_edges(strip, int(np.where(near, profile.mean(axis=1), np.inf).argmin()))
    place = _choose_step(strip, profile, slope, least_t_mm)
    t0 = strip.t_mm[place]
    offset = _crossings(strip, t0)
    if strip.seen is not None:
        offset[~strip.seen] = np.nan
    return EdgeFind(offset, float(slope[place]), "step")


def _slope(profile: NDArray[np.floating]) -> NDArray[np.float64]:
    """Size of the colour change per sample along a profile (n, 3)."""
    smooth = cv2.GaussianBlur(profile.astype(np.float32), (1, 0), sigmaX=0.01, sigmaY=1.5, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(np.linalg.norm(np.gradient(smooth.reshape(profile.shape), axis=0), axis=1), dtype=np.float64)


def _choose_step(strip: Strip, profile: Field, slope: NDArray[np.float64], least_t_mm: float) -> int:
    allowed = strip.t_mm >= least_t_mm
    peak = (slope >= np.roll(slope, 1)) & (slope > np.roll(slope, -1)) & allowed
    peak[[0, -1]] = False
    places = np.flatnonzero(peak)
    if not len(places):
        return int(np.argmax(np.where(allowed, slope, 0)))
    inside = slope[strip.t_mm < least_t_mm]
    noise = float(np.percentile(inside, 90)) if len(inside) > 4 else 0.0
    strong = places[(slope[places] > 0.30 * slope[places].max()) & (slope[places] > 1.6 * noise)]
    return int(strong[0] if len(strong) else places[np.argmax(slope[places])])


def _crossings(strip: Strip, t0: float) -> NDArray[np.float64]:
    """Half-way crossings of each station's profile between the plateaus beside t0."""
    n = len(strip.t_mm)
    step = strip.t_mm[1] - strip.t_mm[0]
    i0 = int(round((t0 - strip.t_mm[0]) / step))
    profile = strip.profile
    inner = profile[max(i0 - 8, 0) : max(i0 - 3, 1)].mean(axis=0)
    reach = profile[i0 + 3 : min(i0 + 7, n)]
    outer = reach[int(np.argmax(np.linalg.norm(reach - inner, axis=1)))] if len(reach) else profile[-1]
    axis = (outer - inner) / max(float(((outer - inner) ** 2).sum()), 1e-9)
    lo, hi = max(i0 - 7, 0), min(i0 + 8, n)
    share = (strip.light[:, lo:hi] - inner) @ axis
    # the crossing nearest to t0 of 0.5, rising outward
    up = (share[:, :-1] < 0.5) & (share[:, 1:] >= 0.5)
    at = np.arange(lo, hi - 1)
    away = np.where(up, np.abs(at + 0.5 - i0)[None, :], np.inf)
    best = away.argmin(axis=1)
    rows = np.arange(len(share))
    a, b = share[rows, best], share[rows, best + 1]
    where = strip.t_mm[0] + (lo + best + (0.5 - a) / np.where(b > a, b - a, 1)) * step
    return np.where(np.isfinite(away.min(axis=1)), where, np.nan)


def _hairline_edges(strip: Strip, place: int) -> EdgeFind:
    """Edge beside a gap too thin to resolve: its centre less half the width its missing light tells."""
    step = strip.t_mm[1] - strip.t_mm[0]
    n = len(strip.t_mm)
    lo, hi = max(place - 9, 0), min(place + 10, n)
    value = strip.light[:, lo:hi].mean(axis=2)
    t = strip.t_mm[lo:hi]
    low = int(np.median(value, axis=0).argmin())
    left = value[:, max(low - 7, 0) : max(low - 4, 1)].mean(axis=1)
    right = value[:, low + 4 : low + 7].mean(axis=1)
    ramp = left[:, None] + (right - left)[:, None] * np.clip((np.arange(hi - lo) - low + 4) / 8, 0, 1)
    window = slice(max(low - 5, 0), low + 6)
    missing = np.clip(ramp - value, 0, None)[:, window]
    total = missing.sum(axis=1)
    centre = (missing * t[window]).sum(axis=1) / np.maximum(total, 1e-6)
    level = 0.5 * (left + right)
    told = slice(None) if strip.seen is None else strip.seen
    width = np.median((total * step / np.maximum(level * (1 - GAP_LIGHT), 1e-6))[told])
    offset = np.where(total > 0.05, centre - width / 2, np.nan)
    if strip.seen is not None:
        offset[~strip.seen] = np.nan
    return EdgeFind(offset, float(total.mean()), "seam")
