"""Corners of sheets and the edges and ends of boards as one least-squares problem."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.optimize import OptimizeResult, leastsq

from grainmatch.geometry import Camera, Points, project
from grainmatch.model import Sheet
from grainmatch.photo.expected import ExpectedBoards

Floats = NDArray[np.float64]

# Most phones take the distortion out, some photos keep it: a long-tailed (Cauchy) expectation about zero.
# Beyond K1_MOST no ordinary lens goes. Hand-held photos look down rather than along the bench.
K1_USUAL = 0.004
K1_MOST = 0.1
K1_FROM_FOUR = 0.01  # four corners cannot tell a lens from a tilt
TILT_SIGMA_RAD = 0.6
# How far a sheet laid by hand rises off its plane, in mm at its rim, in each of the ways of `curl_sheets`.
# More is possible but not usual.
USUAL_RISE_MM = 0.09
# Steps of log focal, k1, turn and shift (mm) that move corners by about as many pixels each.
_CAMERA_STEPS = np.array([0.02, 0.02, 0.01, 0.01, 0.01, 5.0, 5.0, 5.0])
_MOST_STEPS = 200
_SLOPE_TOLERANCE = 1e-8


@dataclass(frozen=True, eq=False)
class CornersProblem:
    """The least-squares problem of one camera over several sheets.

    A state is log focal, k1, tilt (2) about an axis in the picture, turn about the sheets' normal, and
    translation mm (3); for every further sheet its x mm, y mm and turn in the first sheet's frame; and how
    far every printed sheet rises off its plane in mm, five terms each (`curl` (points, 5 a sheet) takes them
    to each corner's height). Tilt and distance are those at the expected focal length and grow with it, which
    leaves the picture almost as it was: an unknown focal length is then a straight valley, soon crossed.
    sigma_px (2 points,): of each corner's x and y. The faces of `boards` lie `lift_mm` above the sheets.
    """

    sheets: tuple[Sheet, ...]
    centre_px: tuple[float, float]
    focal_px: float
    focal_sigma_frac: float
    sigma_px: Floats
    curl: Floats
    boards: ExpectedBoards | None = None
    lift_mm: float = 0.0

    def camera(self, state: Floats) -> Camera:
        zoom = math.exp(state[0]) / self.focal_px
        rotation = tilted(zoom * state[2:4]) @ _spin(state[4])
        return Camera(
            math.exp(state[0]), self.centre_px, float(state[1]), rotation, state[5:8] * (1, 1, zoom)
        )

    def state_of(self, camera: Camera) -> Floats:
        """A camera's part (8,) of a state."""
        zoom, towards = camera.focal_px / self.focal_px, camera.rotation[:, 2]
        sine = math.hypot(towards[0], towards[1])
        angle = math.atan2(sine, towards[2])
        tilt = np.array([-towards[1], towards[0]]) * (angle / sine if sine > 0 else 1.0)
        spun = tilted(tilt).T @ camera.rotation
        turn = math.atan2(spun[1, 0], spun[0, 0])
        return np.concatenate(
            [
                [math.log(camera.focal_px), camera.k1],
                tilt / zoom,
                [turn],
                camera.translation_mm / (1, 1, zoom),
            ]
        )

    def solve(self, start: Floats, *, tolerance: float) -> Any:
        """x, jac and cost of Levenberg and Marquardt's method (MINPACK) from a starting state."""
        lies, rises_n = [5.0, 5.0, 0.01] * (len(self.sheets) - 1), self.curl.shape[1]
        # Scipy's least_squares calls the same routine, and takes as long around each step as the step does.
        x, _, info, _, _ = leastsq(
            self.residuals,
            start,
            Dfun=self.slopes,
            full_output=True,
            diag=1 / np.concatenate([_CAMERA_STEPS, lies, np.ones(rises_n)]),
            maxfev=_MOST_STEPS,
            ftol=tolerance,
            xtol=tolerance,
            gtol=_SLOPE_TOLERANCE,
        )
        return OptimizeResult(x=x, jac=self.slopes(x), cost=0.5 * float(info["fvec"] @ info["fvec"]))

    @property
    def k1_most(self) -> float:
        return K1_MOST if len(self.sigma_px) > 8 else K1_FROM_FOUR

    @property
    def rises_from(self) -> int:
        """Where the sheets' rises start in a state."""
        return 8 + 3 * (len(self.sheets) - 1)

    def expect_k1(self, k1: Floats) -> tuple[Floats, Floats, Floats]:
        """What is expected of each k1 alone; see `expect_k1`."""
        return expect_k1(k1, self.k1_most)

    def misfit_px(self, state: Floats) -> Floats:
        seen = project(self.camera(state), self._corners_mm(state))
        return np.asarray(seen - np.concatenate([s.corners_px for s in self.sheets])).ravel()

    def _corners_mm(self, state: Floats) -> Floats:
        """Corners (n, 3) in the first sheet's frame, as the sheets lie and rise."""
        flat = [self.sheets[0].corners_mm]
        for sheet, (x, y, turn) in zip(
            self.sheets[1:], state[8 : self.rises_from].reshape(-1, 3), strict=True
        ):
            flat.append(sheet.corners_mm @ turned(turn) + (x, y))
        return np.column_stack([np.concatenate(flat), -self.curl @ state[self.rises_from :]])

    def residuals(self, state: Floats) -> Floats:
        camera = self.camera(state)
        firm, usual = self._expected(state, camera, self._boards_mm(camera))
        return np.concatenate([self.misfit_px(state) / self.sigma_px, firm, tame(usual)])

    def _boards_mm(self, camera: Camera) -> Points:
        """The points (n, 2) boards are told by, laid flat."""
        return self.boards.lay_flat(camera, self.lift_mm) if self.boards else np.zeros((0, 2))

    def _expected(self, state: Floats, camera: Camera, boards_mm: Points) -> tuple[Floats, Floats]:
        """What departs from expectations, in sigmas: firm ones, and those with long tails."""
        focal = (state[0] - math.log(self.focal_px)) / self.focal_sigma_frac
        tilt = camera.rotation[:2, 2] / TILT_SIGMA_RAD
        usual = [np.array([state[1] / K1_USUAL]), state[self.rises_from :] / USUAL_RISE_MM]
        if self.boards:
            usual.append(self.boards.departures_of(boards_mm))
        return np.concatenate([[focal, state[1] / self.k1_most], tilt]), np.concatenate(usual)

    def slopes(self, state: Floats) -> Floats:
        """Derivatives (residuals, state) of `residuals`."""
        camera, by_turn = self.camera(state), self._turn_slopes(state)
        boards_mm, rises_n = self._boards_mm(camera), len(state) - self.rises_from
        firm, usual = np.zeros((4, len(state))), np.zeros((1 + rises_n, len(state)))
        firm[0, 0], firm[1, 1] = 1 / self.focal_sigma_frac, 1 / self.k1_most
        firm[2:, :5] = by_turn[:, :2, 2].T / TILT_SIGMA_RAD
        usual[0, 1] = 1 / K1_USUAL
        usual[1:, self.rises_from :] = np.eye(rises_n) / USUAL_RISE_MM
        if self.boards:
            usual = np.concatenate([usual, self._departure_slopes(self.boards, boards_mm, state, by_turn)])
        tamed = _tame_slope(self._expected(state, camera, boards_mm)[1])[:, None] * usual
        return np.concatenate([self._corner_slopes(state, by_turn) / self.sigma_px[:, None], firm, tamed])

    def _departure_slopes(
        self, boards: ExpectedBoards, flat_mm: Points, state: Floats, by_turn: Floats
    ) -> Floats:
        """Derivatives (n, state) of departures: points laid flat move so that they stay where seen."""
        slopes = boards.departure_slopes(flat_mm, self._laid_flat_slopes(flat_mm, state, by_turn))
        out = np.zeros((len(slopes), len(state)))
        out[:, :8] = slopes
        return out

    def _laid_flat_slopes(self, flat_mm: Points, state: Floats, by_turn: Floats) -> Floats:
        """Derivatives (n, 2, 8) of points laid flat (n, 2) by the state's camera.

        A point is where the ray of its pixel meets the faces' plane: what turns or shifts the ray is followed
        along it back onto the plane.
        """
        camera = self.camera(state)
        turn, shift = camera.rotation, camera.translation_mm
        from_shift = turn[:, :2] @ flat_mm.T - self.lift_mm * turn[:, 2:]
        ray = from_shift + shift[:, None]
        squared = ((ray[:2] / ray[2]) ** 2).sum(axis=0)
        lens = ray / (1 + 3 * camera.k1 * squared)  # of a radius r (1 + k1 r^2) that stays
        moves = np.empty((8, 3, len(flat_mm)))
        moves[:5] = by_turn.transpose(0, 2, 1) @ from_shift
        moves[0] -= turn[:2].T @ (lens[:2] * (1 + camera.k1 * squared)) + shift[2] * turn[2][:, None]
        moves[1] -= turn[:2].T @ (lens[:2] * squared)
        moves[5:] = -(turn * [[1], [1], [camera.focal_px / self.focal_px]])[..., None]
        along = turn.T @ ray
        on_plane = moves[:, :2] - moves[:, 2:] * (along[:2] / along[2])
        return np.asarray(on_plane.transpose(2, 1, 0))

    def _turn_slopes(self, state: Floats) -> Floats:
        """Derivatives (5, 3, 3) of the rotation by log focal, k1, tilt (2) and turn."""
        zoom = math.exp(state[0]) / self.focal_px
        # OpenCV gives the nine elements of the matrix, row by row, by each of the vector's three.
        slopes = np.asarray(cv2.Rodrigues(_in_picture(zoom * state[2:4]))[1]).reshape(3, 3, 3)
        by_tilt = zoom * slopes[:2] @ _spin(state[4])
        by_turn = tilted(zoom * state[2:4]) @ _spin(state[4] + math.pi / 2, 0.0)
        by_focal = state[2] * by_tilt[0] + state[3] * by_tilt[1]
        return np.stack([by_focal, np.zeros((3, 3)), *by_tilt, by_turn])

    def _projected_slopes(self, places_mm: Floats, state: Floats, by_turn: Floats) -> tuple[Floats, Floats]:
        """Derivatives of places (n, 3) as seen, x and y in turn: by the state's camera (2 n, 8), by the place
        (2 n, 3). by_turn: see `_turn_slopes`."""
        camera = self.camera(state)
        f, k1, turn = camera.focal_px, camera.k1, camera.rotation
        in_view = turn @ places_mm.T + camera.translation_mm[:, None]
        xy, n = (in_view[:2] / in_view[2]).T, len(places_mm)
        squared = (xy**2).sum(axis=1)[:, None]
        bent = 1 + k1 * squared
        sees = np.empty((n, 2, 3))  # the picture's x and y by the place in view
        sees[:, :, :2] = 2 * k1 * xy[:, :, None] * xy[:, None] + bent[..., None] * np.eye(2)
        sees[:, :, 2] = -(bent + 2 * k1 * squared) * xy
        sees *= (f / in_view[2])[:, None, None]
        by_camera = np.empty((n, 2, 8))
        by_camera[..., :5] = sees @ (by_turn @ places_mm.T).transpose(2, 1, 0)
        by_camera[..., 5:] = sees * (1, 1, f / self.focal_px)
        by_camera[..., 0] += f * bent * xy + sees[..., 2] * camera.translation_mm[2]
        by_camera[..., 1] += f * squared * xy
        return by_camera.reshape(-1, 8), (sees @ turn).reshape(-1, 3)

    def _corner_slopes(self, state: Floats, by_turn: Floats) -> Floats:
        """Derivatives (corners' x and y, state) of `misfit_px`."""
        by_camera, by_place = self._projected_slopes(self._corners_mm(state), state, by_turn)
        out = np.zeros((len(by_camera), len(state)))
        out[:, :8] = by_camera
        row = 2 * len(self.sheets[0].corners_mm)
        for n, sheet in enumerate(self.sheets[1:]):
            rows, at = slice(row, row + 2 * len(sheet.corners_mm)), 8 + 3 * n
            turning = np.repeat(sheet.corners_mm @ turned(state[at + 2] + math.pi / 2), 2, axis=0)
            out[rows, at : at + 2] = by_place[rows, :2]
            out[rows, at + 2] = (by_place[rows, :2] * turning).sum(axis=1)
            row = rows.stop
        out[:, self.rises_from :] = -by_place[:, 2:] * np.repeat(self.curl, 2, axis=0)
        return out


def expect_k1(k1: Floats, most: float) -> tuple[Floats, Floats, Floats]:
    """What is expected of each k1 alone: cost, its slope, and the curvature least squares give it."""
    usual, tamed = k1 / K1_USUAL, tame(k1 / K1_USUAL)
    by_usual = _tame_slope(usual) / K1_USUAL
    cost = 0.5 * (tamed**2 + (k1 / most) ** 2)
    return cost, tamed * by_usual + k1 / most**2, by_usual**2 + 1 / most**2


def tilted(vector: Floats) -> Floats:
    """Rotation (3, 3) about an axis (2,) in the picture."""
    return np.asarray(cv2.Rodrigues(_in_picture(vector))[0], dtype=np.float64)


def _in_picture(vector: Floats) -> Floats:
    """A vector (3,) without depth."""
    return np.array([vector[0], vector[1], 0.0])


def _spin(angle_rad: float, keep: float = 1.0) -> Floats:
    """Rotation (3, 3) about z, z itself times `keep`."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, keep]])


def turned(angle_rad: float) -> Floats:
    """(2, 2) that turns rows of x, y from +x towards +y."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, s], [-s, c]])


def curl_sheets(sheets: Sequence[Sheet]) -> Floats:
    """Heights (points, 5 a printed sheet) of corners for a mm of each way paper rises.

    It leans along and across, and bends along, diagonally and across. Rigid things of four corners do not.
    """
    blocks = []
    for sheet in sheets:
        u, v = (2 * sheet.corners_mm / sheet.paper_mm - 1).T
        terms = np.column_stack([u, v, u * u, u * v, v * v])
        blocks.append(terms if len(terms) > 4 else np.zeros((len(terms), 0)))
    return np.asarray(block_diag(*blocks))


def cut_sigma_px(sheets: Sequence[Sheet], noise_px: float) -> Floats:
    """1-sigma of every corner coordinate: seeing it, and how true the sheet itself is."""
    sigmas = []
    for sheet in sheets:
        spread = np.hypot(*sheet.corners_px.std(axis=0)) / np.hypot(*sheet.corners_mm.std(axis=0))
        sigmas.append(
            np.full(2 * len(sheet.corners_px), math.hypot(noise_px, sheet.sigma_mm * float(spread)))
        )
    return np.concatenate(sigmas)


def tame(z: Floats) -> Floats:
    """Residuals whose squares are Cauchy's loss, 2 log(1 + z^2 / 2): like z when small, levelling off."""
    return np.asarray(np.sign(z) * np.sqrt(2 * np.log1p(z * z / 2)))


def _tame_slope(z: Floats) -> Floats:
    """Derivative of `tame`."""
    return np.asarray(z / np.where(z == 0, 1.0, tame(z) * (1 + z * z / 2)) + (z == 0))
