"""Sheets and focal length -> the camera over the bench, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import PhotoError
from grainmatch.geometry import Camera, pixels_to_plane
from grainmatch.model import Photo, Sheet
from grainmatch.photo.corners import CornersProblem, curl_sheets, cut_sigma_px, turned
from grainmatch.photo.expected import ExpectedBoards

Floats = NDArray[np.float64]

# Starts only have to be told apart.
_ROUGH_TOLERANCE = 1e-4
_FIRST_TOLERANCE = 1e-5  # of sheets alone, which leave more open than that; boards fit it again
_FINE_TOLERANCE = 1e-6  # lengths are then settled to a hundredth of a millimetre or so
# A focal length from EXIF is rounded to a whole film millimetre, and makers differ in what they scale by.
FOCAL_SIGMA_FRAC = 0.018
# Main cameras of phones lie near 26 mm on 36 mm film (common practice, no source).
USUAL_FOCAL_FRAC = 0.74
USUAL_FOCAL_SIGMA_FRAC = 0.25
# Corners are never trusted beyond this: paper and print are not perfect either.
LEAST_CORNER_SIGMA_PX = 0.015
_ROUGH_RMS_PX = 0.5
_ROUGH_NOISE_PX = 0.05
_LENSES_N = 41  # tried between the bounds of k1, to start near the best
_ODD_RISE_MM = 1.5
LAY_OR_SAY = "Lay the printed sheet flat and fully in view, or say which paper or board size to go by."
"""What to do about a photo without scale."""
SHEET_OR_BOARDS = (
    "The sheet disagrees with the boards' own straight edges and square ends: it may lean, curl or be "
    "printed longer one way. Lay it flat where you said, check its 100 mm line, and take the photo again."
)
_HOPELESS = 100.0  # a start this many times worse than the best is not worth solving from


@dataclass(frozen=True, eq=False)
class CameraFit:
    """The camera and how well it is known.

    camera: bench frame as in `grainmatch.geometry`, z = 0 being the plane the sheets lie on and the
    origin the point in the photo's middle. focal_sigma_px and k1_sigma: 1-sigma. rms_px: of the corner
    residuals. cost: half the sum of all squared residuals in sigmas, expectations included. spread: pairs
    of cameras one sigma either way along each principal direction of the uncertainty, for carrying it to
    anything else. notes: what the user should know.
    """

    camera: Camera
    focal_sigma_px: float
    k1_sigma: float
    rms_px: float
    cost: float
    spread: tuple[tuple[Camera, Camera], ...]
    notes: tuple[str, ...] = ()


def fit_camera(
    sheets: Sequence[Sheet], photo: Photo, *, boards: ExpectedBoards | None = None, lift_mm: float = 0.0
) -> CameraFit:
    """One camera from the corners of all sheets; they lie in one plane, each shifted and turned freely.

    Weighted least squares on the reprojection of the corners (bundle adjustment; Hartley & Zisserman,
    Multiple View Geometry, 2nd ed. 2004, ch. 18) over the pose, the focal length and one radial term. The
    focal length from EXIF (what is usual for phones when there is none) and k1 = 0 enter as
    observations with their own sigma, so they move only as far as the view supports; so does a little
    curl of every sheet, without which a corner lifted by 3 mm passes for a lens. So do, when given, `boards`
    whose faces lie `lift_mm` above the sheets: most long edges are straight and parallel and most ends
    square, which pins the lens and the tilt far from the sheets; a few that are not hardly count.
    The principal point is taken in the photo's middle.

    Raises PhotoError when there is no sheet, or it is seen too sharply from the side.
    """
    if not sheets:
        raise no_sheet(photo)
    by_size = sorted(sheets, key=lambda s: -len(s.corners_px))
    height, width = photo.rgb.shape[:2]
    problem, best = _fit_roughly(tuple(by_size), (width / 2, height / 2), focal_prior(photo))
    problem = replace(problem, boards=boards, lift_mm=lift_mm)
    start = _along_lens(problem, best) if boards else best.x
    solved = problem.solve(start, tolerance=_ROUGH_TOLERANCE if boards else _FIRST_TOLERANCE)
    if boards:
        problem = replace(problem, boards=boards.as_seen(problem.camera(solved.x), lift_mm))
        solved = problem.solve(solved.x, tolerance=_FINE_TOLERANCE)
    fit = describe_fit(problem, solved, photo, problem.misfit_px(solved.x))
    if boards and (np.abs(solved.x[problem.rises_from :]) > _ODD_RISE_MM).any():
        fit = replace(fit, notes=(*fit.notes, SHEET_OR_BOARDS))
    return fit


def no_sheet(photo: Photo) -> PhotoError:
    """The error for a photo in which nothing gives the scale."""
    return PhotoError(f"No reference sheet was found in {photo.name}.", LAY_OR_SAY)


@lru_cache(maxsize=8)
def _fit_roughly(
    sheets: tuple[Sheet, ...], centre_px: tuple[float, float], focal: tuple[float, float]
) -> tuple[CornersProblem, Any]:
    """The problem of sheets alone, with the noise their corners show, and its best solution but for that.

    Kept, for boards fit the camera of the same sheets again. focal: see `focal_prior`.
    """
    rough_px = cut_sigma_px(sheets, _ROUGH_NOISE_PX)
    problem = CornersProblem(sheets, centre_px, *focal, rough_px, curl_sheets(sheets))
    tried = (problem.solve(start, tolerance=_ROUGH_TOLERANCE) for start in _starts(problem))
    best = min(tried, key=lambda s: float(s.cost))
    misfit = problem.misfit_px(best.x)
    free = len(misfit) - len(best.x)
    noise_px = _ROUGH_NOISE_PX  # four corners alone cannot tell their own noise
    if free >= len(best.x):
        noise_px = max(LEAST_CORNER_SIGMA_PX, math.sqrt(float(misfit @ misfit) / free))
    return replace(problem, sigma_px=cut_sigma_px(sheets, noise_px)), best


def _along_lens(problem: CornersProblem, solved: Any) -> Floats:
    """The best state along the valley of cameras that differ in k1 and show the sheets alike: of edges that
    bend by many sigmas, none pulls any more, so the nearest minimum need not be the least."""
    along = np.insert(_follow_k1(solved.jac.T @ solved.jac)[0], 1, 1.0)
    lenses = np.linspace(-problem.k1_most, problem.k1_most, _LENSES_N)
    states = [solved.x + along * (k1 - solved.x[1]) for k1 in lenses]
    return min(states, key=lambda s: float((problem.residuals(s) ** 2).sum()))


def _follow_k1(bowl: Floats) -> tuple[Floats, Floats]:
    """How all else (n - 1,) follows k1 down the middle of a cost with slopes' squares `bowl` (n, n), and its
    covariance when k1 is known."""
    rest = np.arange(len(bowl)) != 1
    inner = np.linalg.inv(bowl[np.ix_(rest, rest)])
    return np.asarray(-inner @ bowl[rest, 1]), np.asarray(inner)


def focal_prior(photo: Photo) -> tuple[float, float]:
    """Focal length in pixels and its relative 1-sigma."""
    if photo.focal_px is None:
        return USUAL_FOCAL_FRAC * max(photo.rgb.shape[:2]), USUAL_FOCAL_SIGMA_FRAC
    return photo.focal_px, FOCAL_SIGMA_FRAC


def _starts(problem: CornersProblem) -> list[Floats]:
    """Starting states: both poses a small flat target allows (Collins & Bartoli 2014), from the focal length
    expected and, when that is hardly known, from the one the view tells."""
    states = []
    for focal in {problem.focal_px, _view_focal_px(problem)}:
        for camera in _cameras_over(problem.sheets[0], focal, problem.centre_px):
            others = [_place_in_first(camera, sheet) for sheet in problem.sheets[1:]]
            flat = np.zeros(problem.curl.shape[1])
            states.append(np.concatenate([problem.state_of(camera), *others, flat]))
    costs = [float((problem.residuals(s) ** 2).sum()) for s in states]
    states = [s for s, cost in zip(states, costs, strict=True) if cost <= _HOPELESS * min(costs)]
    if not states:
        raise PhotoError(
            "The reference sheet is seen too sharply from the side.", "Hold the camera more above the bench."
        )
    return states


def _view_focal_px(problem: CornersProblem) -> float:
    """The focal length at which the first sheet's sides are at right angles and to scale, within what the
    expected one allows.

    Zhang 2000 (A flexible new technique for camera calibration, eqs. 3 and 4): two equations in 1 / f^2 when
    the principal point is known. Seen straight from above they say nothing, and the expected one stays.
    """
    sheet = problem.sheets[0]
    plane, _ = cv2.findHomography(sheet.corners_mm, sheet.corners_px - problem.centre_px, 0)
    a, b = np.asarray(plane)[:, :2].T
    flat = np.array([a[:2] @ b[:2], a[:2] @ a[:2] - b[:2] @ b[:2]])
    deep = -np.array([a[2] * b[2], a[2] ** 2 - b[2] ** 2])
    squared = float(flat @ deep) / max(float(deep @ deep), 1e-300)
    reach = math.exp(2 * problem.focal_sigma_frac)
    usable = (problem.focal_px / reach) ** 2 < squared < (problem.focal_px * reach) ** 2
    return math.sqrt(squared) if usable and problem.focal_sigma_frac > FOCAL_SIGMA_FRAC else problem.focal_px


def _cameras_over(sheet: Sheet, focal_px: float, centre_px: tuple[float, float]) -> list[Camera]:
    """The camera in each pose from OpenCV's IPPE that has the sheet in front."""
    k = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1.0]])
    places = np.column_stack([sheet.corners_mm, np.zeros(len(sheet.corners_mm))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(places, sheet.corners_px, k, None, flags=cv2.SOLVEPNP_IPPE)
    cameras = []
    for turn, shift in zip(turns, shifts, strict=True):
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
        translation_mm = np.ravel(shift).astype(np.float64)
        if np.isfinite(rotation).all() and np.isfinite(translation_mm).all() and translation_mm[2] > 0:
            cameras.append(Camera(focal_px, centre_px, 0.0, rotation, translation_mm))
    return cameras


def _place_in_first(camera: Camera, sheet: Sheet) -> Floats:
    """x mm, y mm and turn of a further sheet, from its corners laid on the first sheet's plane."""
    seen = pixels_to_plane(camera, sheet.corners_px, 0.0)
    a, b = sheet.corners_mm - sheet.corners_mm.mean(axis=0), seen - seen.mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    shift = seen.mean(axis=0) - sheet.corners_mm.mean(axis=0) @ turned(turn)
    return np.array([shift[0], shift[1], turn])


class LensProblem(Protocol):
    """A least-squares problem whose state begins with log focal and k1."""

    @property
    def k1_most(self) -> float: ...

    def camera(self, state: Floats) -> Camera: ...

    def expect_k1(self, k1: Floats) -> tuple[Floats, Floats, Floats]: ...


def describe_fit(problem: LensProblem, solved: Any, photo: Photo, misfit_px: Floats) -> CameraFit:
    """The camera of a solved problem and what is not known of it; misfit_px: what corners are off by."""
    state, cov = _weigh_lens(problem, solved)
    frame = _bench_frame(problem.camera(state))
    size = np.sqrt(np.diag(cov))
    values, vectors = np.linalg.eigh(cov / np.outer(size, size))
    spread = []
    for value, vector in zip(values, vectors.T, strict=True):
        step = math.sqrt(max(value, 0.0)) * vector * size
        spread.append(tuple(_in_frame(problem.camera(state + sign * step), frame) for sign in (1, -1)))
    rms_px = float(np.sqrt((misfit_px**2).mean()))
    camera = _in_frame(problem.camera(state), frame)
    return CameraFit(
        camera=camera,
        focal_sigma_px=camera.focal_px * float(size[0]),
        k1_sigma=float(size[1]),
        rms_px=rms_px,
        cost=float(solved.cost),
        spread=tuple((a, b) for a, b in spread),
        notes=_notes(photo, camera, float(size[0]), rms_px),
    )


def _weigh_lens(problem: LensProblem, solved: Any) -> tuple[Floats, Floats]:
    """State and covariance with k1 at its mean, where what is expected of it is far from a normal curve.

    The view tells k1 by a normal curve about its own best value, all else following; times the long-tailed
    expectation that is often nearly flat, or has two summits, and the summit's own curvature says nothing of
    the other. So mean and variance are sums over all k1 (Laplace's approximation for the rest only).
    """
    state: Floats = solved.x
    rest = np.arange(len(state)) != 1
    bowl = solved.jac.T @ solved.jac
    expected, slope, curvature = problem.expect_k1(np.array([state[1]]))
    follow, inner = _follow_k1(bowl)
    told = max(float(bowl[1, 1] - curvature[0] + bowl[rest, 1] @ follow), 1e-6)
    seen_k1 = state[1] + float(slope[0]) / told
    k1 = np.linspace(-2.5 * problem.k1_most, 2.5 * problem.k1_most, 2001)
    k1 = np.sort(np.append(k1, state[1] + np.linspace(-5, 5, 401) / math.sqrt(told)))
    cost = 0.5 * told * (k1 - seen_k1) ** 2 + problem.expect_k1(k1)[0] - expected[0]
    share = np.exp(-(cost - cost.min())) * np.gradient(k1)
    share /= share.sum()
    mean = float(share @ k1)
    variance = float(share @ (k1 - mean) ** 2)
    moved = state.copy()
    moved[1] = mean
    moved[rest] += follow * (mean - state[1])
    cov = np.zeros_like(bowl)
    cov[np.ix_(rest, rest)] = inner + variance * np.outer(follow, follow)
    cov[rest, 1] = cov[1, rest] = variance * follow
    cov[1, 1] = variance
    return moved, cov


def _notes(photo: Photo, camera: Camera, focal_sigma_frac: float, rms_px: float) -> tuple[str, ...]:
    notes = []
    if photo.focal_px is None:
        notes.append(
            "The photo does not tell its focal length; it was worked out from the view "
            f"to {100 * focal_sigma_frac:.0f} %."
        )
    elif abs(math.log(camera.focal_px / photo.focal_px)) > 3 * math.hypot(FOCAL_SIGMA_FRAC, focal_sigma_frac):
        notes.append("The focal length in the photo's data does not fit the view; was the photo cropped?")
    if rms_px > _ROUGH_RMS_PX:
        notes.append(f"The reference sheet fits only to {rms_px:.1f} pixels; is it bent or badly printed?")
    return tuple(notes)


def _bench_frame(camera: Camera) -> tuple[Floats, Floats]:
    """Origin (2,) and turn (2, 2) of the bench frame in the first sheet's: x runs as the photo shows."""
    middle = np.asarray(camera.centre_px)
    step = camera.focal_px / 50
    origin, right = pixels_to_plane(camera, [middle, middle + np.array([step, 0.0])], 0.0)
    x_axis = (right - origin) / np.hypot(*(right - origin))
    return origin, np.array([x_axis, [-x_axis[1], x_axis[0]]])


def _in_frame(camera: Camera, frame: tuple[Floats, Floats]) -> Camera:
    """The same camera with its plane coordinates counted in `frame`."""
    origin, turn = frame
    onto = np.eye(3)
    onto[:2, :2] = turn.T
    shift = camera.rotation @ np.array([origin[0], origin[1], 0.0]) + camera.translation_mm
    return replace(camera, rotation=camera.rotation @ onto, translation_mm=shift)
