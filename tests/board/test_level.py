"""A frame is turned level with the lines drawn in it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from grainmatch.board.frame import Frame
from grainmatch.board.level import level_frame
from grainmatch.geometry import plane_to_pixels
from grainmatch.model import Photo
from grainmatch.synth import aim_camera
from tests.board.scenes import SIZE, THICK_MM, bench_of

CAMERA = aim_camera(size_px=SIZE, eye_mm=(0, 200, 1400), target_mm=(0, 0), hfov_deg=66.0)


@pytest.mark.parametrize("askew_deg", [-1.1, 0.0, 0.4])
def test_seams_among_wandering_grain_are_level(askew_deg: float) -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1, SIZE[::-1]).astype(np.float32)
    grain = np.asarray(cv2.GaussianBlur(noise, (0, 0), sigmaX=80, sigmaY=2))
    turn = cv2.getRotationMatrix2D((SIZE[0] / 2, SIZE[1] / 2), 0.7, 1.0)  # the grain runs out of the boards
    grain = np.asarray(cv2.warpAffine(grain, turn, SIZE, borderMode=cv2.BORDER_REFLECT))
    picture = 150 + 12 * grain / grain.std()
    ends = np.array([[-600.0, 0.0], [600.0, 0.0]]) @ Frame(np.zeros(2), np.radians(askew_deg)).axes
    for v in (-120.0, 0.0, 90.0):
        a, b = plane_to_pixels(CAMERA, ends + np.array([0.0, v]), THICK_MM)
        cv2.line(picture, np.rint(a * 16).astype(int), np.rint(b * 16).astype(int), 90.0, 2, cv2.LINE_AA, 4)
    rgb = np.repeat(np.clip(picture, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    bench = bench_of(Photo("seams", rgb), CAMERA)
    corners = np.array([-590.0, -160.0]), np.array([590.0, 130.0])
    whole = np.ones(SIZE[::-1], dtype=bool)
    found = level_frame(bench, Frame(np.zeros(2), 0.0), corners, whole, 1.0)
    assert np.degrees(found.angle_rad) == pytest.approx(askew_deg, abs=0.08)
