"""The camera from sheets, against OpenCV's own solvers and against views whose camera is known."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.errors import PhotoError
from grainmatch.geometry import Camera, Points, pixels_to_plane, plane_to_pixels, project
from grainmatch.model import Photo, Sheet
from grainmatch.photo.camera import fit_camera
from grainmatch.photo.corners import CornersProblem, curl_sheets
from grainmatch.photo.edges import LongEdges
from grainmatch.photo.expected import ExpectedBoards
from grainmatch.photo.sheet import PAPER_MM, SQUARE_MM
from grainmatch.photo.square import BoardEnds
from grainmatch.synth import aim_camera
from tests.photo.sigma import sigma_of

SIZE = (4032, 3024)
NO_EDGES = LongEdges(np.zeros((0, 2, 41, 2)), np.zeros((0, 2, 3, 41)), np.zeros((0, 4)))
NO_ENDS = BoardEnds(np.zeros((0, 4, 2)))


def sheet_at(
    camera: Camera, middle_mm: tuple[float, float], turn_deg: float, number: int = 0, noise_px: float = 0.0
) -> Sheet:
    """A sheet's corners as the camera sees them on the bench."""
    x, y = np.meshgrid(np.arange(1, 7) * SQUARE_MM + 43.5, np.arange(1, 5) * SQUARE_MM + 15.0)
    places = np.column_stack([x.ravel(), y.ravel()])
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    on_bench = (places - (148.5, 105)) @ np.array([[c, s], [-s, c]]) + middle_mm
    seen = plane_to_pixels(camera, on_bench, 0.0)
    seen = seen + np.random.default_rng(number).normal(0, noise_px, seen.shape)
    return Sheet(number, PAPER_MM["a4"], seen, places)


def blank(focal_px: float | None) -> Photo:
    return Photo("view", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), focal_px)


def length_error_frac(found: Camera, true: Camera, height_mm: float, reach_mm: float = 900) -> float:
    """Relative error of a board-long span through the middle of the view on the plane of the faces."""
    ends = np.array([[-reach_mm, 40], [reach_mm, -60], [-reach_mm / 2, 300], [reach_mm, 250]], dtype=float)
    seen = pixels_to_plane(found, plane_to_pixels(true, ends, height_mm), height_mm)
    spans = [np.hypot(*(p[a] - p[b])) for p in (seen, ends) for a, b in ((0, 1), (2, 3))]
    return float(max(abs(spans[0] / spans[2] - 1), abs(spans[1] / spans[3] - 1)))


def test_pose_equals_opencv_solvepnp_on_clean_corners() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(-200, -600, 1500), roll_deg=4, hfov_deg=66)
    sheet = sheet_at(camera, (300, 380), 25)
    fit = fit_camera([sheet], blank(camera.focal_px))
    k = np.array([[camera.focal_px, 0, SIZE[0] / 2], [0, camera.focal_px, SIZE[1] / 2], [0, 0, 1]])
    places = np.column_stack([sheet.corners_mm, np.zeros(24)])
    _, turn, shift = cv2.solvePnP(places, sheet.corners_px, k, None)
    seen, _ = cv2.projectPoints(places, turn, shift, k, None)
    assert fit.rms_px == pytest.approx(
        np.sqrt(((seen.reshape(-1, 2) - sheet.corners_px) ** 2).mean()), abs=1e-3
    )
    # The camera's height over the bench does not depend on the frame.
    turned, _ = cv2.Rodrigues(turn)
    height = float((turned.T @ shift.ravel())[2])
    ours = float((fit.camera.rotation.T @ fit.camera.translation_mm)[2])
    assert ours == pytest.approx(abs(height), rel=1e-4)
    assert length_error_frac(fit.camera, camera, 25) < 1e-4


