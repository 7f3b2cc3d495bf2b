"""Photo -> face image: one warp a face from the plane of the boards' faces, lit evenly."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.geometry import (
    Points,
    distort,
    pixels_to_plane,
    plane_homography,
    plane_to_pixels,
    polygon_mask,
)
from grainmatch.model import Bench, Mask, Rgb
from grainmatch.photo.light import apply_gain, gain_at, shine_at

MOST_PX_PER_MM = 6.0
_SHEET_SHADE_MM = 2.0
"""So much round a sheet on a face is its edge and shadow."""
_PAPER_CHROMA = 7.0
"""Paper and print are greyer than this in CIELAB, wood is more colourful (ash, the greyest tried, 15)."""
_LIGHT_STEP_PX = 32


@dataclass(frozen=True)
class FaceFrame:
    """A rectangle on the plane of the faces: where a face image lies on the bench.

    origin_mm: bench x, y of the image's top-left corner; angle_rad: of the image's x axis against the
    bench's; size_mm: (length, width) of the image.
    """

    origin_mm: tuple[float, float]
    angle_rad: float
    size_mm: tuple[float, float]

    def to_bench(self, points_mm: Points) -> Points:
        """Face millimetres (n, 2) to bench x, y."""
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.asarray(points_mm @ np.array([[c, s], [-s, c]]) + self.origin_mm)

    def from_bench(self, points_mm: Points) -> Points:
        """Bench x, y (n, 2) to face millimetres."""
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.asarray((points_mm - self.origin_mm) @ np.array([[c, -s], [s, c]]))


@dataclass(frozen=True, eq=False)
class FlatFace:
    """A face laid flat. rgb (h, w, 3), inside (h, w); outline_mm (n, 2) the outline in face millimetres."""

    rgb: Rgb
    inside: Mask
    px_per_mm: float
    outline_mm: Points
    frame: FaceFrame


def frame_face(bench: Bench, outline_px: Points) -> FaceFrame:
    """The rectangle around an outline (n, 2) in photo pixels, its x axis along the board.

    The direction is the length-weighted double-angle mean of the outline's own edges that run within
    20 degrees of the long side of its smallest rectangle; x points to the right in the photo (down when
    the board stands exactly upright).
    """
    outline = pixels_to_plane(bench.camera, outline_px, bench.face_height_mm)
    _, (w, h), turn = cv2.minAreaRect(outline.astype(np.float32))
    rough = math.radians(turn) + (0.0 if w >= h else math.pi / 2)
    edges = np.roll(outline, -1, axis=0) - outline
    angle, reach = np.arctan2(edges[:, 1], edges[:, 0]), np.hypot(*edges.T)
    off = np.abs((angle - rough + math.pi / 2) % math.pi - math.pi / 2)
    weight = np.where(off < math.radians(20), reach, 0.0)
    if weight.sum() > 0:
        rough = rough + float(np.angle((weight * np.exp(2j * (angle - rough))).sum())) / 2
    along = (rough + math.pi / 2) % math.pi - math.pi / 2  # -90 <= along < 90 degrees: x to the right
    along = math.pi / 2 if along == -math.pi / 2 else along
    level = FaceFrame((0.0, 0.0), along, (1.0, 1.0)).from_bench(outline)
    low, high = level.min(axis=0), level.max(axis=0)
    origin = FaceFrame((0.0, 0.0), along, (1.0, 1.0)).to_bench(low[None])[0]
    return FaceFrame(
        (float(origin[0]), float(origin[1])), along, (float(high[0] - low[0]), float(high[1] - low[1]))
    )


def rectify_face(
    bench: Bench, outline_px: Points, *, px_per_mm: float | None = None, frame: FaceFrame | None = None
) -> FlatFace:
    """Lay the face within `outline_px` (n, 2) flat, length along x, with the bench's light taken out.

    Without `px_per_mm` the photo's own scale there is kept (at most 6 px/mm). One warp, linear between
    pixels; when shrinking by more than half, the warp is made finer and averaged down.
    """
    frame = frame or frame_face(bench, outline_px)
    native = _native_px_per_mm(bench, frame)
    scale = px_per_mm or min(native, MOST_PX_PER_MM)
    fine = max(1, math.floor(native / scale))
    size = (max(1, math.ceil(frame.size_mm[0] * scale)), max(1, math.ceil(frame.size_mm[1] * scale)))
    rgb = _warp(bench, frame, scale * fine, (size[0] * fine, size[1] * fine))
    if fine > 1:
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    lit = apply_gain(rgb, *_light_on(bench, frame, scale, size))
    outline_mm = frame.from_bench(pixels_to_plane(bench.camera, outline_px, bench.face_height_mm))
    inside = polygon_mask(outline_mm * scale, (size[1], size[0]))
    for sheet_px in bench.sheet_outlines_px:
        inside &= ~_find_covered(bench, frame, sheet_px, lit, inside, scale)
    return FlatFace(lit, inside, scale, outline_mm, frame)


def _find_covered(
    bench: Bench, frame: FaceFrame, sheet_px: Points, lit: Rgb, inside: Mask, scale: float
) -> Mask:
    """Where a sheet lies on the face. A board that lies on the sheet shows its own colour there."""
    at_mm = frame.from_bench(pixels_to_plane(bench.camera, sheet_px, bench.face_height_mm))
    middle = at_mm.mean(axis=0)
    out = at_mm - middle
    grown = middle + out * (1 + _SHEET_SHADE_MM / np.linalg.norm(out, axis=1, keepdims=True))
    under = polygon_mask(grown * scale, inside.shape) & inside
    seen = lit[under][::7]
    if not len(seen):
        return under
    chroma = np.hypot(*srgb_to_lab(seen)[:, 1:].T)
    return under if np.median(chroma) < _PAPER_CHROMA else np.zeros_like(under)


def _native_px_per_mm(bench: Bench, frame: FaceFrame) -> float:
    three = frame.to_bench(np.array([[0, 0], [1, 0], [0, 1]]) + np.array(frame.size_mm) / 2)
    p = plane_to_pixels(bench.camera, three, bench.face_height_mm)
    u, v = p[1] - p[0], p[2] - p[0]
    return float(math.sqrt(abs(u[0] * v[1] - u[1] * v[0])))


def _warp(bench: Bench, frame: FaceFrame, scale: float, size: tuple[int, int]) -> Rgb:
    """The photo resampled on the frame's grid."""
    c, s = math.cos(frame.angle_rad), math.sin(frame.angle_rad)
    to_bench = np.array([[c, -s, frame.origin_mm[0]], [s, c, frame.origin_mm[1]], [0, 0, 1]])
    to_face = np.array([[1 / scale, 0, 0.5 / scale], [0, 1 / scale, 0.5 / scale], [0, 0, 1]])
    ideal = plane_homography(bench.camera, bench.face_height_mm) @ to_bench @ to_face
    if bench.camera.k1 == 0:
        centred = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        out = cv2.warpPerspective(
            bench.photo.rgb, centred @ ideal, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(out, dtype=np.uint8)
    places = _lens_map(bench, ideal, size)
    # x and y in one map, which the declared types do not know of
    out = cv2.remap(  # type: ignore[call-overload]
        bench.photo.rgb, places, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, dtype=np.uint8)


def _lens_map(bench: Bench, ideal: Points, size: tuple[int, int]) -> NDArray[np.float32]:
    """Photo coordinates (h, w, 2) (OpenCV's, centres whole) of every output pixel: exact on a grid, linear
    between."""
    step = 16
    # Cell k of the grid stands for output pixels step * (k - 1) and on; one cell more on every side.
    gx, gy = ((np.arange(-1, n // step + 2) + 0.5) * step - 0.5 for n in size)
    grid = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    q = grid @ ideal[:, :2].T + ideal[:, 2]
    seen = (distort(bench.camera, q[:, :2] / q[:, 2:3]) - 0.5).astype(np.float32).reshape(len(gy), len(gx), 2)
    whole = cv2.resize(seen, (len(gx) * step, len(gy) * step), interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole, dtype=np.float32)[step : step + size[1], step : step + size[0]]


def _light_on(
    bench: Bench, frame: FaceFrame, scale: float, size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
    """The light's gain (h, w, 3) and shine (h, w) on the face image, from a coarse grid of it."""
    columns, rows = max(2, size[0] // _LIGHT_STEP_PX), max(2, size[1] // _LIGHT_STEP_PX)
    x = (np.arange(columns) + 0.5) * size[0] / columns / scale
    y = (np.arange(rows) + 0.5) * size[1] / rows / scale
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    at = plane_to_pixels(bench.camera, frame.to_bench(places), bench.face_height_mm)

    def whole(coarse: NDArray[np.float32]) -> NDArray[np.float32]:
        grid = coarse.reshape(rows, columns, -1)
        return np.asarray(cv2.resize(grid, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)

    shine = shine_at(bench.light, bench.photo.rgb.shape, at)
    return whole(gain_at(bench.light, bench.photo.rgb.shape, at)), None if shine is None else whole(shine)
