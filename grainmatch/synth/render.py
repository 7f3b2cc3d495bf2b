"""Follows each pixel's ray to the bench, to boards' faces and sides, and to the reference sheet."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR
from grainmatch.geometry import Camera, Points, plane_to_pixels, project, undistort
from grainmatch.synth.bench import PAPER_MM, BenchKind, bench_tile, draw_sheet
from grainmatch.synth.slot import seen_light

Field = NDArray[np.floating[Any]]
Image = NDArray[np.float32]
Surface = Callable[[Field, Field, Field, float, str], Image]
"""surface(along, across, below, px_mm, plane): linear colour at places of a slab, in the frame of the
face that lies up; plane is "top", "side" or "end"."""

_TILE_PX = 512
_END_SHADE = np.float32(0.55)  # upright ends, which stand free, get about half the light of faces lying up
_LEAST_SLANT = 1e-3  # of a sight straight down
_GAP_PLACES, _LEAST_GAP_MM, _OPEN_MM = 33, 0.01, 3000.0


@dataclass(frozen=True)
class SheetPlace:
    """Where a reference sheet lies: its centre on the bench and its turn."""

    centre_mm: tuple[float, float]
    yaw_deg: float = 0.0
    number: int = 0
    paper: Literal["a4", "letter"] = "a4"


@dataclass(frozen=True)
class Slab:
    """Anything flat-topped on the bench, in the frame of its upper face."""

    length_mm: float
    width_mm: float
    height_mm: float
    centre_mm: tuple[float, float]
    yaw_rad: float
    edges: Callable[[Field], tuple[Field, Field]]
    outline: Points
    surface: Surface

    def to_bench(self, points: Points) -> Points:
        c, s = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        local = points - (self.length_mm / 2, self.width_mm / 2)
        return np.asarray(local @ np.array([[c, s], [-s, c]]) + self.centre_mm)

    def to_own(self, x: Field, y: Field) -> tuple[Field, Field]:
        c, s = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        dx, dy = x - self.centre_mm[0], y - self.centre_mm[1]
        return c * dx + s * dy + self.length_mm / 2, -s * dx + c * dy + self.width_mm / 2


def render(
    slabs: Sequence[Slab],
    sheets: Sequence[SheetPlace],
    sheet_height_mm: float,
    camera: Camera,
    size_px: tuple[int, int],
    bench: BenchKind,
    seed: int,
    light: tuple[float, float, float],
    light_gradient: tuple[float, float],
) -> Image:
    """The whole picture in linear light (H, W, 3)."""
    image = _paint_bench(camera, size_px, bench, seed)
    if sheet_height_mm == 0:
        for place in sheets:
            _paint_sheet(image, camera, place, 0.0)
    image *= _shadow(slabs, camera, size_px)[..., None]
    for slab in slabs:
        for box in _boxes(slab, camera, size_px):
            _paint_sides(image, camera, slab, box, [other for other in slabs if other is not slab])
    for slab in slabs:
        for box in _boxes(slab, camera, size_px):
            _paint_top(image, camera, slab, box)
    if sheet_height_mm > 0:
        for place in sheets:
            _paint_sheet(image, camera, place, sheet_height_mm)
    across = 1 + light_gradient[0] * (np.arange(size_px[0]) / size_px[0] - 0.5)
    down = 1 + light_gradient[1] * (np.arange(size_px[1]) / size_px[1] - 0.5)
    glow = across[:, None] * np.asarray(light)
    image *= glow.astype(np.float32)
    image *= down[:, None, None].astype(np.float32)
    return image


Box = tuple[int, int, int, int]


def _rays(camera: Camera, box: Box, heights_mm: Sequence[float]) -> list[tuple[Field, Field]]:
    """Where the rays of a box of pixels (x0, y0, x1, y1) meet planes above the bench: x, y in mm each."""
    x0, y0, x1, y1 = box
    px, py = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5)
    if camera.k1:
        flat = undistort(camera, np.column_stack([px.ravel(), py.ravel()]))
        px, py = flat[:, 0].reshape(px.shape), flat[:, 1].reshape(py.shape)
    nx, ny = (px - camera.centre_px[0]) / camera.focal_px, (py - camera.centre_px[1]) / camera.focal_px
    r = camera.rotation
    eye = -r.T @ camera.translation_mm
    dx, dy, dz = (r[0, k] * nx + r[1, k] * ny + r[2, k] for k in range(3))
    meets = []
    for height in heights_mm:
        far = (-height - eye[2]) / dz
        meets.append((eye[0] + far * dx, eye[1] + far * dy))
    return meets


def _cover(inside_mm: Field) -> Field:
    """Share 0..1 of each pixel on the positive side of a distance field, to first order."""
    down, right = np.gradient(inside_mm)
    return np.asarray(np.clip(inside_mm / np.maximum(np.hypot(down, right), 1e-9) + 0.5, 0, 1))


Part = tuple[slice, slice]


def _occupied(cover: Field) -> Part | None:
    """The rows and columns of a box that hold anything, at least two of each; None for an empty box."""
    rows, columns = (np.flatnonzero((cover > 0).any(axis=k)) for k in (1, 0))
    if len(rows) == 0 or min(cover.shape) < 2:
        return None
    top, left = min(int(rows[0]), cover.shape[0] - 2), min(int(columns[0]), cover.shape[1] - 2)
    return slice(top, max(int(rows[-1]) + 1, top + 2)), slice(left, max(int(columns[-1]) + 1, left + 2))


def _blend(image: Image, box: Box, part: Part, colour: Image, cover: Field) -> None:
    target = image[box[1] : box[3], box[0] : box[2]][part]
    target += (colour - target) * cover[..., None].astype(np.float32)


def _boxes(slab: Slab, camera: Camera, size_px: tuple[int, int]) -> list[Box]:
    """Boxes of pixels, side by side, that together hold the slab's picture."""
    corners = np.concatenate([slab.outline, slab.outline[:1]])
    dense = np.concatenate([np.linspace(a, b, 160) for a, b in itertools.pairwise(corners)])
    on_bench = slab.to_bench(dense)
    seen = np.concatenate(
        [
            project(camera, np.column_stack([on_bench, np.full(len(on_bench), -h)]))
            for h in (0.0, slab.height_mm)
        ]
    )
    width, height = size_px
    left, right = max(0, int(seen[:, 0].min()) - 2), min(width, int(seen[:, 0].max()) + 3)
    boxes = []
    for x0 in range(left, right, _TILE_PX):
        x1 = min(x0 + _TILE_PX, right)
        near = seen[(seen[:, 0] > x0 - 80) & (seen[:, 0] < x1 + 80), 1]
        if len(near) == 0:
            continue
        y0, y1 = max(0, int(near.min()) - 3), min(height, int(near.max()) + 4)
        if x1 - x0 >= 2 and y1 - y0 >= 2:
            boxes.append((x0, y0, x1, y1))
    return boxes


