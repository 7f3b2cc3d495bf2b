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
    # Written out in float32: this runs over millions of points, and 1e-4 px is enough.
    camera = bench.camera
    m = plane_homography(camera, bench.face_height_mm).astype(np.float32)
    x, y = points_mm[..., 0].astype(np.float32), points_mm[..., 1].astype(np.float32)
    depth = 1 / (m[2, 0] * x + m[2, 1] * y + m[2, 2])
    px = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) * depth
    py = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) * depth
    if camera.k1:
        dx, dy = px - np.float32(camera.centre_px[0]), py - np.float32(camera.centre_px[1])
        bend = np.float32(camera.k1 / camera.focal_px**2) * (dx * dx + dy * dy)
        px, py = px + dx * bend, py + dy * bend
    k = np.float32(scale)
    seen = cv2.remap(
        np.asarray(image), px * k - 0.5, py * k - 0.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(seen).reshape(*points_mm.shape[:2], *image.shape[2:])


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
