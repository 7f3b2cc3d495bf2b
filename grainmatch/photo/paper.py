"""A plain sheet of paper of a standard size, found as a bright, colourless quadrilateral."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import PhotoError
from grainmatch.geometry import Points, fit_line, line_crossing
from grainmatch.model import Photo, Sheet
from grainmatch.photo.camera import fit_camera

# Office paper is cut within a few tenths of a millimetre; ISO 216 itself allows 2 mm on these sizes
# (tolerance from memory).
PAPER_SIGMA_MM = 0.4
_FIND_PIXELS = 1_000_000
_AREA_FRAC = (0.0015, 0.5)
_LEVELS = range(70, 250, 12)
_MOST_COLOUR = 60  # largest minus smallest channel of white paper under warm light, 8-bit
_LEAST_FILL = 0.93
_ROUGH_SIGMA_MM = 2.0
_MOST_COST = 12.0
_PROFILE_PX = 7.0


def find_paper(photo: Photo, paper_mm: tuple[float, float]) -> Sheet | None:
    """The brightest plain quadrilateral that a sheet of `paper_mm` would cast; None when there is none.

    Candidates are bright regions over a range of thresholds whose outline is a convex quadrilateral. Each is
    tried as the paper lying either way round: a plausible camera must explain its four
    corners. The corners are where straight lines through the paper's edges, found to sub-pixel, cross.
    """
    best: tuple[float, Sheet] | None = None
    for corners, brightness in find_quadrilaterals(photo, _MOST_COLOUR):
        for turned in (0, 1):
            sheet = _as_sheet(np.roll(corners, -turned, axis=0), paper_mm)
            cost = _misfit(sheet, photo)
            score = brightness - cost
            if cost < _MOST_COST and (best is None or score > best[0]):
                best = score, sheet
    if best is None:
        return None
    refined = refine_quadrilateral(photo, best[1].corners_px)
    return None if refined is None else _as_sheet(refined, paper_mm)


def _as_sheet(corners_px: Points, paper_mm: tuple[float, float]) -> Sheet:
    width, height = paper_mm
    places = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    return Sheet(-1, paper_mm, corners_px, places, PAPER_SIGMA_MM)


def _misfit(sheet: Sheet, photo: Photo) -> float:
    """Cost of the best camera for the sheet, its corners being rough yet; infinite when there is none."""
    try:
        return fit_camera([replace(sheet, sigma_mm=_ROUGH_SIGMA_MM)], photo).cost
    except PhotoError:
        return math.inf


def find_quadrilaterals(photo: Photo, most_colour: int) -> Iterator[tuple[Points, float]]:
    """Corners (4, 2) in photo pixels, clockwise from the top left, and mean brightness of each candidate.

    most_colour: by how much its channels may differ, 8-bit.
    """
    height, width = photo.rgb.shape[:2]
    shrink = min(1.0, float(np.sqrt(_FIND_PIXELS / (height * width))))
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    small = cv2.GaussianBlur(cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    darkest, brightest = small.min(axis=2), small.max(axis=2)
    plain = brightest - darkest < most_colour
    scale = np.array([width / size[0], height / size[1]])
    seen: list[Points] = []
    for level in reversed(_LEVELS):
        mask = ((darkest > level) & plain).astype(np.uint8)
        mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            corners = _quadrilateral(np.asarray(contour).reshape(-1, 2).astype(np.float64), mask.shape)
            if corners is None or any(np.abs(corners - c).max() < 4 for c in seen):
                continue
            seen.append(corners)
            inside = np.zeros(mask.shape, np.uint8)
            cv2.fillConvexPoly(inside, np.rint(corners).astype(np.int32), 1)
            yield (corners + 0.5) * scale, float(darkest[inside > 0].mean())


def _quadrilateral(contour: Points, shape: tuple[int, ...]) -> Points | None:
    """The contour's four corners when it is a convex quadrilateral of fitting size, clockwise."""
    area = cv2.contourArea(contour.astype(np.float32))
    whole = shape[0] * shape[1]
    if not _AREA_FRAC[0] * whole < area < _AREA_FRAC[1] * whole:
        return None
    hull = np.asarray(cv2.convexHull(contour.astype(np.float32))).reshape(-1, 2)
    if area < _LEAST_FILL * cv2.contourArea(hull):
        return None
    length = cv2.arcLength(hull, True)
    for tolerance in (0.02, 0.03, 0.045):
        corners = np.asarray(cv2.approxPolyDP(hull, tolerance * length, True)).reshape(-1, 2)
        if len(corners) == 4 and area > _LEAST_FILL * cv2.contourArea(corners):
            rim = 2
            if (corners < rim).any() or (corners > np.array(shape[1::-1]) - 1 - rim).any():
                return None
            first = int(np.argmin(corners.sum(axis=1)))
            return np.roll(corners, -first, axis=0).astype(np.float64)
    return None


def refine_quadrilateral(photo: Photo, corners: Points) -> Points | None:
    """Corners (4, 2) in photo pixels where lines through the four edges cross, from rough ones in that order.

    Each edge is the line along the steepest steps across it; None when one of them does not show.
    """
    lines = []
    middle = corners.mean(axis=0)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        n = 60
        on_edge = a + np.linspace(0.08, 0.92, n)[:, None] * (b - a)
        outward = np.array([b[1] - a[1], a[0] - b[0]]) / np.hypot(*(b - a))
        outward *= np.sign((a - middle) @ outward)
        t = np.arange(-_PROFILE_PX, _PROFILE_PX + 0.25, 0.5)
        xy = (on_edge[:, None] + t[None, :, None] * outward - 0.5).astype(np.float32).reshape(-1, 2)
        seen = cv2.remap(photo.rgb, xy[:, :1], xy[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        light = np.asarray(seen, dtype=np.float64).reshape(n, len(t), 3).mean(axis=2)
        step = _steps_at(light, t)
        good = np.isfinite(step)
        if good.sum() < n // 3:
            return None
        good &= np.abs(step - np.median(step[good])) < 3
        points = on_edge[good] + step[good, None] * outward
        for _ in range(3):
            at, along, rms = fit_line(points)
            off = np.abs((points - at) @ np.array([-along[1], along[0]]))
            points = points[off <= max(2.5 * rms, 0.1)]
        lines.append((at, along))
    crossings = [
        line_crossing(*lines[k - 1], *lines[k])  # edge k starts at corner k
        for k in range(4)
    ]
    return np.array(crossings)


def _steps_at(light: NDArray[np.float64], t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where each profile (n, t) falls half-way from paper to what lies beyond; NaN where it hardly falls."""
    slope = -np.gradient(light, axis=1)
    best = np.clip(slope.argmax(axis=1), 2, len(t) - 3)
    rows = np.arange(len(light))
    around = best[:, None] + np.arange(-2, 3)
    weight = np.maximum(slope[rows[:, None], around], 0)
    total = weight.sum(axis=1)
    at = (weight * t[around]).sum(axis=1) / np.maximum(total, 1e-9)
    return np.where(total > 8, at, np.nan)