def _px_mm(along: Field, across: Field) -> float:
    """Typical pixel size on a plane, from the places of neighbouring pixels."""
    i, j = along.shape[0] // 2, along.shape[1] // 2
    step_x = math.hypot(along[i, j] - along[i, j - 1], across[i, j] - across[i, j - 1])
    step_y = math.hypot(along[i, j] - along[i - 1, j], across[i, j] - across[i - 1, j])
    return math.sqrt(step_x * step_y)


def _paint_top(image: Image, camera: Camera, slab: Slab, box: Box) -> None:
    ((x, y),) = _rays(camera, box, [slab.height_mm])
    along, across = slab.to_own(x, y)
    upper, lower = slab.edges(along)
    cover = _cover(along) * _cover(slab.length_mm - along) * _cover(across - upper) * _cover(lower - across)
    part = _occupied(cover)
    if part is None:
        return
    along, across = along[part], across[part]
    colour = slab.surface(along, across, np.zeros((1, 1)), _px_mm(along, across), "top")
    _blend(image, box, part, colour, cover[part])


def _paint_sides(image: Image, camera: Camera, slab: Slab, box: Box, others: Sequence[Slab]) -> None:
    """The upright sides and ends the camera sees, painted under the top's edge by two pixels.

    Sides across a gap from others lie in its dusk.
    """
    eye = -camera.rotation.T @ camera.translation_mm
    eye_along, eye_across = (float(v) for v in slab.to_own(eye[0], eye[1]))
    top, foot = (slab.to_own(*p) for p in _rays(camera, box, [slab.height_mm, 0.0]))
    for name in ("upper", "lower", "left", "right"):
        share = _side_share(slab, name, top, foot, eye_along, eye_across)
        if share is None:
            continue
        along = top[0] + (foot[0] - top[0]) * share
        across = top[1] + (foot[1] - top[1]) * share
        if name in ("upper", "lower"):
            ends = _cover(along) * _cover(slab.length_mm - along)
        else:
            upper, lower = slab.edges(along)
            ends = _cover(across - upper) * _cover(lower - across)
        down, right = np.gradient(share)
        under = np.clip(share / np.maximum(np.hypot(down, right), 1e-9) + 2.5, 0, 1)
        cover = ends * under * _cover(1 - share)
        part = _occupied(cover)
        if part is None:
            continue
        below = np.clip(share[part], -1, 2) * slab.height_mm
        if name in ("left", "right"):
            colour = slab.surface(along[part], across[part], below, 1.0, "end") * _END_SHADE
        else:
            px = np.hypot(down, right)[part]
            light = _side_light(slab, name, others, eye, along[part], share[part], px)
            colour = slab.surface(along[part], across[part], below, 1.0, "side") * light[..., None]
        _blend(image, box, part, colour.astype(np.float32), cover[part])


