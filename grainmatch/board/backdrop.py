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

from grainmatch.geometry import Points, shrink
from grainmatch.model import Mask, Rgb
from grainmatch.ranks import median

COARSE_LONG_SIDE_PX = 1300
LEAST_SPREAD = (0.03, 0.012, 0.012)
"""Below this a spread says more about quantisation than about the bench."""

SHADOW_TINT = 0.25
SHADOW_STRAY = 0.1
"""Colour-ratio shift a shadow may show, per log of its darkness: in all, and off the line of light's
colours."""
SMOOTH_PX = 2.5
LEAST_TINT = 2.0
PALE_TINT = 0.05
PALE, PLAINLY_PALE = 2.8, 4.0
LEAST_PLAINLY = 0.2
"""By how much log colour ratio paler wood must differ from the bench, over some pixels, how far in lightness
and colour together, in the bench's sigmas, and how far in what share of an area at the least: more than a
pale plank does (own estimates; on 25 drawn wooden benches one place in a thousand is paler by 2.9)."""
ROUNDING_N, COLOUR_STEP_N = 2.0, 3.0
"""By how many counts of 255 a colour ratio may be off: for rounding, and for each step in which the file
keeps Cb and Cr, of which one moves R or B less G by 2.1 (ITU-R BT.601)."""
BLACK = 0.01
DARKNESS_STEP = 0.02
MOST_SAID = 4.0
"""Change of light, in the bench's sigmas by Sobel's operator, by which one place can at most speak for a
grain (own choice)."""
TO_LOOKS = np.array([[1 / 3, 1 / 3, 1 / 3], [1, -1, 0], [0, 1, -1]])
"""Logs of colours to lightness and two colour ratios."""

