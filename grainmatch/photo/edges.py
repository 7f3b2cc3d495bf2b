"""Long edges of outlined boards, traced in the photo: what straight wood says about the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Camera, Points, pixels_to_plane, plane_to_pixels, resample_polyline
from grainmatch.model import Bench
from grainmatch.photo.rectify import frame_face

Floats = NDArray[np.float64]

# A planed edge's bow and a board's taper, in mm: long-tailed, because some boards have plenty.
USUAL_SAG_MM = 0.25
USUAL_TAPER_MM = 0.4
LEAST_LENGTH_MM = 250.0
_STATIONS = 41
_LOOKS = 5  # along the edge, averaged at each station
_REACH_MM = 2.5
_LEAST_STATIONS = 15


@dataclass(frozen=True, eq=False)
class LongEdges:
    """The long edges of some boards.

    traced_px (boards, 2, n, 2): upper, then lower, left to right. solve (boards, 2, 3, n) takes offsets
    across a board to their constant, slope and bow along it, doubtful stations left out.
    """

    traced_px: NDArray[np.float64]
    solve: Floats

    def __len__(self) -> int:
        return len(self.traced_px)

    def lay_flat(self, camera: Camera, height_mm: float) -> Points:
        """The traced points (boards * 2 * n, 2), mm, on the plane as `camera` sees it."""
        return pixels_to_plane(camera, self.traced_px.reshape(-1, 2), height_mm)

    def bend(self, camera: Camera, height_mm: float) -> Floats:
        """Sag of upper and lower edge, and taper (boards, 3), mm, on the plane as `camera` sees it."""
        flat = self.lay_flat(camera, height_mm).reshape(self.traced_px.shape)
        _, across, _ = _directions(flat)
        return self._bend_of(np.einsum("beni,bi->ben", flat, across)[..., None])[..., 0]

    def bend_slopes(self, flat_mm: Points, moves: Floats) -> Floats:
        """Derivatives (boards, 3, k) of `bend` by what moves the points flat_mm (m, 2), laid flat, by `moves`
        (m, 2, k)."""
        flat = flat_mm.reshape(self.traced_px.shape)
        moved = moves.reshape(*flat.shape, -1)
        along, across, reach_mm = _directions(flat)
        lengthened = (moved[:, :, -1] - moved[:, :, 0]).sum(axis=1)
        turned = np.einsum("bi,bik->bk", across, lengthened) / reach_mm[:, None]
        offsets = np.einsum("benik,bi->benk", moved, across)
        offsets -= np.einsum("beni,bi->ben", flat, along)[..., None] * turned[:, None, None, :]
        return self._bend_of(offsets)

    def _bend_of(self, offsets: Floats) -> Floats:
        """Sags and taper (boards, 3, k) of offsets (boards, 2, n, k) across each board."""
        terms = np.matmul(self.solve, offsets)
        taper = 2 * (terms[:, 1, 1] - terms[:, 0, 1])
        return np.stack([1.5 * terms[:, 0, 2], 1.5 * terms[:, 1, 2], taper], axis=1)


def _directions(flat: Floats) -> tuple[Floats, Floats, Floats]:
    """Unit vectors along and across boards (boards, 2) of points (boards, 2, n, 2); both edges' reach."""
    along = (flat[:, :, -1] - flat[:, :, 0]).sum(axis=1)
    reach = np.hypot(*along.T)
    along = along / reach[:, None]
    return along, np.column_stack([-along[:, 1], along[:, 0]]), reach


def trace_boards(bench: Bench, outlines_px: Sequence[Points]) -> LongEdges:
    """The long edges of each outline (n, 2), found again in the photo to a fraction of a pixel.

    Across each of 41 stations the strongest colour step within 2.5 mm of the outline counts. Boards shorter
    than 250 mm, or with too few clear stations, are left out.
    """
    traced, solves = [], []
    for outline in outlines_px:
        sides_mm = _long_sides(bench, np.asarray(outline, dtype=np.float64))
        if np.hypot(*(sides_mm[0][-1] - sides_mm[0][0])) < LEAST_LENGTH_MM:
            continue
        sides = [_trace(bench, side) for side in sides_mm]
        solve = [_solver(offset_mm) for _, offset_mm in sides]
        if all(s is not None for s in solve):
            traced.append([points for points, _ in sides])
            solves.append(solve)
    return LongEdges(np.array(traced), np.array(solves, dtype=np.float64))


