"""Lines, circles, polygons, plane maps and the camera. Plain arrays in, plain arrays out.

Points are (n, 2) arrays of x, y. Pixel (0, 0) has its centre at (0.5, 0.5). The bench frame is in
millimetres on the bench top: x and y lie in the bench as the photo shows them (x right, y down),
z points down into the bench, so a board face of thickness t lies at z = -t.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Points = NDArray[np.float64]
Matrix = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Camera:
    """A pinhole camera with one radial term, and where it stands.

    focal_px, centre_px: in upright photo pixels (pixel centres at .5). k1: radial distortion on
    normalised coordinates, x_d = x (1 + k1 r^2). rotation (3, 3) and translation_mm (3,) take
    bench millimetres to camera millimetres.
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    rotation: Matrix
    translation_mm: NDArray[np.float64]


def project(camera: Camera, points_mm: ArrayLike) -> Points:
    """Bench points (n, 3) in mm to photo pixels (n, 2)."""
    p = np.asarray(points_mm, dtype=np.float64) @ camera.rotation.T + camera.translation_mm
    return distort(camera, p[:, :2] / p[:, 2:3] * camera.focal_px + np.asarray(camera.centre_px))


def plane_homography(camera: Camera, height_mm: float) -> Matrix:
    """The 3x3 map from x, y in mm on the plane `height_mm` above the bench to undistorted pixels."""
    intrinsic = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]]
    )
    r = camera.rotation
    lift = camera.translation_mm - height_mm * r[:, 2]
    return np.asarray(intrinsic @ np.column_stack([r[:, 0], r[:, 1], lift]))


def pixels_to_plane(camera: Camera, points_px: ArrayLike, height_mm: float) -> Points:
    """Photo pixels (n, 2) to x, y in mm on the plane `height_mm` above the bench."""
    return apply_homography(_to_plane(camera, height_mm), undistort(camera, points_px))


def pixels_to_planes(
    cameras: Sequence[Camera], points_px: ArrayLike, height_mm: float
) -> NDArray[np.float64]:
    """As `pixels_to_plane` for each of some cameras (cameras, n, 2), at once."""
    focal_px, k1 = np.array([(c.focal_px, c.k1) for c in cameras]).T[..., None]
    centre = np.array([c.centre_px for c in cameras])[:, None]
    off_px = np.asarray(points_px, dtype=np.float64) - centre
    ideal = off_px * _inward(k1 / focal_px**2 * (off_px**2).sum(axis=2))[..., None] + centre
    to_plane = np.array([_to_plane(c, height_mm) for c in cameras])
    q = ideal @ to_plane[:, :, :2].transpose(0, 2, 1) + to_plane[:, None, :, 2]
    return np.asarray(q[..., :2] / q[..., 2:])


@lru_cache(maxsize=64)
def _to_plane(camera: Camera, height_mm: float) -> Matrix:
    """The inverse of `plane_homography`; kept, for one camera lays many things on few planes."""
    return np.asarray(np.linalg.inv(plane_homography(camera, height_mm)), dtype=np.float64)


def plane_to_pixels(camera: Camera, points_mm: ArrayLike, height_mm: float) -> Points:
    """Points (n, 2) in mm on the plane `height_mm` above the bench to photo pixels."""
    return distort(camera, apply_homography(plane_homography(camera, height_mm), points_mm))


def distort(camera: Camera, points_px: ArrayLike) -> Points:
    """Ideal pixels to the pixels the lens makes of them."""
    p = np.asarray(points_px, dtype=np.float64)
    n = (p - camera.centre_px) / camera.focal_px
    return np.asarray(p + n * (camera.focal_px * camera.k1 * (n**2).sum(axis=1, keepdims=True)))


