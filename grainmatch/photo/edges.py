"""Long edges of outlined boards, traced in the photo: what straight wood says about the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Camera, Points, pixels_to_plane, plane_to_pixels, resample_polyline
from grainmatch.model import Bench
from grainmatch.photo.rectify import frame_face
from grainmatch.ranks import median

Floats = NDArray[np.float64]

# How far in mm a planed edge sags, opposite edges sag apart (half of it), and a board tapers: long-tailed,
# because some boards have plenty. Crook bends both edges alike, a lens bends them apart.
USUAL_BEND_MM = (0.25, 0.12, 0.4)
LEAST_LENGTH_MM = 250.0
NEIGHBOUR_MM = 4.0
_STATIONS = 41
_LOOKS = 5  # along the edge, averaged at each station
_REACH_MM = 2.5
_LEAST_STATIONS = 15
_BASIS = np.vander(np.linspace(-1, 1, _STATIONS), 3, increasing=True) @ [[1, 0, -0.5], [0, 1, 0], [0, 0, 1.5]]


@dataclass(frozen=True, eq=False)
class LongEdges:
    """The long edges of some boards.

    traced_px (boards, 2, n, 2): upper, then lower, left to right. solve (boards, 2, 3, n) takes offsets
    across a board to their constant, slope and bow along it, doubtful stations left out; zero for an edge
    that tells nothing. noise_mm (boards, 4): 1-sigma of `bend` from seeing the edges.
    """

    traced_px: NDArray[np.float64]
    solve: Floats
    noise_mm: Floats

    def __len__(self) -> int:
        return len(self.traced_px)

    @cached_property
    def told(self) -> NDArray[np.bool_]:
        """Which edges (boards, 2) tell something."""
        return np.asarray(self.solve.any(axis=(2, 3)))

    def lay_flat(self, camera: Camera, height_mm: float) -> Points:
        """The traced points (boards * 2 * n, 2), mm, on the plane as `camera` sees it."""
        return pixels_to_plane(camera, self.traced_px.reshape(-1, 2), height_mm)

    def bend(self, camera: Camera, height_mm: float) -> Floats:
        """Sag of upper and lower edge, half of how much they sag apart, and taper (boards, 4), mm.

        On the plane as `camera` sees it; zero where an edge needed for it tells nothing.
        """
        return self.bend_of(self.lay_flat(camera, height_mm))

    def bend_of(self, flat_mm: Points) -> Floats:
        """The same of points (m, 2) laid flat."""
        flat = flat_mm.reshape(self.traced_px.shape)
        _, across, _ = _directions(flat)
        return self._bend_of_offsets(np.einsum("beni,bi->ben", flat, across)[..., None])[..., 0]

    def bend_slopes(self, flat_mm: Points, moves: Floats) -> Floats:
        """Derivatives (boards, 4, k) of `bend` by what moves the points flat_mm (m, 2), laid flat, by `moves`
        (m, 2, k)."""
        flat = flat_mm.reshape(self.traced_px.shape)
        moved = moves.reshape(*flat.shape, moves.shape[-1])
        along, across, reach_mm = _directions(flat)
        lengthened = (moved[:, :, -1] - moved[:, :, 0]).sum(axis=1)
        turned = np.einsum("bi,bik->bk", across, lengthened) / reach_mm[:, None]
        offsets = np.einsum("benik,bi->benk", moved, across)
        offsets -= np.einsum("beni,bi->ben", flat, along)[..., None] * turned[:, None, None, :]
        return self._bend_of_offsets(offsets)

    def _bend_of_offsets(self, offsets: Floats) -> Floats:
        """The bends (boards, 4, k) of offsets (boards, 2, n, k) across each board."""
        terms = np.matmul(self.solve, offsets)
        both = np.asarray(self.told.all(axis=1))[:, None]
        sag = 1.5 * terms[:, :, 2]
        taper = 2 * (terms[:, 1, 1] - terms[:, 0, 1])
        return np.stack([sag[:, 0], sag[:, 1], (sag[:, 1] - sag[:, 0]) / 2 * both, taper * both], axis=1)


def _directions(flat: Floats) -> tuple[Floats, Floats, Floats]:
    """Unit vectors along and across boards (boards, 2) of points (boards, 2, n, 2); both edges' reach."""
    along = (flat[:, :, -1] - flat[:, :, 0]).sum(axis=1)
    reach = np.hypot(*along.T)
    along = along / reach[:, None]
    return along, np.column_stack([-along[:, 1], along[:, 0]]), reach