def _side_share(
    slab: Slab,
    name: str,
    top: tuple[Field, Field],
    foot: tuple[Field, Field],
    eye_along: float,
    eye_across: float,
) -> Field | None:
    """How far down a side each ray meets it: 0 at the upper face, 1 on the bench; None when unseen."""
    if name in ("left", "right"):
        at = 0.0 if name == "left" else slab.length_mm
        if (eye_along >= 0) if name == "left" else (eye_along <= slab.length_mm):
            return None
        step = foot[0] - top[0]
        return np.asarray((at - top[0]) / np.where(np.abs(step) < 1e-9, 1e-9, step))
    pick = 0 if name == "upper" else 1
    edge = float(slab.edges(np.asarray(np.clip(eye_along, 0, slab.length_mm)))[pick])
    if (eye_across >= edge) if name == "upper" else (eye_across <= edge):
        return None
    step = foot[1] - top[1]
    step = np.where(np.abs(step) < 1e-9, 1e-9, step)
    share = np.zeros_like(step)
    for _ in range(3):  # the edge bends slowly, so fixed-point steps settle at once
        share = (slab.edges(top[0] + (foot[0] - top[0]) * share)[pick] - top[1]) / step
    return share


def _side_light(
    slab: Slab, name: str, others: Sequence[Slab], eye_mm: Points, along: Field, share: Field, px: Field
) -> Field:
    """Light on a long side at pixels, averaged over as much of the height as each one takes up (px, a share).

    Of a gap too narrow to be resolved only as much counts as is seen past the board across it.
    """
    gap, edge_mm = _gap_beside(slab, name, others)
    gap = np.interp(along, np.linspace(0, slab.length_mm, len(gap)), gap)
    slant = abs(float(slab.to_own(eye_mm[0], eye_mm[1])[1]) - edge_mm) / (abs(eye_mm[2]) - slab.height_mm)
    deepest = gap / max(slant, _LEAST_SLANT)
    return seen_light(gap, np.minimum(share - px / 2, deepest), np.minimum(share + px / 2, deepest))