def test_focal_length_equals_opencv_calibration_when_the_view_tells_it() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(0, -1100, 1000), hfov_deg=66)
    views = [((-400, 200), 10), ((450, -250), -30), ((100, 420), 80)]
    sheets = [sheet_at(camera, at, turn, n, 0.02) for n, (at, turn) in enumerate(views)]
    fit = fit_camera(sheets, blank(None))
    points = [np.column_stack([s.corners_mm, np.zeros(24)]).astype(np.float32) for s in sheets]
    seeds = np.array([[3000.0, 0, SIZE[0] / 2], [0, 3000.0, SIZE[1] / 2], [0, 0, 1]])
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K2
        | cv2.CALIB_FIX_K3
    )
    seen = [s.corners_px.astype(np.float32) for s in sheets]
    _, k, _, _, _ = cv2.calibrateCamera(points, seen, SIZE, seeds, None, flags=flags)
    assert fit.camera.focal_px == pytest.approx(camera.focal_px, rel=0.01)
    # One plane for all sheets is more than three free views: at least as near the truth as calibration.
    assert abs(fit.camera.focal_px - camera.focal_px) <= abs(k[0, 0] - camera.focal_px) + 10
    assert any("focal length" in note for note in fit.notes)


def test_lens_distortion_is_found_where_the_view_allows() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(0, 100, 1600), hfov_deg=66, k1=-0.05)
    sheets = [sheet_at(camera, at, 5 * n, n, 0.02) for n, at in enumerate([(-650, -400), (650, 420)])]
    fit = fit_camera(sheets, blank(camera.focal_px * 1.01))
    assert fit.camera.k1 == pytest.approx(-0.05, abs=0.004)
    assert length_error_frac(fit.camera, camera, 27) < 5e-4


def test_the_bench_frame_runs_as_the_photo_shows() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(100, 50, 1500))
    for turn_deg in (0, 90, 180, 200):
        fit = fit_camera([sheet_at(camera, (-300, 200), turn_deg)], blank(camera.focal_px))
        cross = np.array([[0, 0], [100, 0], [0, 100]]) + np.array(SIZE) / 2
        places = pixels_to_plane(fit.camera, cross, 0.0)
        assert places[0] == pytest.approx([0, 0], abs=1e-6)
        assert places[1][0] > 0
        assert abs(places[1][1]) < 1e-6
        assert places[2][1] > 0
        # z points down: a place above the bench is nearer the camera.
        near = fit.camera.rotation @ [0, 0, -100.0] + fit.camera.translation_mm
        assert np.linalg.norm(near) < np.linalg.norm(fit.camera.translation_mm)


def test_a_quarter_turn_of_the_photo_changes_no_length() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(-150, -300, 1600), roll_deg=2)
    sheet = sheet_at(camera, (200, 330), 12, 0, 0.02)
    ends = plane_to_pixels(camera, np.array([[-800.0, 50], [800, 80]]), 27)
    upright = fit_camera([sheet], blank(camera.focal_px))
    corners = np.column_stack([SIZE[1] - sheet.corners_px[:, 1], sheet.corners_px[:, 0]])
    turned_sheet = Sheet(0, sheet.paper_mm, corners, sheet.corners_mm)
    turned_photo = Photo("turned", np.zeros((SIZE[0], SIZE[1], 3), np.uint8), camera.focal_px)
    turned = fit_camera([turned_sheet], turned_photo)
    a = pixels_to_plane(upright.camera, ends, 27)
    b = pixels_to_plane(turned.camera, np.column_stack([SIZE[1] - ends[:, 1], ends[:, 0]]), 27)
    assert np.hypot(*(a[1] - a[0])) == pytest.approx(np.hypot(*(b[1] - b[0])), rel=1e-6)


def test_the_stated_sigma_covers_the_error() -> None:
    """Over random views with noise, wrong focal lengths included, 2 sigma hold in at least 17 of 20, and
    sigma is no more than three times the spread of the errors."""
    rng = np.random.default_rng(5)
    ratios, errors, sigmas = [], [], []
    for k in range(20):
        eye = (float(rng.uniform(-300, 300)), float(rng.uniform(-600, 400)), float(rng.uniform(1300, 1800)))
        camera = aim_camera(size_px=SIZE, eye_mm=eye, roll_deg=float(rng.uniform(-3, 3)), hfov_deg=66)
        middle = (float(rng.uniform(-500, 500)), float(rng.uniform(250, 450)))
        sheet = sheet_at(camera, middle, float(rng.uniform(-30, 30)), k, 0.03)
        fit = fit_camera([sheet], blank(camera.focal_px * float(1 + rng.normal(0, 0.012))))
        ends_px = plane_to_pixels(camera, np.array([[-800.0, 0], [800, 0]]), 27)

        def span_mm(camera: Camera, ends_px: np.ndarray = ends_px) -> float:
            a, b = pixels_to_plane(camera, ends_px, 27.0)
            return float(np.hypot(*(b - a)))

        errors.append(span_mm(fit.camera) - 1600)
        sigmas.append(sigma_of(fit, span_mm))
        ratios.append(abs(errors[-1]) / sigmas[-1])
    assert sum(r < 2 for r in ratios) >= 17
    assert np.median(sigmas) < 3 * np.std(errors)


