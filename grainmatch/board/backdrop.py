"""What the bench itself looks like, so that what lies on it stands out.

The bench is taken to have one material with a slowly varying light over it: in logarithms of
linear light its lightness and its two colour ratios are low-order surfaces over the photo, with
a spread from its own texture. Boards, sheets and tools depart from that; a shadow departs in
lightness alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Points
from grainmatch.model import Mask, Rgb

COARSE_LONG_SIDE_PX = 1300
LEAST_SPREAD = (0.03, 0.012, 0.012)
"""Below this a spread says more about quantisation than about the bench."""

SHADOW_TINT = 0.25
SHADOW_STRAY = 0.1
"""Colour-ratio shift a shadow may show, per log of its darkness: in all, and off the line of light's
colours."""
SMOOTH_PX = 2.5
LEAST_TINT = 2.0
ROUNDING_N = 2.0
BLACK = 0.01
DARKNESS_STEP = 0.02

Field = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Backdrop:
    """The photo at coarse scale against its bench.

    scale: coarse pixels per photo pixel. lightness and ratios hold departures from the fitted
    bench, (h, w) and (h, w, 2), in units of the bench's own spread. known (h, w) is False under
    sheets. spread holds the three 1-sigmas in log units, surface
    (6, 3) the bench's fitted look.
    """

    scale: float
    lightness: Field
    ratios: Field
    known: Mask
    spread: NDArray[np.float64]
    surface: NDArray[np.float32]

    def bench_light(self, place_px: Points) -> NDArray[np.float64]:
        """Linear light (3,) the lit bench would show at one photo place (2,)."""
        h, w = self.known.shape
        x, y = place_px[0] * self.scale / w * 2 - 1, place_px[1] * self.scale / h * 2 - 1
        mean, red_green, green_blue = np.array([1, x, y, x * x, x * y, y * y]) @ self.surface
        green = mean - (red_green - green_blue) / 3
        logs = np.array([green + red_green, green, green - green_blue])
        return np.asarray(np.maximum(np.exp(logs) - BLACK, 1e-3))

    @cached_property
    def stands_out(self) -> Mask:
        """True where the photo is not bench, lit or shaded.

        Judged at two scales: sharply, and over some pixels together, where the bench's own texture and noise
        average out and smaller differences count.
        """
        least = max(LEAST_TINT, self._count / float(self.spread[1:].min()))
        tint, allowed = self._tint(self.ratios, self.lightness)
        sharp = np.hypot(tint[..., 0], tint[..., 1]) > np.maximum(max(4.5, least), allowed)
        sharp |= self.lightness > 5.0
        smooth: Any = cv2.GaussianBlur(np.dstack([self.ratios, self.lightness]), (0, 0), SMOOTH_PX)
        tint, allowed = self._tint(smooth[..., :2], smooth[..., 2])
        away = np.hypot(tint[..., 0], tint[..., 1])
        usual = float(np.median(away[::4, ::4][self.known[::4, ::4] & ~sharp[::4, ::4]]))
        plain = away > np.maximum(max(least, 6.0 * usual), allowed)
        # A blurred edge reaches out by about the blur.
        return np.asarray(sharp | cv2.erode(plain.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool))

    def _tint(self, ratios: Field, lightness: Field) -> tuple[Field, Field]:
        """How far places are from the bench in colour (h, w, 2), and how far a shadow (h, w) may be.

        In shade the bench is compared with itself in as little light. A shadow is lit by the room instead of
        the lamp, so its tint shifts a little, the more so the deeper it is: along the colours of glowing
        bodies, in which log R/G changes about half as much as log G/B (Finlayson, Hordley, Lu and Drew, IEEE
        Trans. Pattern Anal. 28(1), 2006: shadows move along one line of log chromaticity).
        """
        unit = self.spread[1:].astype(np.float32)
        darker = np.maximum(0.0, -lightness * np.float32(self.spread[0]))
        tint = ratios.copy()
        dark = darker > 0.15
        level = np.minimum(darker[dark] * np.float32(1 / DARKNESS_STEP), len(self._shade) - 1)
        tint[dark] -= self._shade[level.astype(np.int32)] / unit
        across = np.abs(2 * tint[..., 0] * unit[0] - tint[..., 1] * unit[1]) / np.float32(5**0.5)
        allowed = np.where(across > SHADOW_STRAY * darker, 0, SHADOW_TINT) * darker / unit.max()
        return tint, np.asarray(allowed, dtype=np.float32)

    @property
    def _count(self) -> float:
        """How far rounding alone can move a colour ratio, in logs: a count of 255 is much on a dark bench."""
        mean = float(self.surface[0, 0] + (self.surface[3, 0] + self.surface[5, 0]) / 3)
        coded = 255 * max(float(np.exp(mean)) - BLACK, 1e-3) ** (1 / 2.2)
        return float(ROUNDING_N * 2.2 / coded)

    @cached_property
    def _shade(self) -> Field:
        """Shift of the two colour ratios (n, 2) of the bench itself at steps of darkness: the photo's black
        adds to all colours alike, so that a dark colour pales."""
        mean, red_green, green_blue = self.surface[0] + (self.surface[3] + self.surface[5]) / 3
        green = mean - (red_green - green_blue) / 3
        colour = np.maximum(np.exp([green + red_green, green, green - green_blue]) - BLACK, 1e-4)
        share = np.exp(-np.arange(0.0, 5.0, 0.02))
        logs = np.log(share[:, None] * colour + BLACK)
        darkness = logs[0].mean() - logs.mean(axis=1)
        shifts = [logs[:, k] - logs[:, k + 1] - (logs[0, k] - logs[0, k + 1]) for k in (0, 1)]
        steps = np.arange(0.0, float(darkness[-1]), DARKNESS_STEP)
        return np.column_stack([np.interp(steps, darkness, s) for s in shifts]).astype(np.float32)


def fit_backdrop(rgb: Rgb, sheets_px: tuple[Points, ...] = ()) -> Backdrop:
    """Fit the bench's look to a photo (H, W, 3), ignoring the sheets' polygons.

    Starts from a band along the photo's border, in which boards may take part of the room, and
    grows to every pixel that agrees (iteratively trimmed least squares).
    """
    scale = min(1.0, COARSE_LONG_SIDE_PX / max(rgb.shape[:2]))
    looks = _log_looks(rgb, scale)
    known = ~_polygon_union(sheets_px, scale, looks.shape[:2])
    step = 6
    surface, spread = _fit_surface(looks[::step, ::step], known[::step, ::step])
    h, w = looks.shape[:2]
    departure: Any = (looks - (_terms(h, w) @ surface).reshape(h, w, 3)) / spread.astype(np.float32)
    departure = cv2.GaussianBlur(departure, (0, 0), 0.8)
    return Backdrop(scale, departure[..., 0], departure[..., 1:], known, spread, surface)


def _log_looks(rgb: Rgb, scale: float) -> Field:
    h, w = rgb.shape[:2]
    small = cv2.resize(rgb, (round(w * scale), round(h * scale)), interpolation=cv2.INTER_AREA)
    # A table is enough: 8-bit values, and the area mean of coded values is close to linear's here.
    table = np.log((np.arange(256) / 255.0) ** 2.2 + BLACK).astype(np.float32)
    logs = table[small]
    return np.dstack([logs.mean(axis=2), logs[..., 0] - logs[..., 1], logs[..., 1] - logs[..., 2]])


def _polygon_union(polygons_px: tuple[Points, ...], scale: float, shape: tuple[int, ...]) -> Mask:
    mask = np.zeros(shape, np.uint8)
    for polygon in polygons_px:
        cv2.fillPoly(mask, [np.rint(np.asarray(polygon) * scale).astype(np.int32)], 1)
    return cv2.dilate(mask, np.ones((5, 5), np.uint8)).astype(bool)


def _terms(h: int, w: int) -> Field:
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    x, y = (x / w * 2 - 1).ravel(), (y / h * 2 - 1).ravel()
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def _fit_surface(looks: Field, known: Mask) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    h, w = looks.shape[:2]
    terms, values = _terms(h, w), looks.reshape(-1, 3)
    band = max(3, min(h, w) // 14)
    inner = np.zeros((h, w), bool)
    inner[band:-band, band:-band] = True
    chosen = (known & ~inner).ravel()
    start = np.zeros((6, 3), np.float32)
    start[0] = np.median(values[chosen], axis=0)
    surface = start
    for turn in range(10):
        departure = values - terms @ surface
        spread = np.maximum(1.4826 * np.median(np.abs(departure[chosen]), axis=0), LEAST_SPREAD)
        near = ((departure / spread) ** 2).sum(axis=1) < (16.0 if turn < 3 else 12.0)
        chosen = near & known.ravel() & (~inner.ravel() if turn < 3 else True)
        columns = [0, 1, 2] if turn < 2 else [0, 1, 2, 3, 4, 5]
        surface = np.zeros((6, 3), np.float32)
        surface[columns] = np.linalg.lstsq(terms[chosen][:, columns], values[chosen], rcond=None)[0]
    return surface, spread
