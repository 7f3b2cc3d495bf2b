"""Plane maps and the camera against OpenCV's own (cv2.projectPoints, cv2.findHomography); fits against
closed forms."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from grainmatch import geometry as g


def slanted_camera(k1: float = 0.0) -> g.Camera:
    rotation, _ = cv2.Rodrigues(np.array([0.35, -0.1, 0.05]))
    return g.Camera(3000.0, (2016.0, 1512.0), k1, np.asarray(rotation), np.array([-100.0, 50.0, 1700.0]))


@pytest.mark.parametrize("k1", [0.0, -0.06, 0.04])
def test_projection_equals_opencv(k1: float) -> None:
    camera = slanted_camera(k1)
    points = np.random.default_rng(1).uniform([-800, -500, -60], [800, 500, 0], (50, 3))
    intrinsic = np.array([[3000.0, 0, 2016.0], [0, 3000.0, 1512.0], [0, 0, 1]])
    rvec, _ = cv2.Rodrigues(camera.rotation)
    ours = g.project(camera, points)
    theirs, _ = cv2.projectPoints(points, rvec, camera.translation_mm, intrinsic, np.array([k1, 0, 0, 0, 0]))
    np.testing.assert_allclose(ours, np.asarray(theirs).reshape(-1, 2), atol=1e-6)


@pytest.mark.parametrize("k1", [0.0, -0.06, 0.04])
def test_plane_and_pixels_are_inverse(k1: float) -> None:
    camera = slanted_camera(k1)
    points = np.random.default_rng(2).uniform(-600, 600, (50, 2))
    pixels = g.plane_to_pixels(camera, points, 27.0)
    np.testing.assert_allclose(
        pixels, g.project(camera, np.column_stack([points, np.full(50, -27.0)])), atol=1e-6
    )
    np.testing.assert_allclose(g.pixels_to_plane(camera, pixels, 27.0), points, atol=1e-3)


def test_fit_line_on_exact_points() -> None:
    x = np.linspace(0, 10, 20)
    centre, direction, rms = g.fit_line(np.column_stack([x, 2 * x + 1]))
    assert rms == pytest.approx(0, abs=1e-9)
    assert abs(direction[1] / direction[0]) == pytest.approx(2)
    assert centre == pytest.approx((5, 11))


def test_polygon_area_and_mask_agree() -> None:
    outline = [[2.0, 3.0], [52.0, 3.0], [52.0, 23.0], [2.0, 23.0]]
    assert g.polygon_area(outline) == pytest.approx(1000)
    assert g.polygon_mask(outline, (40, 60))[3:23, 2:52].all()


def test_mean_axis_wraps() -> None:
    near_vertical = np.radians([89.0, -89.0])
    assert abs(abs(np.degrees(g.mean_axis_rad(near_vertical))) - 90) < 1e-9


def test_line_crossing() -> None:
    crossing = g.line_crossing(
        np.array([0.0, 0.0]), np.array([1.0, 1.0]), np.array([4.0, 0.0]), np.array([-1.0, 1.0])
    )
    assert crossing == pytest.approx((2, 2))


def test_resample_keeps_ends_and_spacing() -> None:
    even = g.resample_polyline([[0, 0], [3, 0], [3, 4]], 8)
    assert even[0] == pytest.approx((0, 0))
    assert even[-1] == pytest.approx((3, 4))
    np.testing.assert_allclose(np.hypot(*np.diff(even, axis=0).T), 1.0)
