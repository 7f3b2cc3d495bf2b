"""Photos of boards on a bench whose every size, colour and place is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR, linear_to_lab
from grainmatch.errors import BoardError
from grainmatch.geometry import Camera, Points, plane_to_pixels
from grainmatch.model import Photo, Rgb, Side
from grainmatch.synth.bench import BenchKind
from grainmatch.synth.cut import finish, true_mean_lab
from grainmatch.synth.render import Field, Image, SheetPlace, Slab, Surface, render
from grainmatch.synth.solid import SolidBoard, edges_mm, outline_mm
from grainmatch.synth.tone import shade


@dataclass(frozen=True)
class BoardPlace:
    """Where a board lies: its centre on the bench, the turn of its length from +x towards +y, the
    side up, and whether it is turned end for end."""

    centre_mm: tuple[float, float]
    yaw_deg: float = 0.0
    side: Side = "A"
    turned: bool = False


@dataclass(frozen=True, eq=False)
class PictureBoard:
    """A board whose faces are pictures (h, w, 3) stretched over its size, such as photos of real wood.

    back_rgb is face B as seen after a flip about the long axis; None leaves it plain.
    """

    id: str
    face_rgb: Rgb
    length_mm: float
    width_mm: float
    thickness_mm: float
    back_rgb: Rgb | None = None


AnyBoard = SolidBoard | PictureBoard


@dataclass(frozen=True, eq=False)
class SynthScene:
    """A drawn photo and its truth.

    outlines_px: the outline (n, 2) of each board's upper face in photo pixels, starting at the upper left
    corner of that face in its own frame (not turned). mean_lab: each face's clear wood in neutral light.
    """

    photo: Photo
    camera: Camera
    boards: tuple[AnyBoard, ...]
    places: tuple[BoardPlace, ...]
    outlines_px: tuple[Points, ...]
    mean_lab: tuple[NDArray[np.float64], ...]


def aim_camera(
    *,
    size_px: tuple[int, int] = (1600, 1200),
    eye_mm: tuple[float, float, float] = (0.0, 80.0, 1700.0),
    target_mm: tuple[float, float] = (0.0, 0.0),
    roll_deg: float = 0.0,
    hfov_deg: float = 68.0,
    k1: float = 0.0,
) -> Camera:
    """A camera at `eye_mm` (x, y, height above the bench) looking at a place on the bench, the bench's +y
    downward in the picture."""
    eye = np.array([eye_mm[0], eye_mm[1], -eye_mm[2]])
    ahead = np.array([target_mm[0], target_mm[1], 0.0]) - eye
    ahead /= np.linalg.norm(ahead)
    right = np.cross([0.0, 1.0, 0.0], ahead)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ rotation
    focal = size_px[0] / 2 / math.tan(math.radians(hfov_deg) / 2)
    return Camera(focal, (size_px[0] / 2, size_px[1] / 2), k1, rotation, -rotation @ eye)


def draw_scene(
    boards: Sequence[AnyBoard],
    *,
    camera: Camera | None = None,
    places: Sequence[BoardPlace] | None = None,
    gap_mm: float = 12.0,
    side: Side = "A",
    sheet: SheetPlace | Sequence[SheetPlace] | None = None,
    sheet_on: Literal["bench", "boards"] = "bench",
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    light_gradient: tuple[float, float] = (0.0, 0.0),
    bench: BenchKind = "concrete",
    blur_px: float = 0.6,
    noise: float = 1.5,
    size_px: tuple[int, int] = (1600, 1200),
    seed: int = 0,
    name: str = "scene.jpg",
) -> SynthScene:
    """Draw a photo of boards lying on a bench.

    Without places the boards lie side by side, first one at the top, `gap_mm` apart, `side` up. light is the
    colour of the light (linear factors), light_gradient its relative change across the picture to the right
    and downward. noise is in 8-bit levels. All boards must have one thickness when they touch.
    """
    if not boards:
        raise BoardError("A scene needs a board.", "Give at least one board.")
    if camera is None:
        camera = aim_camera(size_px=size_px)
    laid = tuple(places) if places is not None else lay_side_by_side(boards, gap_mm=gap_mm, side=side)
    slabs = [_slab(board, place) for board, place in zip(boards, laid, strict=True)]
    sheets = [] if sheet is None else [sheet] if isinstance(sheet, SheetPlace) else list(sheet)
    sheet_height_mm = max(s.height_mm for s in slabs) if sheet_on == "boards" else 0.0
    rgb = render(slabs, sheets, sheet_height_mm, camera, size_px, bench, seed, light, light_gradient)
    picture = finish(rgb, noise=noise, blur_px=blur_px, seed=seed)
    return SynthScene(
        photo=Photo(name, picture, camera.focal_px),
        camera=camera,
        boards=tuple(boards),
        places=laid,
        outlines_px=tuple(
            plane_to_pixels(camera, slab.to_bench(slab.outline), slab.height_mm) for slab in slabs
        ),
        mean_lab=tuple(_mean_lab(b, p.side) for b, p in zip(boards, laid, strict=True)),
    )


def draw_ends_scene(
    boards: Sequence[SolidBoard],
    *,
    camera: Camera | None = None,
    columns: int = 2,
    gap_mm: tuple[float, float] = (50.0, 32.0),
    sheet: SheetPlace | None = None,
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    bench: BenchKind = "dark",
    blur_px: float = 0.6,
    noise: float = 1.5,
    size_px: tuple[int, int] = (1600, 1200),
    seed: int = 0,
) -> SynthScene:
    """Draw a photo of several left ends lying towards the camera, show faces up in the picture.

    Rows run left to right, top to bottom. outlines_px are the ends' outlines.
    """
    widest = max(b.width_mm for b in boards)
    tallest = max(b.thickness_mm for b in boards)
    rows = -(-len(boards) // columns)
    slabs = []
    for index, board in enumerate(boards):
        row, column = divmod(index, columns)
        x = (column - (columns - 1) / 2) * (widest + gap_mm[0])
        y = (row - (rows - 1) / 2) * (tallest + gap_mm[1]) - 60
        slabs.append(_end_slab(board, (x, y)))
    if camera is None:
        camera = aim_camera(size_px=size_px, eye_mm=(0, 10, 600), hfov_deg=62)
    sheets = [] if sheet is None else [sheet]
    rgb = render(slabs, sheets, 0.0, camera, size_px, bench, seed, light, (0.0, 0.0))
    return SynthScene(
        photo=Photo("ends.jpg", finish(rgb, noise=noise, blur_px=blur_px, seed=seed), camera.focal_px),
        camera=camera,
        boards=tuple(boards),
        places=tuple(BoardPlace(s.centre_mm) for s in slabs),
        outlines_px=tuple(plane_to_pixels(camera, s.to_bench(s.outline), s.height_mm) for s in slabs),
        mean_lab=tuple(_mean_lab(b, "A") for b in boards),
    )


def lay_side_by_side(
    boards: Sequence[AnyBoard], *, gap_mm: float = 12.0, side: Side = "A"
) -> tuple[BoardPlace, ...]:
    """Boards one below the other, centred on the bench's origin."""
    total = sum(b.width_mm for b in boards) + gap_mm * (len(boards) - 1)
    places, y = [], -total / 2
    for board in boards:
        places.append(BoardPlace((0.0, y + board.width_mm / 2), 0.0, side))
        y += board.width_mm + gap_mm
    return tuple(places)


