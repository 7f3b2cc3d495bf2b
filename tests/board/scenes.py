"""Drawn scenes for the tests of this room, seen through the camera that drew them."""

from __future__ import annotations

import cv2
import numpy as np

from grainmatch.geometry import Camera, Points, pixels_to_plane
from grainmatch.model import Bench, Light, Photo
from grainmatch.synth import SolidBoard, SynthScene, grow_board

SIZE = (1600, 1200)
THICK_MM = 27.0


def bench_of(
    photo: Photo, camera: Camera, face_height_mm: float = THICK_MM, sheets: tuple[Points, ...] = ()
) -> Bench:
    """A bench whose camera is known, so that only this room's own errors are left."""
    centre = np.asarray(camera.centre_px)
    a, b = pixels_to_plane(camera, centre + np.array([[0, 0], [10, 0]]), face_height_mm)
    light = Light(np.ones((2, 2, 3), np.float32))
    scale = float(10 / np.hypot(*(b - a)))
    return Bench(photo, camera, face_height_mm, light, scale, 0.0003, "the drawing", (), sheets)


def bench_of_scene(scene: SynthScene) -> Bench:
    return bench_of(scene.photo, scene.camera, scene.boards[0].thickness_mm)


def cherry_boards(n: int, *, length_mm: float = 1400.0, seed: int = 0) -> list[SolidBoard]:
    return [
        grow_board(seed=seed + s, length_mm=length_mm + 13 * s, width_mm=115 + 18 * s, thickness_mm=THICK_MM)
        for s in range(n)
    ]


def overlap(a: Points, b: Points) -> float:
    """Intersection over union of two polygons, by OpenCV's convex intersection."""
    hulls = [np.asarray(p, dtype=np.float32).reshape(-1, 1, 2) for p in (a, b)]
    common = float(cv2.intersectConvexConvex(hulls[0], hulls[1])[0])
    return common / (sum(cv2.contourArea(h) for h in hulls) - common)
