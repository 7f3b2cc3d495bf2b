"""The camera from boards alone, one of them of a typed size, on views whose camera is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.geometry import Camera, Points, pixels_to_plane, plane_homography, plane_to_pixels
from grainmatch.model import Photo
from grainmatch.photo.camera import CameraFit
from grainmatch.photo.edges import LongEdges
from grainmatch.photo.expected import ExpectedBoards
from grainmatch.photo.rectangles import fit_to_boards
from grainmatch.photo.square import BoardEnds, rectangle_corners
from grainmatch.synth import aim_camera
from tests.photo.sigma import sigma_of

SIZE = (4032, 3024)
RECTANGLE = np.array([[-600.0, -60], [600, -60], [600, 60], [-600, 60]])
WEDGE = np.array([[-600.0, -65], [600, -50], [610, 50], [-580, 65]])  # tapered, its ends out of square


def from_above(tilt_deg: float, way_deg: float = 20.0, k1: float = 0.0) -> Camera:
    """A camera leaning so far from straight down, to a side counted from the one below the boards."""
    reach, way = 1600 * math.tan(math.radians(tilt_deg)), math.radians(way_deg)
    eye = (reach * math.sin(way), reach * math.cos(way), 1600.0)
    return aim_camera(size_px=SIZE, eye_mm=eye, hfov_deg=66, roll_deg=3, k1=k1)


def lay(shapes: list[Points]) -> NDArray[np.float64]:
    """Boards one below the other, each turned a little: corners (boards, 4, 2) on the faces' plane."""
    laid = []
    for n, shape in enumerate(shapes):
        c, s = math.cos(0.012 * (n - 1)), math.sin(0.012 * (n - 1))
        laid.append(shape @ np.array([[c, s], [-s, c]]) + (5 * n, 150 * (n - (len(shapes) - 1) / 2)))
    return np.array(laid)


def see(
    camera: Camera, boards_mm: NDArray[np.float64], noise_px: float = 0.0, seed: int = 0
) -> tuple[NDArray[np.float64], LongEdges]:
    """Corners and long edges as the camera sees them."""
    rng = np.random.default_rng(seed)
    corners = np.array([plane_to_pixels(camera, board, 0.0) for board in boards_mm])
    part = np.linspace(0, 1, 41)[:, None]
    lines = [
        [plane_to_pixels(camera, b[i] * (1 - part) + b[j] * part, 0.0) for i, j in ((0, 1), (3, 2))]
        for b in boards_mm
    ]
    solve = np.linalg.pinv(
        np.vander(np.linspace(-1, 1, 41), 3, increasing=True) @ [[1, 0, -0.5], [0, 1, 0], [0, 0, 1.5]]
    )
    edges = LongEdges(
        np.array(lines) + rng.normal(0, noise_px, np.shape(lines)),
        np.array([[solve, solve]] * len(lines)),
        np.full((len(lines), 4), 0.02),
    )
    return corners + rng.normal(0, 2 * noise_px, corners.shape), edges


def fit(
    camera: Camera,
    boards_mm: NDArray[np.float64],
    typed_mm: tuple[float | None, float | None],
    *,
    noise_px: float = 0.0,
    focal_px: float = 0.0,
    seed: int = 0,
) -> tuple[CameraFit, NDArray[np.float64]]:
    """The camera from boards of which the first one's size is typed, and their corners in the photo.

    focal_px: as the photo tells it, the true one when 0 and nothing when negative.
    """
    told = focal_px or camera.focal_px
    photo = Photo("view", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), told if told > 0 else None)
    corners, edges = see(camera, boards_mm, noise_px, seed)
    boards = ExpectedBoards(edges, BoardEnds(corners))
    return fit_to_boards(photo, boards, place=0, typed_mm=typed_mm), corners


def sides_mm(flat: Points) -> NDArray[np.float64]:
    """Mean length and mean width of corners laid flat."""
    a, b, c, d = flat
    return np.array([np.hypot(*(b + c - a - d)) / 2, np.hypot(*(c + d - a - b)) / 2])


def errors_frac(found: Camera, corners_px: NDArray[np.float64], boards_mm: NDArray[np.float64]) -> Points:
    """Relative error of length and width (boards, 2)."""
    seen = [sides_mm(pixels_to_plane(found, c, 0.0)) for c in corners_px]
    return np.asarray(np.array(seen) / np.array([sides_mm(b) for b in boards_mm]) - 1)


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 40.0])
@pytest.mark.parametrize("typed", ["length", "width"])
def test_other_boards_tell_the_tilt_when_the_typed_one_is_a_wedge(tilt_deg: float, typed: str) -> None:
    camera = from_above(tilt_deg)
    boards = lay([WEDGE, RECTANGLE, RECTANGLE, RECTANGLE])
    typed_mm = (1210.0, None) if typed == "length" else (None, 115.0)
    found, corners = fit(camera, boards, typed_mm, noise_px=0.1)
    apart_deg = math.degrees(math.acos(min(1.0, float(found.camera.rotation[:, 2] @ camera.rotation[:, 2]))))
    assert apart_deg < 0.6
    assert np.abs(errors_frac(found.camera, corners, boards)[1:]).max() < 0.01


