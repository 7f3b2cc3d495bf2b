"""Where the wood lies in a picture of a face that comes without a mask."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.model import Mask, Rgb

_DARKEST_WOOD = 60  # 8-bit, brightest channel; a face may be darker when all of it is
_DARK_SHARE = 0.45  # of the brightness of the lighter part of the picture
_NOTCH_SHARE = 0.25  # of the height: dark bites this long in a long edge are marks, not background


def find_wood(rgb: Rgb) -> Mask:
    """Mask (h, w) of the wood in a picture of one face on a dark ground, or filling the picture.

    The wood is the largest light patch; along each long edge short dark bites (edge knots, bark)
    are filled, and so is everything between the two edges.
    """
    thin = rgb[::4, ::6]
    sample = np.maximum(np.maximum(thin[..., 0], thin[..., 1]), thin[..., 2])
    limit = min(_DARKEST_WOOD, _DARK_SHARE * float(np.percentile(sample, 90)))
    if (sample >= limit).mean() > 0.995:
        return np.ones(rgb.shape[:2], dtype=bool)
    red, green, blue = cv2.split(rgb)
    bright = (np.asarray(cv2.max(cv2.max(red, green), blue)) >= limit).astype(np.uint8)
    bright = np.asarray(cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bright)
    if len(stats) < 2:
        return np.ones(bright.shape, dtype=bool)
    patch = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return _fill_between_edges(patch)


def _fill_between_edges(patch: Mask) -> Mask:
    """Everything between the patch's upper and lower edge, bites in them filled."""
    height, width = patch.shape
    filled = np.flatnonzero(patch.any(axis=0))
    first, last = int(filled[0]), int(filled[-1])
    span = patch[:, first : last + 1]
    holds = span.any(axis=0)
    at = np.arange(span.shape[1])
    top = np.interp(at, at[holds], span.argmax(axis=0)[holds])
    bottom = np.interp(at, at[holds], (height - 1 - span[::-1].argmax(axis=0))[holds])
    reach = max(3, round(_NOTCH_SHARE * height)) | 1
    top, bottom = _bridge(top, reach), -_bridge(-bottom, reach)
    rows = np.arange(height)[:, None]
    mask = np.zeros((height, width), dtype=bool)
    mask[:, first : last + 1] = (rows >= top) & (rows <= bottom)
    return mask


def _bridge(edge: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Remove inward bites (larger values) up to `reach` pixels long from an edge line (n,)."""
    padded = np.pad(edge.astype(np.float32), reach, mode="edge")[None]
    kernel = np.ones((1, reach), np.uint8)
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)
    return np.asarray(opened[0, reach:-reach], dtype=np.float64)
