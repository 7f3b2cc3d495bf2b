"""Whether the boards' own right angles and parallel edges bear out where the sheet says the camera stands.

A sheet that leans on something, curls, or is printed longer one way tells a wrong tilt. Laid flat with it,
all boards come out as wedges of one kind: their ends converge in proportion to their length, or their long
edges in proportion to their width, and then boards farther across are skewed the more. Boards differ; a
mistake common to them is the sheet's.

What this cannot tell: a sheet in a plane parallel to the faces but at another height than said (on the
boards instead of the bench, on a book), and one printed larger or smaller both ways. Those change the scale
only, and no angle knows of it. Nor do the boards' upright sides: seen from 1.7 m, the side of a board 27 mm
thick looks 1.6 % wider or narrower when the sheet lies one thickness higher, a quarter of a pixel in
fifteen, and no caliper is surer of the thickness. Where the sheet lies among the outlines tells some of it
(`pose.check_sheet_place`). Small leans pass too, for so much may be the saw's: on drawn scenes four boards
tell of two degrees, two boards of about four, and those by their ends only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from grainmatch.geometry import Camera, Points, mean_axis_rad, pixels_to_plane
from grainmatch.model import Bench
from grainmatch.photo.camera import SHEET_OR_BOARDS
from grainmatch.photo.edges import USUAL_BEND_MM
from grainmatch.photo.square import USUAL_SKEW_RAD, rectangle_corners

Floats = NDArray[np.float64]

# A saw set wrong by half a degree makes trapezoids of all boards alike, their ends a degree apart.
ODD_CONVERGENCE_RAD = math.radians(1.25)
ODD_TAPER_MM = 0.8
# Boards of one tree, laid one way, may all be wedges, but hardly so many to such a measure.
ALIKE_MM = 2 * USUAL_BEND_MM[2]
LEAST_WEDGES_N = 3
CHANCE = 0.001  # how often the ends of boards as they come may seem to agree so
SURE = 4.0  # sigmas, of what is not known of the view
USUAL_WORTH = 3  # so many boards' skews the usual one is worth, beside those seen
AGREEING = (0.5, 2.0)  # of what boards tell in common, the most of them must tell
LEAST_AGREEING, LEAST_ALIKE = 0.75, 0.8
_MEDIAN_SIGMA = 1.2533  # of a median, over that of a mean: sqrt(pi / 2)


@dataclass(frozen=True, eq=False)
class Shapes:
    """Boards laid flat, all seen the same way round, one value a board.

    skew_rad (boards, 2): how far the left and the right end are out of square. taper: how much wider the
    left end is, in shares of the width. across_mm: where the board lies, square to the boards. length_mm,
    width_mm.
    """

    skew_rad: Floats
    taper: Floats
    across_mm: Floats
    length_mm: Floats
    width_mm: Floats

    @property
    def convergence(self) -> Floats:
        """Of each board's ends, rad a mm of its length."""
        return np.asarray((self.skew_rad[:, 1] - self.skew_rad[:, 0]) / self.length_mm)

    @property
    def convergence_along(self) -> Floats:
        """Of each board's long edges, rad a mm of its width."""
        return self.taper / self.length_mm

    @property
    def growth(self) -> float:
        """How boards are skewed the more the farther across they lie, rad a mm: what a wrong tilt makes of
        `convergence_along` too."""
        away = self.across_mm - self.across_mm.mean()
        return -float(away @ self.skew_rad.mean(axis=1) / max(float(away @ away), 1e-9))


class Outlined(Protocol):
    """A board's outline (n, 2) in the photo, and the 1-sigma of where its upper, lower, left and right edges
    lie."""

    @property
    def outline_px(self) -> Points: ...

    @property
    def sigma_mm(self) -> tuple[float, float, float, float]: ...


def tell_disagreement(bench: Bench, outlines: Sequence[Outlined]) -> tuple[str, ...]:
    """The warning when boards plainly speak against the sheets; nothing when they do not, or it was given.

    Two boards at least must agree in how their ends converge, or three in how their long edges do, in
    proportion to their widths, skew growing across the boards as it then must.
    """
    if not bench.sheets or len(outlines) < 2 or SHEET_OR_BOARDS in bench.warnings:
        return ()
    corners = np.array([rectangle_corners(o.outline_px) for o in outlines])
    shapes = lay_shapes(bench.camera, bench.face_height_mm, corners)
    views = [[lay_shapes(camera, bench.face_height_mm, corners) for camera in pair] for pair in bench.spread]
    sigmas_mm = np.array([o.sigma_mm for o in outlines])
    skew_rad = float(np.median(math.sqrt(2) * sigmas_mm[:, 2:] / shapes.width_mm[:, None]))
    taper_mm = float(np.median(math.sqrt(2) * np.hypot(*sigmas_mm[:, :2].T)))
    wrong = _ends_converge(shapes, views, skew_rad) or _edges_converge(shapes, views, taper_mm)
    return (SHEET_OR_BOARDS,) if wrong else ()