def test_one_wedge_alone_passes_for_a_tilt_and_says_so() -> None:
    """What many boards settle one cannot: its sigma covers the error it makes."""
    camera, boards = from_above(20), lay([WEDGE, RECTANGLE])
    alone, corners = fit(camera, boards[:1], (1210.0, None))

    def width_mm(camera: Camera) -> float:
        return float(sides_mm(pixels_to_plane(camera, corners[0], 0.0))[1])

    assert abs(width_mm(alone.camera) - 115) < 3 * sigma_of(alone, width_mm)


def test_the_vanishing_line_is_where_parallel_edges_meet() -> None:
    """Textbook: images of parallel lines meet on the plane's vanishing line (Hartley & Zisserman, Multiple
    View Geometry, 2nd ed. 2004, sec. 8.6; Liebowitz & Zisserman, CVPR 1998), by cross products alone."""
    camera, boards = from_above(35, 50), lay([RECTANGLE] * 3)
    found, corners = fit(camera, boards, (1200.0, None))
    horizon = np.linalg.inv(plane_homography(found.camera, 0.0))[2]
    horizon /= np.hypot(*horizon[:2])
    for a, b, c, d in np.dstack([corners, np.ones(corners.shape[:2])]):
        for one, other in (((a, b), (d, c)), ((a, d), (b, c))):
            meet = np.cross(np.cross(*one), np.cross(*other))
            meet = meet[:2] / meet[2]
            away = horizon @ [*meet, 1]
            assert abs(away) < 2e-3 * np.hypot(*(meet - np.array(SIZE) / 2))


def test_both_sizes_typed_tell_the_focal_length() -> None:
    camera, boards = from_above(40), lay([RECTANGLE] * 3)
    found, corners = fit(camera, boards, (1200.0, 120.0), focal_px=-1)
    assert np.abs(errors_frac(found.camera, corners, boards)).max() < 0.002
    assert abs(found.camera.focal_px - camera.focal_px) < 3 * found.focal_sigma_px


def test_the_stated_sigma_covers_the_error() -> None:
    """Over random views of boards as they come, wrong focal lengths and wedges included."""
    rng = np.random.default_rng(31)
    ratios, errors, sigmas = [], [], []
    for k in range(10):
        shapes = [
            RECTANGLE * (1, rng.uniform(0.7, 1.3)) + rng.normal(0, 0.8, (4, 2)) * (1.5, 1)
            for _ in range(int(rng.integers(2, 6)))
        ]
        boards = lay([*shapes, WEDGE] if k % 3 == 0 else shapes)
        camera = from_above(float(rng.uniform(0, 40)), float(rng.uniform(-180, 180)))
        focal = camera.focal_px * float(np.exp(rng.normal(0, 0.012)))
        typed = (float(sides_mm(boards[0])[0]), None)
        found, corners = fit(camera, boards, typed, noise_px=0.2, focal_px=focal, seed=k)
        error = errors_frac(found.camera, corners, boards)[1:, 1]

        def width_mm(camera: Camera, corners: Points = corners[1]) -> float:
            return float(sides_mm(pixels_to_plane(camera, corners, 0.0))[1])

        sigmas.append(sigma_of(found, width_mm) / width_mm(found.camera))
        errors.append(error[0])
        ratios.append(abs(error[0]) / sigmas[-1])
    assert sum(r < 2 for r in ratios) >= 8
    assert np.median(sigmas) < 3 * np.std(errors)


def test_a_few_boards_without_traced_edges_still_give_a_camera() -> None:
    camera, boards = from_above(25), lay([RECTANGLE] * 3)
    corners, _ = see(camera, boards)
    photo = Photo("view", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), camera.focal_px)
    none = LongEdges(np.zeros((0, 2, 41, 2)), np.zeros((0, 2, 3, 41)), np.zeros((0, 4)))
    found = fit_to_boards(photo, ExpectedBoards(none, BoardEnds(corners)), place=0, typed_mm=(1200.0, None))
    assert np.abs(errors_frac(found.camera, corners, boards)).max() < 0.01


def test_corners_start_at_the_upper_left_whichever_way_the_outline_runs() -> None:
    outline = np.array([[10.0, 40], [400, 50], [398, 110], [12, 100]])
    for turned in (outline, np.roll(outline, 2, axis=0), outline[::-1]):
        assert rectangle_corners(turned) == pytest.approx(outline)


def test_an_end_without_length_has_no_slope() -> None:
    corners = np.array([[[0.0, 0.0], [900.0, 0.0], [900.0, 100.0], [0.0, 0.0]]])
    slopes = BoardEnds(corners).skew_slopes(corners[0], np.ones((4, 2, 3)))
    assert np.isfinite(slopes).all()