def test_slopes_of_the_problem_equal_central_differences() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(-200, -600, 1500), roll_deg=4, k1=-0.02)
    sheets = (sheet_at(camera, (300, 380), 25), sheet_at(camera, (-300, -380), 5, 1))
    lines = [[[(x, y + 0.002 * x) for x in np.linspace(300, 3700, 9)] for y in (900, 1200)]]
    solve = np.linalg.pinv(np.vander(np.linspace(-1, 1, 9), 3, increasing=True))
    problem = CornersProblem(
        sheets, (2016, 1512), 3100, 0.2, np.full(96, 0.05), curl_sheets(sheets),
        boards=ExpectedBoards(
            LongEdges(np.array(lines, dtype=float), np.array([[solve, solve]]), np.full((1, 4), 0.05)),
            BoardEnds(np.array([[[300.0, 900], [3700, 905], [3720, 1200], [290, 1210]]])),
        ),
    )  # fmt: skip
    seen = np.array([math.log(3000), -0.02, 0.3, 0.1, -0.05, 40, -120, 1700, 500, 420, 0.4, *[0.1] * 10])
    assert problem.state_of(problem.camera(seen)) == pytest.approx(seen[:8])
    exact = problem.slopes(seen)
    for k, step in enumerate(np.eye(len(seen)) * 1e-6):
        rough = (problem.residuals(seen + step) - problem.residuals(seen - step)) / 2e-6
        assert exact[:, k] == pytest.approx(rough, rel=1e-3, abs=1e-4 * np.abs(rough).max())


def straight_edges(camera: Camera, places_mm: list[tuple[float, float]], lift_mm: float) -> LongEdges:
    """Two straight edges a board, y from and to, as the camera sees them with a little noise."""
    x = np.linspace(-900, 900, 41)
    lines = [
        [plane_to_pixels(camera, np.column_stack([x, np.full(41, y)]), lift_mm) for y in board]
        for board in places_mm
    ]
    noise = np.random.default_rng(2).normal(0, 0.05, np.shape(lines))
    basis = np.vander(np.linspace(-1, 1, 41), 3, increasing=True) @ [[1, 0, -0.5], [0, 1, 0], [0, 0, 1.5]]
    solve = np.linalg.pinv(basis)
    return LongEdges(
        np.array(lines) + noise, np.array([[solve, solve]] * len(lines)), np.full((len(lines), 4), 0.02)
    )


@pytest.mark.parametrize("k1", [0.0, -0.03, 0.05])
def test_straight_edges_tell_the_lens_that_a_sheet_in_the_middle_cannot(k1: float) -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(50, 100, 1700), hfov_deg=66, k1=k1)
    sheet, photo = sheet_at(camera, (0, 0), 5, 3, 0.03), blank(camera.focal_px)
    alone = fit_camera([sheet], photo)
    assert alone.k1_sigma > 0.01  # and says that it does not know
    assert abs(alone.camera.k1 - k1) < 3 * alone.k1_sigma
    edges = straight_edges(camera, [(-260, -130), (-128, 20), (22, 190)], 0.0)
    both = fit_camera([sheet], photo, boards=ExpectedBoards(edges, NO_ENDS))
    assert both.k1_sigma < 0.004
    assert abs(both.camera.k1 - k1) < 2 * both.k1_sigma
    assert length_error_frac(both.camera, camera, 0.0) < 0.0012


