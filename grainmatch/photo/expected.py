"""What is expected of boards as seen: straight, parallel long edges and square ends, each in sigmas."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Camera, Points, pixels_to_plane
from grainmatch.photo.edges import USUAL_BEND_MM, LongEdges
from grainmatch.photo.square import SKEW_BOUNDS_RAD, USUAL_SKEW_RAD, BoardEnds

Floats = NDArray[np.float64]

# The boards at hand may be truer or more crooked than usual, within these bounds of their bends in mm.
_BEND_BOUNDS_MM = ((0.08, 2.0), (0.05, 1.0), (0.12, 3.0))


@dataclass(frozen=True, eq=False)
class ExpectedBoards:
    """Long edges and ends of the boards in a photo, and how far such boards usually are from true.

    usual_bend_mm: 1-sigma of sag, sag apart and taper; usual_skew_rad: of an end out of square. Every end
    and edge is taken to depart on its own: a saw set wrong that cut all boards one way would pass for a tilt.
    """

    edges: LongEdges
    ends: BoardEnds
    usual_bend_mm: tuple[float, float, float] = USUAL_BEND_MM
    usual_skew_rad: float = USUAL_SKEW_RAD

    def lay_flat(self, camera: Camera, height_mm: float) -> Points:
        """All points (n, 2) edges and ends are told by, mm, on the plane as `camera` sees it."""
        return pixels_to_plane(camera, self._seen_px, height_mm)

    def departures(self, camera: Camera, height_mm: float) -> Floats:
        """How far each edge and end (n,) is from true on the plane as `camera` sees it, in sigmas."""
        return self.departures_of(self.lay_flat(camera, height_mm))

    def departures_of(self, flat_mm: Points) -> Floats:
        """The same of points (n, 2) laid flat."""
        n = self._edge_points_n
        bends, skews = self.edges.bend_of(flat_mm[:n]), self.ends.skews_of(flat_mm[n:])
        return np.concatenate([(bends / self._bend_sigma).ravel(), (skews / self._skew_sigma).ravel()])

    def departure_slopes(self, flat_mm: Points, moves: Floats) -> Floats:
        """Derivatives (n, k) of `departures_of` by what moves the points flat_mm, laid flat, by `moves`
        (points, 2, k)."""
        n, k = self._edge_points_n, moves.shape[-1]
        bends = self.edges.bend_slopes(flat_mm[:n], moves[:n]) / self._bend_sigma[..., None]
        skews = self.ends.skew_slopes(flat_mm[n:], moves[n:]) / self._skew_sigma[..., None]
        return np.concatenate([bends.reshape(-1, k), skews.reshape(-1, k)])

    def as_seen(self, camera: Camera, height_mm: float, wider: float = 1.0) -> ExpectedBoards:
        """The same boards, what is usual drawn from themselves, so far as there are enough, times `wider`."""
        bends, both = self.edges.bend(camera, height_mm), self.edges.told.all(axis=1)
        seen = bends[:, :2][self.edges.told], bends[both, 2], bends[both, 3]
        sag, apart, taper = (
            wider * _typical(values, usual, bounds)
            for values, usual, bounds in zip(seen, USUAL_BEND_MM, _BEND_BOUNDS_MM, strict=True)
        )
        skews = self.ends.skews_rad(camera, height_mm).ravel()
        skew = wider * _typical(skews, USUAL_SKEW_RAD, SKEW_BOUNDS_RAD)
        return replace(self, usual_bend_mm=(sag, apart, taper), usual_skew_rad=skew)

    @property
    def _edge_points_n(self) -> int:
        return self.edges.traced_px.size // 2

    # The camera's fit asks for these a hundred times.
    @cached_property
    def _seen_px(self) -> Points:
        return np.concatenate([self.edges.traced_px.reshape(-1, 2), self.ends.corners_px.reshape(-1, 2)])

    @cached_property
    def _bend_sigma(self) -> Floats:
        """1-sigma (boards, 4) of `LongEdges.bend`, mm."""
        sag, apart, taper = self.usual_bend_mm
        return np.hypot((sag, sag, apart, taper), self.edges.noise_mm)

    @cached_property
    def _skew_sigma(self) -> Floats:
        return np.hypot(self.usual_skew_rad, self.ends.noise_rad)


def _typical(seen: Floats, usual: float, bounds: tuple[float, float]) -> float:
    """Robust 1-sigma of values (n,) about zero, drawn to what is usual when they are few."""
    share = max(len(seen) - 1, 0) / max(len(seen), 1)  # one of them is used up by lens and tilt
    size = 1.4826 * float(np.median(np.abs(seen))) if len(seen) else usual
    return float(np.clip(share * size + (1 - share) * usual, *bounds))