# --- slabs and their surfaces ----------------------------------------------------------------


def _slab(board: AnyBoard, place: BoardPlace) -> Slab:
    yaw = math.radians(place.yaw_deg) + (math.pi if place.turned else 0.0)
    size = (board.length_mm, board.width_mm, board.thickness_mm)
    if isinstance(board, PictureBoard):
        outline = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], dtype=np.float64)
        return Slab(
            *size, place.centre_mm, yaw, lambda x: (0 * x, 0 * x + size[1]), outline,
            _picture_surface(board, place.side),
        )  # fmt: skip
    side = place.side

    def surface(along: Field, across: Field, below: Field, px_mm: float, plane: str) -> Image:
        y, depth = across, below
        if side == "B":
            y, depth = board.width_mm - across, board.thickness_mm - below
        return shade(board, along, y, depth, end_cut=plane == "end", px_mm=px_mm)[0]

    return Slab(
        *size, place.centre_mm, yaw, lambda x: edges_mm(board, x, side=side),
        outline_mm(board, side=side), surface,
    )  # fmt: skip


def _picture_surface(board: PictureBoard, side: Side) -> Surface:
    picture = board.face_rgb if side == "A" else board.back_rgb
    mean = SRGB8_TO_LINEAR[board.face_rgb[::7, ::7]].mean(axis=(0, 1))
    linear = SRGB8_TO_LINEAR[picture] if picture is not None else None

    def surface(along: Field, across: Field, below: Field, px_mm: float, plane: str) -> Image:
        along, across = np.broadcast_arrays(along, across)
        if plane != "top" or linear is None:
            return np.broadcast_to(mean, (*along.shape, 3)).astype(np.float32)
        h, w = linear.shape[:2]
        scale = max(1.0, min(w / board.length_mm, h / board.width_mm) * px_mm)
        small: NDArray[Any] = linear
        if scale > 1.2:  # shrink first: one picture pixel must not skip over others
            small = cv2.resize(linear, (round(w / scale), round(h / scale)), interpolation=cv2.INTER_AREA)
        to_x = (along * (small.shape[1] / board.length_mm) - 0.5).astype(np.float32)
        to_y = (across * (small.shape[0] / board.width_mm) - 0.5).astype(np.float32)
        out = cv2.remap(small, to_x, to_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(out, dtype=np.float32)

    return surface


def _end_slab(board: SolidBoard, centre_mm: tuple[float, float]) -> Slab:
    """The last few mm of a board standing with its left end up."""
    w, t = board.width_mm, board.thickness_mm

    def surface(along: Field, across: Field, below: Field, px_mm: float, plane: str) -> Image:
        return shade(board, below, along, across, end_cut=plane == "top", px_mm=px_mm)[0]

    outline = np.array([[0, 0], [w, 0], [w, t], [0, t]], dtype=np.float64)
    return Slab(w, t, 5.0, centre_mm, 0.0, lambda x: (0 * x, 0 * x + t), outline, surface)


def _mean_lab(board: AnyBoard, side: Side) -> NDArray[np.float64]:
    if isinstance(board, SolidBoard):
        return true_mean_lab(board, side=side)
    picture = board.face_rgb if side == "A" or board.back_rgb is None else board.back_rgb
    return np.asarray(linear_to_lab(SRGB8_TO_LINEAR[picture[::3, ::3]]).mean(axis=(0, 1)), dtype=np.float64)
