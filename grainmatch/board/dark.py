"""A picture of one board alone on black, as from a scanner: no bench, no sheet."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import BoardError
from grainmatch.geometry import Points
from grainmatch.model import Rgb

MOST_DARK = 60.0
"""Brightest 8-bit level the black around a board may have."""


def find_outline_on_dark(rgb: Rgb) -> Points:
    """Outline (4, 2) of the one board in a picture (h, w, 3) on black, clockwise from the upper left.

    The board may fill the picture; knots, rings and cracks as dark as the ground are bridged, since
    each edge is the line most columns (or rows) agree on. Raises BoardError when nothing stands out.
    """
    grey = cv2.GaussianBlur(rgb.max(axis=2), (0, 0), 1.0).astype(np.float32)
    light = float(np.percentile(grey, 75))
    dark = float(np.percentile(grey, 0.5))
    level = min(0.5 * (dark + light), MOST_DARK) if dark < MOST_DARK else -1.0
    wood = grey > level
    if light < 20 or wood.mean() < 0.05:
        raise BoardError("No board stands out from the dark.", "Use a picture with more light.")
    upper, lower = _border(wood), _mirrored(_border(wood[::-1]), wood.shape[0])
    left, right = _border(wood.T), _mirrored(_border(wood.T[::-1]), wood.shape[1])
    return np.array([_cross(upper, left), _cross(upper, right), _cross(lower, right), _cross(lower, left)])


def _border(wood: NDArray[np.bool_]) -> tuple[float, float]:
    """(slope, offset) of the line along which wood starts, going down each column.

    A column speaks only when wood takes up most of it; the median line of Theil and Sen is kept.
    """
    told = np.flatnonzero(wood.mean(axis=0) > 0.5 * np.percentile(wood.mean(axis=0), 90))
    starts = wood[:, told].argmax(axis=0).astype(np.float64)
    knots = [np.median(part) for part in np.array_split(starts, min(41, len(told)))]
    places = [np.mean(part) + 0.5 for part in np.array_split(told, min(41, len(told)))]
    x, y = np.asarray(places), np.asarray(knots)
    if len(x) < 3:
        return 0.0, float(np.median(y))
    i, j = np.triu_indices(len(x), max(1, len(x) // 4))
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def _mirrored(line: tuple[float, float], size: int) -> tuple[float, float]:
    return -line[0], size - line[1]


def _cross(level: tuple[float, float], upright: tuple[float, float]) -> tuple[float, float]:
    """Where y = a x + b meets x = c y + d."""
    a, b = level
    c, d = upright
    x = (c * b + d) / (1 - a * c)
    return x, a * x + b
