"""Corners of sheets and straight edges of boards as one least-squares problem."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.optimize import least_squares

from grainmatch.geometry import Camera, project
from grainmatch.model import Sheet
from grainmatch.photo.edges import USUAL_SAG_MM, USUAL_TAPER_MM, LongEdges

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


@dataclass(frozen=True, eq=False)
class CornersProblem:
    """The least-squares problem of one camera over several sheets.

    A state is log focal, k1, rotation vector (3), translation mm (3) at the expected focal length (a longer
    one stands back as much, so that scale and focal length hardly depend on each other); for every further
    sheet its x mm, y mm and turn in the first sheet's frame; and how far every printed sheet rises off its
    plane in mm, five terms each (`curl` (points, 5 a sheet) takes them to each corner's height).
    sigma_px (2 points,): of each corner's x and y. `edges` of boards lie `lift_mm` above the sheets.
    """

    sheets: tuple[Sheet, ...]
    centre_px: tuple[float, float]
    focal_px: float
    focal_sigma_frac: float
    sigma_px: Floats
    curl: Floats
    edges: LongEdges | None = None
    usual_bend_mm: tuple[float, float] = (USUAL_SAG_MM, USUAL_TAPER_MM)
    lift_mm: float = 0.0

    def camera(self, state: Floats) -> Camera:
        rotation, _ = cv2.Rodrigues(state[2:5])
        return Camera(
            math.exp(state[0]), self.centre_px, float(state[1]), np.asarray(rotation), self._shift_mm(state)
        )

    def _shift_mm(self, state: Floats) -> Floats:
        return state[5:8] * (math.exp(state[0]) / self.focal_px)

    def solve(self, start: Floats, *, tolerance: float) -> Any:
        """Scipy's OptimizeResult of Levenberg and Marquardt's method (MINPACK) from a starting state."""
        lies, rises_n = [5.0, 5.0, 0.01] * (len(self.sheets) - 1), self.curl.shape[1]
        return least_squares(
            self.residuals,
            start,
            jac=self.slopes,
            x_scale=np.concatenate([_CAMERA_STEPS, lies, np.ones(rises_n)]),
            method="lm",
            max_nfev=_MOST_STEPS,
            ftol=tolerance,
            xtol=tolerance,
        )

    @property
    def _k1_most(self) -> float:
        return K1_MOST if len(self.sigma_px) > 8 else K1_FROM_FOUR

    @property
    def rises_from(self) -> int:
        """Where the sheets' rises start in a state."""
        return 8 + 3 * (len(self.sheets) - 1)

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
        firm, usual = self._expected(state)
        return np.concatenate([self.misfit_px(state) / self.sigma_px, firm, _tame(usual)])

    def _expected(self, state: Floats) -> tuple[Floats, Floats]:
        """What departs from expectations, in sigmas: firm ones, and those with long tails."""
        focal = (state[0] - math.log(self.focal_px)) / self.focal_sigma_frac
        tilt = self.camera(state).rotation[:2, 2] / TILT_SIGMA_RAD
        usual = [np.array([state[1] / K1_USUAL]), state[self.rises_from :] / USUAL_RISE_MM]
        if self.edges:
            usual.append(self._bends(self.edges, state))
        return np.concatenate([[focal, state[1] / self._k1_most], tilt]), np.concatenate(usual)

    def _bends(self, edges: LongEdges, state: Floats) -> Floats:
        sag, taper = self.usual_bend_mm
        return (edges.bend(self.camera(state), self.lift_mm) / (sag, sag, taper)).ravel()

    def slopes(self, state: Floats) -> Floats:
        """Derivatives (residuals, state) of `residuals`: exact, but for the edges' (forward differences)."""
        rises_n = len(state) - self.rises_from
        firm, usual = np.zeros((4, len(state))), np.zeros((1 + rises_n, len(state)))
        firm[0, 0], firm[1, 1] = 1 / self.focal_sigma_frac, 1 / self._k1_most
        # OpenCV gives the nine elements of the rotation, row by row, by each of the vector's three.
        by_turn = np.asarray(cv2.Rodrigues(state[2:5])[1]).reshape(3, 9)
        firm[2:, 2:5] = by_turn[:, (2, 5)].T / TILT_SIGMA_RAD
        usual[0, 1] = 1 / K1_USUAL
        usual[1:, self.rises_from :] = np.eye(rises_n) / USUAL_RISE_MM
        if self.edges:
            by_camera = self._bend_slopes(self.edges, state)
            usual = np.concatenate([usual, np.pad(by_camera, ((0, 0), (0, len(state) - 8)))])
        tamed = _tame_slope(self._expected(state)[1])[:, None] * usual
        return np.concatenate([self._corner_slopes(state) / self.sigma_px[:, None], firm, tamed])

    def _bend_slopes(self, edges: LongEdges, state: Floats) -> Floats:
        """Forward differences (bends, 8) of `_bends`."""
        bent = self._bends(edges, state)
        columns = []
        for k, step in enumerate(_CAMERA_STEPS * 1e-4):
            moved = state.copy()
            moved[k] += step
            columns.append((self._bends(edges, moved) - bent) / step)
        return np.column_stack(columns)

    def _corner_slopes(self, state: Floats) -> Floats:
        """Derivatives (corners' x and y, state) of `misfit_px`."""
        focal_px, centre = math.exp(state[0]), self.centre_px
        k = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])
        lens = np.array([state[1], 0.0, 0.0, 0.0])
        shift = self._shift_mm(state)
        _, by = cv2.projectPoints(self._corners_mm(state), state[2:5], shift, k, lens)
        by = np.asarray(by)  # by turn (3), shift (3), focal x, focal y, centre (2), k1, ...
        by_place = by[:, 3:6] @ np.asarray(cv2.Rodrigues(state[2:5])[0])
        out = np.zeros((len(by), len(state)))
        out[:, 0], out[:, 1] = focal_px * (by[:, 6] + by[:, 7]) + by[:, 3:6] @ shift, by[:, 10]
        out[:, 2:5], out[:, 5:8] = by[:, :3], by[:, 3:6] * (focal_px / self.focal_px)
        row = 2 * len(self.sheets[0].corners_mm)
        for n, sheet in enumerate(self.sheets[1:]):
            rows, at = slice(row, row + 2 * len(sheet.corners_mm)), 8 + 3 * n
            turning = np.repeat(sheet.corners_mm @ turned(state[at + 2] + math.pi / 2), 2, axis=0)
            out[rows, at : at + 2] = by_place[rows, :2]
            out[rows, at + 2] = (by_place[rows, :2] * turning).sum(axis=1)
            row = rows.stop
        out[:, self.rises_from :] = -by_place[:, 2:] * np.repeat(self.curl, 2, axis=0)
        return out


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


def _tame(z: Floats) -> Floats:
    """Residuals whose squares are Cauchy's loss, 2 log(1 + z^2 / 2): like z when small, levelling off."""
    return np.asarray(np.sign(z) * np.sqrt(2 * np.log1p(z * z / 2)))


def _tame_slope(z: Floats) -> Floats:
    """Derivative of `_tame`."""
    return np.asarray(z / np.where(z == 0, 1.0, _tame(z) * (1 + z * z / 2)) + (z == 0))