def board_ends(camera: Camera, skews_rad: NDArray[np.float64]) -> BoardEnds:
    """The ends of boards 1500 mm long and 140 wide, one above the other from the sheet away, each end of
    (boards, 2) out of square by so much, as the camera sees them with a little noise."""
    places = []
    for n, (left, right) in enumerate(skews_rad):
        y = np.array([-140.0, -140, 0, 0]) - 150 * n
        lean = 70 * np.array([-left, -right, right, left])
        places.append(np.column_stack([np.array([-750.0, 750, 750, -750]) + lean, y]))
    seen = [plane_to_pixels(camera, place, 0.0) for place in places]
    return BoardEnds(np.array(seen) + np.random.default_rng(3).normal(0, 0.05, (len(seen), 4, 2)))


def test_square_ends_tell_the_scale_far_from_the_sheet_and_skew_ones_do_no_harm() -> None:
    """Lengths a metre from the sheet, in views the sheet tells to a thousandth there; ends 0.1 degree off as
    from a good saw, and a few that are not square at all."""
    rng = np.random.default_rng(12)
    errors_mm: dict[str, list[float]] = {"sheet": [], "ends": [], "skew": []}
    covered = 0
    for k in range(12):
        eye = (float(rng.uniform(-200, 200)), float(rng.uniform(-200, 700)), float(rng.uniform(1400, 1800)))
        camera = aim_camera(size_px=SIZE, eye_mm=eye, target_mm=(0, -200), hfov_deg=66)
        sheet, photo = sheet_at(camera, (100, 250), 10, k, 0.04), blank(camera.focal_px)
        true = np.array([[-750.0, -850], [750, -850]])
        seen = plane_to_pixels(camera, true, 0.0)

        def length_mm(found: Camera, seen: Points = seen) -> float:
            ends = pixels_to_plane(found, seen, 0.0)
            return float(np.hypot(*(ends[1] - ends[0])))

        skews = rng.normal(0, math.radians(0.1), (6, 2))
        awry = skews + (rng.random((6, 2)) < 0.25) * math.radians(3)
        for kind, of_ends in (("sheet", None), ("ends", skews), ("skew", awry)):
            boards = None if of_ends is None else ExpectedBoards(NO_EDGES, board_ends(camera, of_ends))
            fit = fit_camera([sheet], photo, boards=boards)
            errors_mm[kind].append(abs(length_mm(fit.camera) - 1500))
            covered += boards is not None and errors_mm[kind][-1] < 2 * sigma_of(fit, length_mm)
    middle = {kind: float(np.median(errors)) for kind, errors in errors_mm.items()}
    assert middle["ends"] < 0.6 * middle["sheet"]
    assert middle["skew"] < 0.8 * middle["sheet"]
    assert covered >= 21


def test_without_a_focal_length_the_fit_is_as_good_as_from_many_starts() -> None:
    """The start from the view's right angles (Zhang 2000) misses no better minimum."""
    rng = np.random.default_rng(8)
    for k in range(6):
        eye = (float(rng.uniform(-300, 300)), float(rng.uniform(-1200, -300)), float(rng.uniform(1000, 1700)))
        true = aim_camera(size_px=SIZE, eye_mm=eye, hfov_deg=float(rng.choice([55, 66, 80])))
        sheet = sheet_at(true, (float(rng.uniform(-400, 400)), 300.0), 40.0 * k, k, 0.03)
        free = fit_camera([sheet], blank(None))
        assert abs(math.log(free.camera.focal_px / true.focal_px)) < 3 * free.focal_sigma_px / true.focal_px
        told = fit_camera([sheet], blank(true.focal_px))
        assert free.rms_px < 1.02 * told.rms_px


def test_no_sheet_is_an_error_that_says_what_to_do() -> None:
    with pytest.raises(PhotoError, match="No reference sheet"):
        fit_camera([], blank(None))


def test_points_above_the_bench_project_as_opencv_says() -> None:
    camera = aim_camera(size_px=SIZE, eye_mm=(-200, -600, 1500), k1=-0.03)
    places = np.array([[0.0, 0, -27], [300, -200, -27], [-500, 250, 0]])
    k = np.array([[camera.focal_px, 0, SIZE[0] / 2], [0, camera.focal_px, SIZE[1] / 2], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(camera.rotation)
    seen, _ = cv2.projectPoints(places, turn, camera.translation_mm, k, np.array([-0.03, 0, 0, 0]))
    assert np.abs(seen.reshape(-1, 2) - project(camera, places)).max() < 1e-6
