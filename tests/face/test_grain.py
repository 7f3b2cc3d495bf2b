"""Grain direction against gratings, the solid model and scikit-image's structure tensor."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.feature import structure_tensor

from grainmatch.face.reading import read_face
from grainmatch.model import Features, Rgb
from grainmatch.synth import SynthFace, draw_face, grow_board
from tests.benchmarks.bench_reading import axis_error_deg, true_cell_angles

Floats = NDArray[np.float64]


def grating(angle_deg: float, *, noise: float = 0.0, spacing_px: float = 6.0) -> Rgb:
    """Lines running at an angle from +x towards +y (down)."""
    y, x = np.mgrid[0:160, 0:480]
    angle = np.radians(angle_deg)
    across = -np.sin(angle) * x + np.cos(angle) * y
    light = 160 + 12 * np.sin(2 * np.pi * across / spacing_px)
    light = light + np.random.default_rng(0).normal(0, noise, light.shape)
    tinted = np.dstack([light, 0.75 * light, 0.55 * light])
    return np.asarray(np.clip(tinted, 0, 255), dtype=np.uint8)


def inner_error_deg(features: Features, angle_deg: float) -> Floats:
    """Angle errors away from the picture's border."""
    inner = features.angle_rad[2:-2, 2:-2]
    return axis_error_deg(inner, np.full(inner.shape, np.radians(angle_deg)))


@pytest.mark.parametrize("angle_deg", [0.0, 3.0, -7.0, 20.0, -40.0, 60.0, 90.0])
def test_lines_at_a_known_angle_are_read(angle_deg: float) -> None:
    features = read_face(grating(angle_deg), px_per_mm=2.0)
    error = inner_error_deg(features, angle_deg)
    assert error.mean() < 0.5
    assert features.coherence.mean() > 0.5


def test_camera_noise_does_not_turn_the_grain() -> None:
    features = read_face(grating(5.0, noise=10.0), px_per_mm=2.0)
    error = inner_error_deg(features, 5.0)
    assert error.mean() < 1.0


def test_pure_noise_is_not_called_grain() -> None:
    noisy = np.random.default_rng(3).normal(150, 10, (160, 480, 3)).clip(0, 255).astype(np.uint8)
    assert np.median(read_face(noisy, px_per_mm=2.0).coherence) < 0.3


def test_planer_marks_across_the_grain_are_outvoted() -> None:
    rgb = grating(0.0).astype(np.int16)
    rgb[:, ::47] += 60  # thin bright lines straight across
    features = read_face(np.clip(rgb, 0, 255).astype(np.uint8), px_per_mm=2.0)
    error = inner_error_deg(features, 0.0)
    assert np.percentile(error, 95) < 2.0


@pytest.fixture(scope="module", params=[(1.0, 5.0), (2.0, 10.0), (4.0, 10.0)], ids=str)
def drawn(request: pytest.FixtureRequest) -> tuple[SynthFace, Features]:
    px_per_mm, noise = request.param
    board = grow_board(seed=41, length_mm=500, width_mm=120, knots=1, pith_across_mm=10.0)
    face = draw_face(board, px_per_mm=px_per_mm, noise=noise)
    return face, read_face(face.rgb, px_per_mm=px_per_mm, inside=face.inside)


def test_grain_follows_the_solid_model(drawn: tuple[SynthFace, Features]) -> None:
    face, features = drawn
    truth = true_cell_angles(face, features)
    sure = np.isfinite(truth) & (features.coherence > 0.3)
    error = axis_error_deg(features.angle_rad, truth)[sure]
    assert sure.mean() > 0.6
    assert error.mean() < 1.3
    assert np.percentile(error, 95) < 5.0


def test_grain_is_truer_than_scikit_images_tensor(drawn: tuple[SynthFace, Features]) -> None:
    face, features = drawn
    truth = true_cell_angles(face, features)
    sure = np.isfinite(truth) & (features.coherence > 0.3)
    light = face.rgb.astype(np.float64).mean(axis=2)
    cell = features.cell_mm * face.px_per_mm
    rows, columns = (
        np.minimum(((np.arange(n) + 0.5) * cell).astype(int), size - 1)
        for n, size in zip(truth.shape, light.shape, strict=True)
    )
    ours = axis_error_deg(features.angle_rad, truth)[sure].mean()
    for sigma in (2.0, 4.0, 8.0):
        tensors = structure_tensor(light, sigma=sigma, order="rc")  # type: ignore[no-untyped-call]
        rr, rc, cc = (a[np.ix_(rows, columns)] for a in tensors)
        theirs = axis_error_deg(0.5 * np.arctan2(2 * rc, cc - rr) + np.pi / 2, truth)[sure].mean()
        assert ours < theirs


def test_a_sharper_photo_gives_the_same_directions() -> None:
    board = grow_board(seed=42, length_mm=400, width_mm=100, knots=0)
    means = []
    for px_per_mm in (2.0, 4.0):
        face = draw_face(board, px_per_mm=px_per_mm)
        means.append(read_face(face.rgb, px_per_mm=px_per_mm).mean_angle_rad)
    assert np.degrees(abs(means[0] - means[1])) < 0.2


def test_a_face_turned_end_for_end_keeps_its_angles_in_turned_places() -> None:
    rgb = draw_face(grow_board(seed=43, length_mm=400, width_mm=96, knots=0), px_per_mm=2.0).rgb
    as_is, turned = (read_face(np.ascontiguousarray(r), px_per_mm=2.0) for r in (rgb, rgb[::-1, ::-1]))
    error = axis_error_deg(turned.angle_rad[::-1, ::-1], as_is.angle_rad)
    assert np.median(error) < 0.2


def test_edge_strips_have_one_angle_for_every_pixel_column() -> None:
    rgb = grating(4.0)
    features = read_face(rgb, px_per_mm=2.0)
    for line in (features.upper_angle_rad, features.lower_angle_rad):
        assert line is not None
        assert line.shape == (rgb.shape[1],)
        assert np.degrees(np.median(line)) == pytest.approx(4.0, abs=0.4)


def test_reading_leaves_the_picture_as_it_was() -> None:
    rgb = grating(2.0)
    before = rgb.copy()
    read_face(rgb, px_per_mm=2.0)
    np.testing.assert_array_equal(rgb, before)