def _gap_beside(slab: Slab, name: str, others: Sequence[Slab]) -> tuple[Field, float]:
    """How far off the next board is along a long side, as a share of the height, and where that side is, mm.

    Where there is none the gap is as good as open.
    """
    x = np.linspace(0, slab.length_mm, _GAP_PLACES)
    edge = slab.edges(x)[name == "lower"]
    place = slab.to_bench(np.column_stack([x, edge]))
    gap_mm = np.full(len(x), _OPEN_MM)
    for other in others:
        _, centre = slab.to_own(*np.array(other.centre_mm))
        if (centre > edge.mean()) != (name == "lower"):
            continue
        there, across = other.to_own(place[:, 0], place[:, 1])
        upper, lower = other.edges(there)
        apart = np.maximum(upper - across, across - lower)
        beside = (there >= 0) & (there <= other.length_mm)
        gap_mm = np.where(beside, np.clip(apart, _LEAST_GAP_MM, gap_mm), gap_mm)
    return gap_mm / slab.height_mm, float(edge.mean())


def _paint_bench(camera: Camera, size_px: tuple[int, int], kind: BenchKind, seed: int) -> Image:
    tile, mm_per_px = bench_tile(kind, seed)
    width, height = size_px
    image = np.empty((height, width, 3), dtype=np.float32)
    for y0 in range(0, height, 256):
        y1 = min(y0 + 256, height)
        ((x, y),) = _rays(camera, (0, y0, width, y1), [0.0])
        to_x = np.mod(x / mm_per_px, len(tile)).astype(np.float32)
        to_y = np.mod(y / mm_per_px, len(tile)).astype(np.float32)
        image[y0:y1] = cv2.remap(tile, to_x, to_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return image


def _shadow(slabs: Sequence[Slab], camera: Camera, size_px: tuple[int, int]) -> Image:
    """Light left on the bench (h, w), 0..1: a soft cast shadow and a darker line where boards touch it."""
    half = (size_px[0] // 2, size_px[1] // 2)
    cast, foot = np.zeros(half[::-1], dtype=np.uint8), np.zeros(half[::-1], dtype=np.uint8)
    for slab in slabs:
        base = slab.to_bench(slab.outline)
        throw = base + np.array([0.28, 0.30]) * slab.height_mm
        hull = cv2.convexHull(np.concatenate([base, throw]).astype(np.float32)).reshape(-1, 2)
        for mask, outline in ((cast, hull), (foot, base)):
            seen = plane_to_pixels(camera, outline, 0.0) / 2
            cv2.fillPoly(mask, [np.rint(seen).astype(np.int32)], 255)
    per_mm = size_px[0] / 4000
    soft = cv2.GaussianBlur(cast, (0, 0), 5 * per_mm + 0.5).astype(np.float32)
    touch = cv2.GaussianBlur(foot, (0, 0), 9 * per_mm + 0.5).astype(np.float32)
    left = (1 - 0.5 / 255 * soft) * (1 - 0.35 / 255 * touch)
    return np.asarray(cv2.resize(left, size_px, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _paint_sheet(image: Image, camera: Camera, place: SheetPlace, height_mm: float) -> None:
    w, h = PAPER_MM[place.paper]
    outline = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float64)

    def surface(along: Field, across: Field, below: Field, px_mm: float, plane: str) -> Image:
        scale = min(10.0, 1.3 / px_mm)
        picture = SRGB8_TO_LINEAR[draw_sheet(number=place.number, paper=place.paper, px_per_mm=scale)]
        to_x = (along * (picture.shape[1] / w) - 0.5).astype(np.float32)
        to_y = (across * (picture.shape[0] / h) - 0.5).astype(np.float32)
        out = cv2.remap(picture, to_x, to_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(out, dtype=np.float32)

    slab = Slab(
        w, h, height_mm, place.centre_mm, math.radians(place.yaw_deg),
        lambda x: (0 * x, 0 * x + h), outline, surface,
    )  # fmt: skip
    size_px = (image.shape[1], image.shape[0])
    for box in _boxes(slab, camera, size_px):
        _paint_top(image, camera, slab, box)