def lay_shapes(camera: Camera, height_mm: float, corners_px: NDArray[np.float64]) -> Shapes:
    """The shapes of boards from their corners (boards, 4, 2), as `rectangle_corners` gives them."""
    flat = pixels_to_plane(camera, corners_px.reshape(-1, 2), height_mm).reshape(-1, 4, 2)
    along = flat[:, 1] + flat[:, 2] - flat[:, 0] - flat[:, 3]
    axis = mean_axis_rad(np.arctan2(along[:, 1], along[:, 0]), np.hypot(*along.T))
    common = np.array([math.cos(axis), math.sin(axis)])
    turned = (along @ common < 0)[:, None, None]  # of boards upright in the photo some may run the other way
    a, b, c, d = np.moveaxis(np.where(turned, np.roll(flat, 2, axis=1), flat), 1, 0)
    along = b + c - a - d
    u = along / np.hypot(*along.T)[:, None]
    v = np.column_stack([-u[:, 1], u[:, 0]])
    ends = np.stack([d - a, c - b], axis=1)
    lean, wide = np.einsum("bei,bi->be", ends, u), np.einsum("bei,bi->be", ends, v)
    width = wide.mean(axis=1)
    return Shapes(
        skew_rad=np.arctan2(lean, wide),
        taper=(wide[:, 0] - wide[:, 1]) / width,
        across_mm=flat.mean(axis=1) @ np.array([-common[1], common[0]]),
        length_mm=np.hypot(*along.T) / 2,
        width_mm=width,
    )


def _ends_converge(shapes: Shapes, views: Sequence[Sequence[Shapes]], noise_rad: float) -> bool:
    """Whether the boards' ends converge plainly, and alike; noise_rad: 1-sigma of seeing a skew."""
    told, length = shapes.convergence, float(np.median(shapes.length_mm))
    common = float(np.median(told))
    skew = _most_skew((told - common) * length / math.sqrt(2), noise_rad)
    by_chance = _MEDIAN_SIGMA * math.sqrt(2) * skew / math.sqrt(len(told))
    by_view = length * _half_apart([[float(np.median(s.convergence)) for s in pair] for pair in views])
    plain = abs(common) * length > max(ODD_CONVERGENCE_RAD, math.hypot(by_chance, SURE * by_view))
    return plain and _agree(told, common)


def _edges_converge(shapes: Shapes, views: Sequence[Sequence[Shapes]], noise_mm: float) -> bool:
    """Whether long edges converge plainly, in proportion to the boards' widths, and skew bears it out.

    noise_mm: 1-sigma of seeing a board's taper.
    """
    told, sizes = shapes.convergence_along, shapes.width_mm * shapes.length_mm
    if len(told) < LEAST_WEDGES_N:
        return False
    common = float(np.median(told))
    alike = np.abs(told - common) * sizes < ALIKE_MM
    by_chance = _MEDIAN_SIGMA * math.hypot(USUAL_BEND_MM[2], noise_mm) / math.sqrt(len(told))
    by_view = _half_apart([[float(np.median(s.convergence_along)) for s in pair] for pair in views])
    size = float(np.median(sizes))
    plain = abs(common) * size > max(ODD_TAPER_MM, SURE * math.hypot(by_chance, by_view * size))
    return plain and alike.mean() >= LEAST_ALIKE and _agree(np.array([shapes.growth]), common)


def _most_skew(left_rad: Floats, noise_rad: float) -> float:
    """What an end's skew exceeds by `CHANCE`, from what is left of skews (boards,) without their median.

    Student's t: the spread seen, robust, and the usual one together, each for as many boards as it is worth.
    """
    free = len(left_rad) - 1
    seen = 1.4826 * float(np.median(np.abs(left_rad)))
    freedom = USUAL_WORTH + free
    spread = math.sqrt((USUAL_WORTH * USUAL_SKEW_RAD**2 + free * seen**2) / freedom)
    return math.hypot(spread, noise_rad) * float(stdtrit(freedom, 1 - CHANCE / 2))


def _half_apart(pairs: Sequence[Sequence[float]]) -> float:
    """1-sigma of a number from its values under pairs of cameras."""
    return math.sqrt(sum(((a - b) / 2) ** 2 for a, b in pairs))


def _agree(told: Floats, common: float) -> bool:
    """Whether most boards tell about what they tell in common."""
    share = told / common
    return bool(((share > AGREEING[0]) & (share < AGREEING[1])).mean() >= LEAST_AGREEING)