def undistort(camera: Camera, points_px: ArrayLike) -> Points:
    """Inverse of `distort`, by fixed-point steps (converges for the mild k1 of phone photos)."""
    p = np.asarray(points_px, dtype=np.float64)
    off_px = p - camera.centre_px
    if camera.k1:
        stretch = camera.k1 / camera.focal_px**2 * np.einsum("ij,ij->i", off_px, off_px)
        off_px *= _inward(stretch)[:, None]
    return np.asarray(off_px + np.asarray(camera.centre_px), dtype=np.float64)


def _inward(stretch: NDArray[np.float64]) -> NDArray[np.float64]:
    """By what seen radii shrink where the lens stretches them by k1 r^2 = stretch."""
    inward = 1 / (1 + stretch)
    for _ in range(7):
        stretched = stretch * inward
        stretched *= inward
        stretched += 1
        np.divide(1.0, stretched, out=inward)
    return np.asarray(inward)


def apply_homography(matrix: Matrix, points: ArrayLike) -> Points:
    """Map points (n, 2) by a 3x3 plane map."""
    p = np.asarray(points, dtype=np.float64)
    q = p @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(q[:, :2] / q[:, 2:3])


def expand_poly(poly: ArrayLike, centre: float, half: float) -> NDArray[np.float64]:
    """Coefficients in x, highest power first, of a polynomial given in (x - centre) / half."""
    coefficients = np.asarray(poly, dtype=np.float64)
    out = np.zeros_like(coefficients)
    for c in coefficients:  # Horner's rule on polynomials
        out = np.append(out[1:], 0.0) / half - out * (centre / half)
        out[-1] += c
    return out


def fit_line(points: ArrayLike) -> tuple[Points, Points, float]:
    """Total least squares line: (point on it (2,), unit direction (2,), rms distance)."""
    p = np.asarray(points, dtype=np.float64)
    centre = p.mean(axis=0)
    _, s, vt = np.linalg.svd(p - centre, full_matrices=False)
    rms = float(s[1] / np.sqrt(len(p))) if len(s) > 1 else 0.0
    return centre, vt[0], rms


def line_crossing(point_1: Points, direction_1: Points, point_2: Points, direction_2: Points) -> Points:
    """Where two lines cross, (2,). Raises numpy.linalg.LinAlgError when they are parallel."""
    t = np.linalg.solve(np.column_stack([direction_1, -direction_2]), point_2 - point_1)
    return np.asarray(point_1 + t[0] * direction_1)


def polygon_area(outline: ArrayLike) -> float:
    """Signed area of a closed polygon (n, 2); positive when it runs clockwise on screen (y down)."""
    x, y = np.asarray(outline, dtype=np.float64).T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def polygon_mask(outline: ArrayLike, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Pixels of an (h, w) grid whose centres lie within a polygon given in pixel coordinates."""
    mask = np.zeros(shape, dtype=np.uint8)
    fixed = np.rint((np.asarray(outline, dtype=np.float64) - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(mask, [fixed], 1, shift=4)
    return mask.astype(bool)


def resample_polyline(points: ArrayLike, n: int) -> Points:
    """`n` points evenly spaced by arc length along a polyline (m, 2), ends kept."""
    p = np.asarray(points, dtype=np.float64)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    at = np.linspace(0.0, along[-1], n)
    return np.column_stack([np.interp(at, along, p[:, k]) for k in (0, 1)])


def mean_axis_rad(angle_rad: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Mean of undirected angles in (-pi/2, pi/2], averaged by double angle."""
    double = np.exp(2j * np.asarray(angle_rad, dtype=np.float64))
    w = np.ones(double.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    return float(np.angle((w * double).sum()) / 2)


def shrink(rgb: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """An 8-bit image (h, w, c) at a smaller size (w, h), each pixel the mean of the area it covers.

    Halved as long as that leaves nothing over and is not too much: OpenCV averages whole steps many times as
    fast as broken ones.
    """
    out: Any = rgb
    height, width = rgb.shape[:2]
    while min(width // size[0], height // size[1]) >= 2 and width % 2 == height % 2 == 0:
        width, height = width // 2, height // 2
        out = cv2.resize(out, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(out, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
