"""Boards of unknown size -> the camera over them: what right angles and parallel edges tell of a view."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import stdtrit

from grainmatch.geometry import Camera, Points, pixels_to_plane
from grainmatch.model import Photo
from grainmatch.photo.camera import CameraFit, describe_fit, focal_prior
from grainmatch.photo.corners import K1_MOST, K1_USUAL, TILT_SIGMA_RAD, expect_k1, tame, tilted
from grainmatch.photo.expected import ExpectedBoards

Floats = NDArray[np.float64]

# How true a board's typed size is to its outline.
TYPED_SIGMA_MM = 1.0
# Out to how many sigmas every board pulls in full: at first however far off it is.
_WIDER = (30.0, 5.0, 1.0)
# How far a state may lie from its start, and steps of it that move the view about alike.
_REACH = np.array([0.8, 1.5 * K1_MOST, 0.95, 0.95])
_STEPS = np.array([0.02, 0.02, 0.01, 0.01])
_ROUGH_TOLERANCE, _FINE_TOLERANCE = 1e-3, 1e-6
_MOST_STEPS = 40


@dataclass(frozen=True, eq=False)
class FacesProblem:
    """The least-squares problem of one camera over the faces of boards, some size of one of which is typed.

    A state is log focal, k1 and tilt (2) about an axis in the picture. z = 0 is the plane of the faces, and
    its distance is what gives the typed board its size. typed_mm: length and width of board `place`, one of
    them or both. widened: out to how many sigmas all that is expected of boards pulls in full.
    """

    boards: ExpectedBoards
    place: int
    typed_mm: tuple[float | None, float | None]
    centre_px: tuple[float, float]
    focal_px: float
    focal_sigma_frac: float
    widened: float = 1.0
    k1_most: float = K1_MOST

    def camera(self, state: Floats) -> Camera:
        camera = Camera(
            math.exp(state[0]), self.centre_px, float(state[1]), tilted(state[2:4]), np.array([0, 0, 1000.0])
        )
        apart, sigma = self._apart_from_typed(camera)
        scale = math.exp(float(np.average(apart, weights=1 / sigma**2)))
        return replace(camera, translation_mm=camera.translation_mm * scale)

    def _apart_from_typed(self, camera: Camera) -> tuple[Floats, Floats]:
        """Logarithm of each typed size over the one seen, and its 1-sigma."""
        seen = _sizes_mm(pixels_to_plane(camera, self.boards.ends.corners_px[self.place], 0.0))
        both = [(typed, size) for typed, size in zip(self.typed_mm, seen, strict=True) if typed is not None]
        typed, sizes = np.array(both).T
        return np.log(typed / sizes), TYPED_SIGMA_MM / typed

    def expect_k1(self, k1: Floats) -> tuple[Floats, Floats, Floats]:
        """What is expected of each k1 alone; see `corners.expect_k1`."""
        return expect_k1(k1, self.k1_most)

    def residuals(self, state: Floats) -> Floats:
        camera = self.camera(state)
        firm = [(state[0] - math.log(self.focal_px)) / self.focal_sigma_frac, state[1] / self.k1_most]
        firm += list(camera.rotation[:2, 2] / TILT_SIGMA_RAD)
        apart, sigma = self._apart_from_typed(camera)
        of_wood = self.widened * tame(self.boards.departures(camera, 0.0) / self.widened)
        return np.concatenate([firm, tame(state[1:2] / K1_USUAL), apart / sigma, of_wood])

    def solve(self, start: Floats, *, tolerance: float) -> Any:
        """Scipy's OptimizeResult of its trust region method from a starting state."""
        middle = np.array([math.log(self.focal_px), 0.0, 0.0, 0.0])
        return least_squares(
            self.residuals,
            start,
            bounds=(middle - _REACH, middle + _REACH),
            x_scale=_STEPS,
            ftol=tolerance,
            xtol=tolerance,
            max_nfev=_MOST_STEPS,
        )


def fit_to_boards(
    photo: Photo,
    boards: ExpectedBoards,
    *,
    place: int,
    typed_mm: tuple[float | None, float | None],
) -> CameraFit:
    """One camera from boards of which one has a typed length or width, z = 0 being the plane of their faces.

    place counts boards from 0; typed_mm: length and width. Most boards' long edges are straight and parallel
    and most ends square: that makes the plane's vanishing line and right angles known (metric rectification;
    Liebowitz & Zisserman, CVPR 1998), and with pixels that are square and a principal point in the middle
    the tilt, as far as the focal length is known. Expectations are long-tailed, so a tapered board and a
    skew end hardly count among others.
    """
    height, width = photo.rgb.shape[:2]
    problem = FacesProblem(boards, place, typed_mm, (width / 2, height / 2), *focal_prior(photo))
    state = np.array([math.log(problem.focal_px), 0.0, 0.0, 0.0])
    for widened in _WIDER:
        state = replace(problem, widened=widened).solve(state, tolerance=_ROUGH_TOLERANCE).x
    camera = problem.camera(state)
    as_seen = boards.as_seen(camera, 0.0, wider=_less_sure(len(boards.ends)))
    problem = replace(problem, boards=as_seen)
    fit = describe_fit(problem, problem.solve(state, tolerance=_FINE_TOLERANCE), photo, np.zeros(1))
    sigma = float(np.sqrt(1 / sum((size / TYPED_SIGMA_MM) ** 2 for size in typed_mm if size)))
    longer = tuple(_farther(fit.camera, way * sigma) for way in (1, -1))
    return replace(fit, spread=(*fit.spread, (longer[0], longer[1])))


def _less_sure(boards_n: int) -> float:
    """By how much less sure few boards make than their number says.

    n long-tailed (Cauchy) expectations together are Student's t of 2 n - 1 degrees of freedom, which a
    normal curve of the summit's curvature falls short of: the ratio of their 95 % bounds.
    """
    freedom = 2 * boards_n - 1
    return float(stdtrit(freedom, 0.975) * math.sqrt(2 / freedom) / (2 / math.sqrt(boards_n)))


def _farther(camera: Camera, by_frac: float) -> Camera:
    return replace(camera, translation_mm=camera.translation_mm * (1 + by_frac))


def _sizes_mm(flat_mm: Points) -> Floats:
    """Length overall and mean width of a board from its corners (4, 2) laid flat."""
    a, b, c, d = flat_mm
    along = (b + c - a - d) / np.hypot(*(b + c - a - d))
    across = np.array([-along[1], along[0]])
    return np.array([np.ptp(flat_mm @ along), abs((d + c - a - b) @ across) / 2])
