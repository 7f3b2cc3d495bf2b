"""A straight-ruled frame laid over boards on the face plane, and the photo seen through it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from grainmatch.geometry import Points, pixels_to_plane, plane_homography, plane_to_pixels
from grainmatch.model import Bench


@dataclass(frozen=True, eq=False)
class Frame:
    """u along the boards, v across them (a quarter turn clockwise on screen from u), in mm.

    origin_mm is where u = v = 0 lies on the face plane; angle_rad is the direction of u there.
    """

    origin_mm: Points
    angle_rad: float

    @property
    def axes(self) -> NDArray[np.float64]:
        """Rows: the unit vectors of u and v on the face plane."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return np.array([[c, s], [-s, c]])

    def enter(self, points_mm: ArrayLike) -> Points:
        """Face-plane points (n, 2) to u, v."""
        return np.asarray((np.asarray(points_mm, dtype=np.float64) - self.origin_mm) @ self.axes.T)

    def leave(self, points_uv: ArrayLike) -> Points:
        """u, v (..., 2) to face-plane points."""
        return np.asarray(np.asarray(points_uv, dtype=np.float64) @ self.axes + self.origin_mm)


def look(bench: Bench, image: NDArray[Any], points_mm: Points, scale: float = 1.0) -> NDArray[Any]:
    """The image's values (h, w, c) at face-plane points (h, w, 2), bilinear, edge values repeated outside.

    scale: image pixels per photo pixel, for images smaller than the photo.
    """
    m = _to_image(bench, scale).astype(np.float32)
    x, y = points_mm[..., 0].astype(np.float32), points_mm[..., 1].astype(np.float32)
    return _sample(bench, image, [row[0] * x + row[1] * y + row[2] for row in m], scale)


def look_along(
    bench: Bench,
    image: NDArray[Any],
    starts_mm: Points,
    way: Points,
    steps_mm: NDArray[np.floating[Any]],
    scale: float = 1.0,
) -> NDArray[Any]:
    """As `look`, at steps_mm (w,) from each of starts_mm (h, 2) on the face plane along a unit vector."""
    m = _to_image(bench, scale)
    start = (starts_mm @ m[:, :2].T + m[:, 2]).T.astype(np.float32)
    along = np.outer(m[:, :2] @ way, steps_mm).astype(np.float32)
    return _sample(bench, image, [s[:, None] + a for s, a in zip(start, along, strict=True)], scale)


def look_through(
    bench: Bench,
    image: NDArray[Any],
    frame: Frame,
    u: NDArray[np.floating[Any]],
    v: NDArray[np.floating[Any]],
    scale: float = 1.0,
) -> NDArray[Any]:
    """As `look`, at every u (w,) and v (h,) of a frame."""
    starts = frame.leave(np.column_stack([np.zeros_like(v), v]))
    return look_along(bench, image, starts, frame.axes[0], u, scale)


def _to_image(bench: Bench, scale: float) -> NDArray[np.float64]:
    """The 3x3 map from mm on the face plane to an image's pixels without lens, counted from its middle."""
    x, y = bench.camera.centre_px
    centred = np.array([[scale, 0, -scale * x], [0, scale, -scale * y], [0, 0, 1]])
    return np.asarray(centred @ plane_homography(bench.camera, bench.face_height_mm))


def _sample(bench: Bench, image: NDArray[Any], homogeneous: list[NDArray[Any]], scale: float) -> NDArray[Any]:
    """The image at places given in homogeneous pixels from its middle, three of (h, w), by `_to_image`."""
    # In float32 and in place: this runs over millions of points, and 1e-3 px is enough.
    camera = bench.camera
    px, py, depth = homogeneous
    px /= depth
    py /= depth
    if camera.k1:
        bend = px * px
        bend += py * py
        bend *= np.float32(camera.k1 / (camera.focal_px * scale) ** 2)
        bend += 1
        px *= bend
        py *= bend
    px += np.float32(camera.centre_px[0] * scale - 0.5)  # OpenCV counts from the first pixel's centre
    py += np.float32(camera.centre_px[1] * scale - 0.5)
    seen = cv2.remap(np.asarray(image), px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen).reshape(*px.shape, *image.shape[2:])


def lean_per_mm(bench: Bench, points_mm: ArrayLike) -> Points:
    """How far the bench below each face point appears shifted on the face plane, mm per mm of height.

    A vertical side under a face edge at p is seen between p and p + height * lean (n, 2), towards
    the point of the bench straight below the camera; where that lies inside the board the side
    is hidden.
    """
    p = np.asarray(points_mm, dtype=np.float64)
    h = bench.face_height_mm
    below = plane_to_pixels(bench.camera, p, h - 1.0)
    return pixels_to_plane(bench.camera, below, h) - p