def trace_boards(bench: Bench, outlines_px: Sequence[Points]) -> LongEdges:
    """The long edges of each outline (n, 2), found again in the photo to a fraction of a pixel.

    Across each of 41 stations the strongest colour step within 2.5 mm of the outline counts. Boards that
    touch along their length are traced as one wide board, for at a seam lines of the figure are as strong.
    Boards shorter than 250 mm, and edges with too few clear stations, are left out.
    """
    sides_mm = [_long_sides(bench, np.asarray(o, dtype=np.float64)) for o in outlines_px]
    traced, solves, noises = [], [], []
    for first, last, boards_n in _piles(sides_mm):
        sides = sides_mm[first][0], sides_mm[last][1]
        if min(np.hypot(*(side[-1] - side[0])) for side in sides) < LEAST_LENGTH_MM:
            continue
        lines, offsets_mm = zip(*(_trace(bench, side) for side in sides), strict=True)
        solved = [_solve(o) for o in offsets_mm]
        if any(solve.any() for solve, _ in solved):
            traced.append(lines)
            solves.append([solve for solve, _ in solved])
            noises.append(_bend_noise([noise for _, noise in solved], boards_n))
    return LongEdges(
        np.reshape(traced, (-1, 2, _STATIONS, 2)),
        np.reshape(solves, (-1, 2, 3, _STATIONS)),
        np.reshape(noises, (-1, 4)),
    )


def _piles(sides_mm: Sequence[tuple[Points, Points]]) -> list[tuple[int, int, int]]:
    """Boards that touch along their length: first, last and how many; a board alone is a pile too."""
    below = [_neighbour(sides[1], [s[0] for s in sides_mm]) for sides in sides_mm]
    piles = []
    for first in sorted(set(range(len(sides_mm))) - set(below)):
        last, boards_n = first, 1
        while (after := below[last]) is not None and boards_n < len(sides_mm):
            last, boards_n = after, boards_n + 1
        piles.append((first, last, boards_n))
    return piles


def _neighbour(lower_mm: Points, uppers_mm: Sequence[Points]) -> int | None:
    """Which upper side runs within `NEIGHBOUR_MM` of a lower side's middle and quarters."""
    places = resample_polyline(lower_mm, 5)[1:-1].astype(np.float32)
    for n, upper in enumerate(uppers_mm):
        line = upper.astype(np.float32).reshape(-1, 1, 2)
        back = np.concatenate([line, line[::-1]])  # a ring without room inside
        apart = [cv2.pointPolygonTest(back, (float(x), float(y)), True) for x, y in places]
        if median(np.abs(apart)) < NEIGHBOUR_MM:
            return n
    return None


def _bend_noise(noises: Sequence[Floats], boards_n: int) -> Floats:
    """1-sigma of a pile's sags, half the sag apart and taper, from its edges' 1-sigma of slope and bow (2,).

    What boards in it bend apart and taper adds up.
    """
    slope, bow = np.transpose(noises)
    seen = np.array([*1.5 * bow, 0.75 * np.hypot(*bow), 2 * np.hypot(*slope)])
    return np.asarray(np.hypot(seen, np.array([0.0, 0.0, *USUAL_BEND_MM[1:]]) * np.sqrt(boards_n - 1)))


def _long_sides(bench: Bench, outline_px: Points) -> tuple[Points, Points]:
    """The outline's upper and lower side as polylines on the faces' plane, left to right."""
    frame = frame_face(bench, outline_px)
    outline = pixels_to_plane(bench.camera, outline_px, bench.face_height_mm)
    level = frame.from_bench(outline) / frame.size_mm
    corners = [
        int(np.argmin(np.hypot(*((level - c) * (3.0, 1.0)).T))) for c in ((0, 0), (1, 0), (1, 1), (0, 1))
    ]
    n = len(outline)
    order = 1 if (corners[1] - corners[0]) % n < (corners[2] - corners[0]) % n else -1
    upper = _walk(outline, corners[0], corners[1], order)
    lower = _walk(outline, corners[3], corners[2], -order)
    return upper, lower


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
    clear = (b > 4.0) & (b > 0.4 * median(b))
    return np.where(clear, at, np.nan)


def _solve(offset_mm: Floats) -> tuple[Floats, Floats]:
    """Least-squares map (3, n) from offsets to constant, slope and bow, and the 1-sigma of slope and bow.

    Over clear stations; zeros when there are few.

    Stations off the run of their edge (a shadow, a knot at the edge) are left out.
    """
    nothing = np.zeros((3, _STATIONS)), np.zeros(2)
    use = np.isfinite(offset_mm)
    for _ in range(4):
        if use.sum() < _LEAST_STATIONS:
            return nothing
        fit = np.linalg.lstsq(_BASIS[use], offset_mm[use], rcond=None)[0]
        left = np.abs(np.where(np.isfinite(offset_mm), offset_mm, np.inf) - _BASIS @ fit)
        use = left < max(3 * 1.4826 * float(median(left[use])), 0.08)
    if use.sum() < _LEAST_STATIONS:
        return nothing
    cover = np.linalg.inv(_BASIS[use].T @ _BASIS[use])
    noise = float(np.sqrt((left[use] ** 2).mean()))
    return np.asarray(cover @ (_BASIS * use[:, None]).T), noise * np.sqrt(np.diag(cover)[1:])