Field = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Backdrop:
    """The photo at coarse scale against its bench.

    scale: coarse pixels per photo pixel. departure: planes (h, w) of how far lightness and two colour ratios
    are from the fitted bench, in units of the bench's own spread. known (h, w) is False under sheets. spread
    holds the three 1-sigmas in log units, surface (6, 3) the bench's fitted look. colour_step: see `Photo`.
    """

    scale: float
    departure: tuple[Field, Field, Field]
    known: Mask
    spread: NDArray[np.float64]
    surface: NDArray[np.float32]
    colour_step: float = 0.0

    def bench_light(self, place_px: Points) -> NDArray[np.float64]:
        """Linear light (3,) the lit bench would show at one photo place (2,)."""
        h, w = self.known.shape
        x, y = place_px[0] * self.scale / w * 2 - 1, place_px[1] * self.scale / h * 2 - 1
        mean, red_green, green_blue = np.array([1, x, y, x * x, x * y, y * y]) @ self.surface
        green = mean - (red_green - green_blue) / 3
        logs = np.array([green + red_green, green, green - green_blue])
        return np.asarray(np.maximum(np.exp(logs) - BLACK, 1e-3))

    @property
    def lightness(self) -> Field:
        """How far each place's lightness (h, w) departs from the bench's."""
        return self.departure[0]

    @property
    def tint(self) -> Field:
        """How far each place's log colour ratios (h, w) are from the bench's."""
        red_green, green_blue = (self.departure[k] * np.float32(self.spread[k]) for k in (1, 2))
        return np.asarray(cv2.magnitude(red_green, green_blue))

    @cached_property
    def stands_out(self) -> Mask:
        """True where the photo is not bench, lit or shaded.

        Judged at two scales: sharply, and over some pixels together, where the bench's own texture and noise
        average out and smaller differences count. There, what is paler than the bench and of another colour
        too stands out by both together: no shadow is pale.
        """
        coarse = self._count / float(self.spread[1:].min())
        least = max(LEAST_TINT, coarse)
        away, allowed = self._tint(*self.departure)
        sharp = ((away > allowed) & (away > max(4.5, least))) | (self.lightness > 5.0)
        smooth: Any = [cv2.GaussianBlur(plane, (0, 0), SMOOTH_PX) for plane in self.departure]
        away, allowed = self._tint(*smooth)
        usual = float(median(away[::4, ::4][self.known[::4, ::4] & ~sharp[::4, ::4]]))
        tinted = away > allowed
        plain = tinted & (away > max(least, 6.0 * usual))
        tinted &= away > max(coarse, 3.0 * usual, PALE_TINT / float(self.spread[1:].max()))
        both = cv2.magnitude(away, np.maximum(smooth[0], 0))
        pale = tinted & (both > PALE)
        if (pale & ~plain).any():
            plain |= _grow(pale, tinted & (both > PLAINLY_PALE))
        # A blurred edge reaches out by about the blur.
        return np.asarray(sharp | cv2.erode(plain.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool))

    @cached_property
    def grain(self) -> float:
        """How much more the bench's light changes across one way than along it: 0 no more, 1 not along it.

        Of what does not stand out, see `measure_grain`. Wood has a grain, however tinted the light.
        """
        size = self.known.shape[1] // 2, self.known.shape[0] // 2
        light: Any = cv2.resize(self.lightness, size, interpolation=cv2.INTER_AREA)
        others = (self.stands_out | ~self.known).astype(np.uint8)
        others = np.asarray(cv2.dilate(others, np.ones((15, 15), np.uint8)))
        bench = cv2.resize(others, size, interpolation=cv2.INTER_NEAREST) == 0
        return measure_grain(light, bench, MOST_SAID)[0]

    def _tint(self, lightness: Field, red_green: Field, green_blue: Field) -> tuple[Field, Field]:
        """How far places (h, w) are from the bench in colour, and how far a shadow may be.

        In shade the bench is compared with itself in as little light. A shadow is lit by the room instead of
        the lamp, so its tint shifts a little, the more so the deeper it is: along the colours of glowing
        bodies, in which log R/G changes about half as much as log G/B (Finlayson, Hordley, Lu and Drew, IEEE
        Trans. Pattern Anal. 28(1), 2006: shadows move along one line of log chromaticity).
        """
        unit = self.spread[1:].astype(np.float32)
        darker = lightness * np.float32(-self.spread[0])
        np.maximum(darker, 0, out=darker)
        level = cv2.convertScaleAbs(darker, alpha=1 / DARKNESS_STEP, beta=-0.5)  # cut off, not rounded
        tables = np.pad(self._shade / unit, ((0, 256 - len(self._shade)), (0, 0)), mode="edge").T
        ratios: Any = [
            cv2.subtract(ratio, cv2.LUT(level, np.ascontiguousarray(table)))
            for ratio, table in zip((red_green, green_blue), tables, strict=True)
        ]
        along, beside = np.array([2 * unit[0], -unit[1]]) / 5**0.5 / SHADOW_STRAY
        across: Any = cv2.addWeighted(ratios[0], along, ratios[1], beside, 0)
        allowed = darker * np.float32(SHADOW_TINT / unit.max())
        allowed *= np.abs(across, out=across) <= darker
        return np.asarray(cv2.magnitude(*ratios)), allowed

    @property
    def _count(self) -> float:
        """How far rounding alone can move a colour ratio, in logs: a count of 255 is much on a dark bench,
        and a much compressed file keeps colour in steps of several."""
        mean = float(self.surface[0, 0] + (self.surface[3, 0] + self.surface[5, 0]) / 3)
        coded = 255 * max(float(np.exp(mean)) - BLACK, 1e-3) ** (1 / 2.2)
        return float(max(ROUNDING_N, COLOUR_STEP_N * self.colour_step) * 2.2 / coded)

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


def measure_grain(light: Field, where: Mask, most: float) -> tuple[float, float]:
    """The coherence of light (h, w), 0 to 1, and the direction along which it changes least, radians.

    By its structure tensor over some places (h, w) (Bigun and Granlund, Proc. 1st Int. Conf. Computer Vision,
    1987), each of which speaks for a change, by Sobel's operator, of `most` at the most.
    """
    change_x, change_y = (cv2.Sobel(light, cv2.CV_32F, *way)[where] for way in ((1, 0), (0, 1)))
    steep = change_x**2 + change_y**2
    say = np.minimum(1.0, most**2 / np.maximum(steep, 1e-9))
    across = complex((say * (change_x**2 - change_y**2)).sum(), 2 * (say * change_x * change_y).sum())
    coherence = abs(across) / max(float((say * steep).sum()), 1e-9)
    return coherence, (float(np.angle(across)) / 2 + np.pi) % np.pi - np.pi / 2


