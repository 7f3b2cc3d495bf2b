"""The grain of a face as numbers that survive other light, chalk and another camera, and how two compare.

Grain is long along the board and fine across it, so faces are compared on a grid of 4 mm along by 1 mm
across: lightness with slow changes taken out and large values clipped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.model import Face, Mask

Image = NDArray[np.float32]

ALONG_MM, ACROSS_MM = 4.0, 1.0
_CHALK = 3.5  # brighter than the usual spread by this factor: wood has dark lines, seldom bright ones
_MOST_AFFINE = 0.06  # scale and shear beyond this are no longer one board seen twice
_LEAST_OVERLAP = 0.6


@dataclass(frozen=True)
class Fit:
    """How well a known face lies on a seen one: correlation, and where its middle comes to lie, in mm from
    the seen picture's top-left corner. plain: the correlation of the slide that the fit began from."""

    score: float
    along_mm: float
    across_mm: float
    plain: float = 0.0


@dataclass(frozen=True, eq=False)
class Grain:
    """One face on the comparison grid: evened lightness (0 off the wood) and where it is known."""

    values: Image
    known: Image

    @cached_property
    def area(self) -> float:
        return float(self.known.sum())

    @cached_property
    def rms(self) -> float:
        return math.sqrt(float((self.values**2).sum()) / max(self.area, 1.0))

    def rows(self, first: int, last: int) -> Grain:
        """The part between two rows."""
        return Grain(*(np.ascontiguousarray(a[first:last]) for a in (self.values, self.known)))

    def turned(self) -> Grain:
        """As it looks turned end for end."""
        return Grain(*(np.ascontiguousarray(a[::-1, ::-1]) for a in (self.values, self.known)))

    def stretched(self, factor: float) -> Grain:
        """Made wider by a factor."""
        size = self.values.shape[1], max(4, round(self.values.shape[0] * factor))
        values, known = (
            cv2.resize(a, size, interpolation=cv2.INTER_LINEAR) for a in (self.values, self.known)
        )
        sharp = (np.asarray(known) > 0.99).astype(np.float32)
        return Grain(np.asarray(values) * sharp, sharp)


def read_grain(face: Face) -> Grain:
    """A face's lightness on the comparison grid with slow changes taken out, in units of its own spread.

    Left out as unknown: what is off the wood, the edges (they carry shadows), dark background that reaches in
    from the picture's border, and chalk.
    """
    h, w = face.rgb.shape[:2]
    size = max(4, round(w / face.px_per_mm / ALONG_MM)), max(4, round(h / face.px_per_mm / ACROSS_MM))
    small = np.asarray(cv2.resize(face.rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    share = np.asarray(cv2.resize(face.inside.astype(np.float32), size, interpolation=cv2.INTER_AREA))
    light = np.asarray(srgb_to_lab(small)[..., 0], dtype=np.float32)
    known = _clear_of_edges((share > 0.95) & ~_background(light, share > 0.95))
    even = light - _smooth(light, known, 60, 12)
    usual = 1.48 * float(np.median(np.abs(even[known > 0]))) if known.any() else 1.0
    chalk = cv2.dilate((even > _CHALK * usual).astype(np.uint8), np.ones((3, 3), np.uint8))
    known = known * (1 - np.asarray(chalk, dtype=np.float32))
    even = light - _smooth(light, known, 60, 12)
    spread = np.sqrt(_smooth(even * even, known, 120, 25))
    even = np.clip(even / (spread + 0.3 * usual + 0.05), -2.5, 2.5) * known
    return Grain(np.ascontiguousarray(even), np.ascontiguousarray(known))


def _background(light: Image, on_face: Mask) -> Mask:
    """Cells much darker than the wood that hang together with the picture's border."""
    usual = float(np.median(light[on_face])) if on_face.any() else 0.0
    dark = ((light < 0.5 * usual) | ~on_face).astype(np.uint8)
    framed = cv2.copyMakeBorder(dark, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=1)
    _, labels = cv2.connectedComponents(framed, connectivity=4)
    labels = np.asarray(labels)
    return np.asarray(labels == labels[0, 0])[1:-1, 1:-1]


def _clear_of_edges(known: Mask) -> Image:
    framed = cv2.copyMakeBorder(known.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    return np.asarray(cv2.erode(framed, np.ones((7, 5), np.uint8))[1:-1, 1:-1], dtype=np.float32)


def _smooth(field: Image, known: Image, along_mm: float, across_mm: float) -> Image:
    """Gaussian mean of a field over its known cells."""
    along, across = along_mm / ALONG_MM, across_mm / ACROSS_MM
    weight = cv2.GaussianBlur(known, (0, 0), sigmaX=along, sigmaY=across) + 1e-4
    return np.asarray(
        cv2.GaussianBlur(field * known, (0, 0), sigmaX=along, sigmaY=across) / weight, dtype=np.float32
    )


def fit_on(seen: Grain, known: Grain, down: int, along: int) -> Fit:
    """Fit a known face on a seen one from a start in cells, by enhanced correlation with an affine map.

    Evangelidis & Psarakis 2008 (IEEE PAMI 30). It takes up the last per cent of scale and a slight turn.
    """
    low = max(0, down - 8)
    part = seen.rows(low, min(seen.values.shape[0], down + known.values.shape[0] + 8))
    plain = np.array([[1, 0, -along], [0, 1, low - down]], dtype=np.float32)
    fits = [_score_map(part, known, plain)]
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 25, 1e-4)
    mask = (known.known * 255).astype(np.uint8)
    try:
        _, found = cv2.findTransformECC(
            part.values, known.values, plain.copy(), cv2.MOTION_AFFINE, stop, mask, 3
        )
        to_known = np.asarray(found, dtype=np.float64)
        if np.abs(to_known[:, :2] - np.eye(2)).max() <= _MOST_AFFINE:
            fits.append(_score_map(part, known, to_known))
    except cv2.error:
        pass  # it did not converge: the plain slide stands
    best = max(fits, key=lambda f: f.score)
    return Fit(best.score, best.along_mm, best.across_mm + low * ACROSS_MM)


def _score_map(seen: Grain, known: Grain, to_known: NDArray[np.floating]) -> Fit:
    """Correlation where both are known, under an affine map (2, 3) from seen cells to known cells."""
    h, w = known.values.shape
    size = seen.values.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    value, mask = (
        np.asarray(cv2.warpAffine(a, to_known, size, flags=flags)) for a in (known.values, known.known)
    )
    both = seen.known * mask
    middle = np.linalg.solve(to_known[:, :2], np.array([w, h]) / 2 - 0.5 - to_known[:, 2]) + 0.5
    place = (float(middle[0]) * ALONG_MM, float(middle[1]) * ACROSS_MM)
    if both.sum() < _LEAST_OVERLAP * min(seen.area, known.area):
        return Fit(0.0, *place)
    cross = float((seen.values * value * both).sum())
    energy = float((seen.values**2 * both).sum()) * float((value**2 * both).sum())
    return Fit(cross / math.sqrt(energy + 1e-6), *place)
