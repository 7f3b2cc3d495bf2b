"""Sizes of a board's face from its outline, each with a 1-sigma."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grainmatch.board.frame import Frame
from grainmatch.board.outline import BoardOutline
from grainmatch.geometry import Points, pixels_to_planes, plane_to_pixels
from grainmatch.model import Bench


@dataclass(frozen=True, eq=False)
class FaceSizes:
    """Millimetres, in the board's own frame: x along it from its left end, y across, downward.

    length_mm is overall, end to end along the board. start and end widths are taken square
    across it, at the middle of the left and the right end. crook_mm is the largest departure of
    the middle line from straight, towards +y. upper_mm and lower_mm (n, 2) are the long edges in that
    frame; origin_mm and angle_rad place it on the face plane.
    """

    length_mm: float
    start_width_mm: float
    end_width_mm: float
    crook_mm: float
    sigma_length_mm: float
    sigma_width_mm: float
    upper_mm: Points
    lower_mm: Points
    origin_mm: Points
    angle_rad: float

    @property
    def taper_mm(self) -> float:
        """How much wider the left end is than the right one."""
        return self.start_width_mm - self.end_width_mm


def measure_outline(bench: Bench, outline: BoardOutline) -> FaceSizes:
    """Sizes of one outline; sigmas join the edges' own noise with the photo's scale."""
    start = (outline.upper_mm[0] + outline.lower_mm[0]) / 2
    end = (outline.upper_mm[-1] + outline.lower_mm[-1]) / 2
    angle = float(np.arctan2(*(end - start)[::-1]))
    frame = Frame(np.asarray(start), angle)
    upper, lower = frame.enter(outline.upper_mm), frame.enter(outline.lower_mm)
    both = np.vstack([upper, lower])
    frame = Frame(frame.leave(both.min(axis=0)), angle)
    upper, lower = upper - both.min(axis=0), lower - both.min(axis=0)
    length = float(np.ptp(both[:, 0]))
    widths = [_width_at(upper, lower, 0.5 * (upper[k, 0] + lower[k, 0])) for k in (0, -1)]
    s = outline.sigma_mm
    by_view = _view_sigma_mm(bench, outline, np.array([length, *widths]))
    return FaceSizes(
        length,
        widths[0],
        widths[1],
        _crook(upper, lower),
        float(np.hypot(np.hypot(s[2], s[3]), by_view[0])),
        float(np.hypot(np.hypot(s[0], s[1]), by_view[1:].max())),
        upper,
        lower,
        frame.origin_mm,
        angle,
    )


def _view_sigma_mm(bench: Bench, outline: BoardOutline, sizes_mm: Points) -> Points:
    """1-sigma of length and both widths (3,) from what is not known of the view, where the board lies."""
    if not bench.spread:
        return bench.scale_sigma_frac * sizes_mm
    corners = np.array([edge[k] for edge in (outline.upper_mm, outline.lower_mm) for k in (0, -1)])
    seen = plane_to_pixels(bench.camera, corners, bench.face_height_mm)
    views = [camera for pair in bench.spread for camera in pair]
    spans = _spans(pixels_to_planes(views, seen, bench.face_height_mm))
    half = (spans[:, ::2] - spans[:, 1::2]) / 2
    return np.asarray(np.sqrt((half**2).sum(axis=1)))


def _spans(corners: Points) -> Points:
    """Length and both widths (3, views) of upper and lower corners (views, 4, 2), left and right of each."""
    a, b, c, d = corners.transpose(1, 0, 2)
    spans = np.array([(b + d - a - c) / 2, c - a, d - b])
    return np.asarray(np.hypot(spans[..., 0], spans[..., 1]))


def _width_at(upper: Points, lower: Points, x: float) -> float:
    return float(_value(lower, x) - _value(upper, x))


def _value(edge: Points, x: float) -> float:
    """y of a polyline at x, its end pieces prolonged."""
    if x < edge[0, 0]:
        a, b = edge[0], edge[1]
    elif x > edge[-1, 0]:
        a, b = edge[-2], edge[-1]
    else:
        return float(np.interp(x, edge[:, 0], edge[:, 1]))
    return float(a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]))


def _crook(upper: Points, lower: Points) -> float:
    """Largest departure of the middle line from its chord, signed towards +y."""
    x = np.linspace(max(upper[0, 0], lower[0, 0]), min(upper[-1, 0], lower[-1, 0]), 65)
    y = 0.5 * (np.interp(x, *upper.T) + np.interp(x, *lower.T))
    rest = y - np.interp(x, [x[0], x[-1]], [y[0], y[-1]])
    return float(rest[np.abs(rest).argmax()])