def _grow(low: Mask, high: Mask) -> Mask:
    """The connected areas of low (h, w) of which enough is high."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(low.astype(np.uint8))
    enough = np.bincount(labels[high], minlength=count) > LEAST_PLAINLY * stats[:, cv2.CC_STAT_AREA]
    enough[0] = False
    return np.asarray(enough[labels])


def fit_backdrop(rgb: Rgb, sheets_px: tuple[Points, ...] = (), colour_step: float = 0.0) -> Backdrop:
    """Fit the bench's look to a photo (H, W, 3), ignoring the sheets' polygons. colour_step: see `Photo`.

    Starts from a band along the photo's border, in which boards may take part of the room, and
    grows to every pixel that agrees (iteratively trimmed least squares).
    """
    scale = min(1.0, COARSE_LONG_SIDE_PX / max(rgb.shape[:2]))
    h, w = rgb.shape[:2]
    small = shrink(rgb, (round(w * scale), round(h * scale)))
    known = ~_polygon_union(sheets_px, scale, small.shape[:2])
    # A table is enough: 8-bit values, and the area mean of coded values is close to linear's here.
    logs = cv2.LUT(small, np.log((np.arange(256) / 255.0) ** 2.2 + BLACK).astype(np.float32))
    step = 8
    few = cv2.transform(np.ascontiguousarray(logs[::step, ::step]), TO_LOOKS)
    surface, spread = _fit_surface(np.asarray(few, dtype=np.float32), known[::step, ::step])
    logs = cv2.GaussianBlur(logs, (0, 0), 0.8)
    # Plane by plane, for taking a picture of three colours apart costs as much as all the rest.
    planes = [cv2.transform(logs, TO_LOOKS[k : k + 1] / spread[k]) for k in range(3)]
    a, b, c = (_less_spread_out(planes[k], (surface[:, k] / spread[k]).astype(np.float32)) for k in range(3))
    return Backdrop(scale, (a, b, c), known, spread, surface, colour_step)


def _polygon_union(polygons_px: tuple[Points, ...], scale: float, shape: tuple[int, ...]) -> Mask:
    mask = np.zeros(shape, np.uint8)
    for polygon in polygons_px:
        cv2.fillPoly(mask, [np.rint(np.asarray(polygon) * scale).astype(np.int32)], 1)
    return cv2.dilate(mask, np.ones((5, 5), np.uint8)).astype(bool)


def _terms(h: int, w: int) -> Field:
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    x, y = (x / w * 2 - 1).ravel(), (y / h * 2 - 1).ravel()
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def _less_spread_out(plane: Any, surface: Field) -> Field:
    """A plane (h, w) less a fitted look: `_terms(h, w) @ surface` as columns' terms by rows' ones."""
    h, w = plane.shape
    x, y = (np.arange(n, dtype=np.float32) / n * 2 - 1 for n in (w, h))
    even, along, down, bowed, twisted, sagging = surface
    columns = np.stack([even + x * along + x * x * bowed, down + x * twisted, np.full_like(x, sagging)])
    rows = np.column_stack([np.ones_like(y), y, y * y])
    return np.asarray(cv2.gemm(rows, columns, -1.0, plane, 1.0), dtype=np.float32)


def _fit_surface(looks: Field, known: Mask) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    h, w = looks.shape[:2]
    terms, values = _terms(h, w), looks.reshape(-1, 3)
    band = max(3, min(h, w) // 14)
    inner = np.zeros((h, w), bool)
    inner[band:-band, band:-band] = True
    chosen = (known & ~inner).ravel()
    start = np.zeros((6, 3), np.float32)
    start[0] = median(values[chosen], axis=0)
    surface = start
    for turn in range(10):
        departure = values - terms @ surface
        spread = np.maximum(1.4826 * median(np.abs(departure[chosen]), axis=0), LEAST_SPREAD)
        away = departure / spread.astype(np.float32)
        near = np.einsum("nk,nk->n", away, away) < (16.0 if turn < 3 else 12.0)
        before, chosen = chosen, near & known.ravel() & (~inner.ravel() if turn < 3 else True)
        if turn > 3 and (chosen == before).all():
            break
        columns = [0, 1, 2] if turn < 2 else [0, 1, 2, 3, 4, 5]
        surface = np.zeros((6, 3), np.float32)
        a = terms[chosen][:, columns].astype(np.float64)
        surface[columns] = np.linalg.solve(
            a.T @ a + 1e-9 * len(a) * np.eye(len(columns)), a.T @ values[chosen]
        )
    return surface, spread