def _long_sides(bench: Bench, outline_px: Points) -> tuple[Points, Points]:
    """The outline's upper and lower side as polylines on the faces' plane, left to right."""
    frame = frame_face(bench, outline_px)
    outline = pixels_to_plane(bench.camera, outline_px, bench.face_height_mm)
    level = frame.from_bench(outline) / frame.size_mm
    corners = [
        int(np.argmin(np.hypot(*((level - c) * (3.0, 1.0)).T))) for c in ((0, 0), (1, 0), (1, 1), (0, 1))
    ]
    order = (
        1
        if _steps(corners[0], corners[1], len(outline)) <= _steps(corners[1], corners[0], len(outline))
        else -1
    )
    upper = _walk(outline, corners[0], corners[1], order)
    lower = _walk(outline, corners[3], corners[2], -order)
    return upper, lower


def _steps(a: int, b: int, n: int) -> int:
    return (b - a) % n


def _walk(outline: Points, start: int, end: int, order: int) -> Points:
    n = len(outline)
    count = (order * (end - start)) % n
    return outline[[(start + order * k) % n for k in range(count + 1)]]


def _trace(bench: Bench, side_mm: Points) -> tuple[Points, Floats]:
    """Edge points (41, 2) in photo pixels and how far each lies from the outline in mm, NaN where unclear."""
    line = resample_polyline(side_mm, 401)[12:-12]
    at = np.linspace(_LOOKS, len(line) - 1 - _LOOKS, _STATIONS).astype(int)
    along = line[at + 3] - line[at - 3]
    along /= np.hypot(*along.T)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    px_mm = 1 / bench.px_per_mm
    t = np.arange(-_REACH_MM, _REACH_MM + px_mm / 4, px_mm / 2)
    looks = (np.arange(_LOOKS) - _LOOKS // 2) * px_mm
    places = (
        line[at][:, None, None]
        + looks[None, :, None, None] * along[:, None, None]
        + t[None, None, :, None] * across[:, None, None]
    )
    xy = (plane_to_pixels(bench.camera, places.reshape(-1, 2), bench.face_height_mm) - 0.5).astype(np.float32)
    seen = cv2.remap(bench.photo.rgb, xy[:, :1], xy[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = np.asarray(seen, dtype=np.float32).reshape(_STATIONS, _LOOKS, len(t), 3).mean(axis=1)
    offset_mm = _steepest(profile, t)
    shift = np.where(np.isnan(offset_mm), 0.0, offset_mm)
    edge_px = plane_to_pixels(bench.camera, line[at] + shift[:, None] * across, bench.face_height_mm)
    return edge_px, offset_mm


def _steepest(profile: NDArray[np.float32], t_mm: Floats) -> Floats:
    """Where each profile (stations, n, 3) changes most, to a fraction of a step; NaN where it hardly does."""
    slope = np.gradient(cv2.GaussianBlur(profile, (1, 1), 0), axis=1)
    size = np.sqrt((slope.astype(np.float64) ** 2).sum(axis=2)) * np.exp(-((t_mm / 1.5) ** 2) / 2)
    best = np.clip(size.argmax(axis=1), 1, len(t_mm) - 2)
    rows = np.arange(len(size))
    a, b, c = size[rows, best - 1], size[rows, best], size[rows, best + 1]
    bow = a - 2 * b + c
    part = np.where(bow < 0, 0.5 * (a - c) / np.minimum(bow, -1e-9), 0.0)
    at = t_mm[best] + np.clip(part, -1, 1) * (t_mm[1] - t_mm[0])
    clear = (b > 4.0) & (b > 0.4 * np.median(b))
    return np.where(clear, at, np.nan)


def _solver(offset_mm: Floats) -> Floats | None:
    """Least-squares map (3, n) from offsets to constant, slope and bow over clear stations; None when few.

    Stations off the run of their edge (a shadow, a knot at the edge) are left out.
    """
    s = np.linspace(-1, 1, len(offset_mm))
    basis = np.column_stack([np.ones_like(s), s, 1.5 * s * s - 0.5])
    use = np.isfinite(offset_mm)
    for _ in range(4):
        if use.sum() < _LEAST_STATIONS:
            return None
        fit = np.linalg.lstsq(basis[use], offset_mm[use], rcond=None)[0]
        left = np.abs(np.where(np.isfinite(offset_mm), offset_mm, np.inf) - basis @ fit)
        use = left < max(3 * 1.4826 * float(np.median(left[use])), 0.08)
    if use.sum() < _LEAST_STATIONS:
        return None
    weighted = basis * use[:, None]
    return np.asarray(np.linalg.solve(basis[use].T @ basis[use], weighted.T))
