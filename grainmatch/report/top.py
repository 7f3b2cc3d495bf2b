"""The glued top as a picture, from the boards' own faces in their poses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import cv2
import numpy as np

from grainmatch.colour import SRGB8_TO_LINEAR, linear_to_srgb
from grainmatch.errors import LayoutError
from grainmatch.model import Board, Face, Layout, Mask, Rgb
from grainmatch.panel import Box, PlacedBoard, PlacedTop, place_top, strip_axis
from grainmatch.report.canvas import BLACK, WHITE, Drawing
from grainmatch.report.place import board_name, name_width
from grainmatch.report.png import encode_png
from grainmatch.report.raster import draw_raster

Look = Literal["dry", "wetted"]
_BACKGROUND = (236, 236, 232)
_LARGEST_PX = 60_000_000
_WET_PATH = (
    1.4  # Own model, no source: in wetted wood light runs a longer path, so reflectance R becomes R**k.
)
_WETTED = linear_to_srgb(SRGB8_TO_LINEAR**_WET_PATH)


def draw_top(
    layout: Layout,
    boards: Sequence[Board],
    *,
    px_per_mm: float,
    numbers: bool = True,
    seams: bool = True,
    trimmed: bool = False,
    look: Look = "dry",
    cut: Box | None = None,
    label_share: float = 0.5,
    label_n: int | None = None,
) -> Rgb:
    """Draw the glued top, rgb (h, w, 3).

    Untrimmed it shows the whole panel with the cut as a dashed line; trimmed only what is left.
    A face that was never photographed is hatched. `wetted` is a rough idea of the wood under a clear
    finish, not a measurement. label_share, label_n: see `draw_notes`. Raises LayoutError when a board is
    missing or the picture would be larger than 60 megapixels.
    """
    placed = place_top(layout, boards, cut=cut)
    view = placed.cut if trimmed else placed.panel
    picture = draw_wood(placed, view, px_per_mm=px_per_mm, look=look)
    if not (numbers or seams):
        return picture
    notes = draw_notes(
        placed,
        view,
        numbers=numbers,
        seams=seams,
        cut=not trimmed,
        line_mm=1 / px_per_mm,
        label_share=label_share,
        label_n=label_n,
    )
    return draw_raster(notes, px_per_mm=px_per_mm, onto=picture)


def draw_png(
    layout: Layout, boards: Sequence[Board], *, long_side_px: int = 2400, cut: Box | None = None
) -> bytes:
    """The whole panel with its numbers as a PNG file's bytes."""
    panel = place_top(layout, boards, cut=cut).panel
    rgb = draw_top(layout, boards, px_per_mm=long_side_px / max(panel.length_mm, panel.width_mm), cut=cut)
    return encode_png(rgb)


def draw_wood(placed: PlacedTop, view: Box, *, px_per_mm: float, look: Look = "dry") -> Rgb:
    """The bare wood within `view`, rgb (h, w, 3), without a line or a number."""
    width, height = max(1, round(view.length_mm * px_per_mm)), max(1, round(view.width_mm * px_per_mm))
    if not math.isfinite(px_per_mm) or width * height > _LARGEST_PX:
        raise LayoutError("The picture of the top would be too large.", "Ask for fewer pixels per mm.")
    picture = np.empty((height, width, 3), dtype=np.uint8)
    picture[:] = np.tile(np.array(_BACKGROUND, dtype=np.uint8), (width, 1))  # by rows: np.full takes 40 times
    for item in placed.boards:
        rows = _span(item.box.top_mm, item.box.bottom_mm, view.top_mm, px_per_mm, height)
        cols = _span(item.box.left_mm, item.box.right_mm, view.left_mm, px_per_mm, width)
        if rows.stop <= rows.start or cols.stop <= cols.start:
            continue
        # The tile's corner in board millimetres, so that rounding to pixels moves no wood.
        corner = (
            view.left_mm + cols.start / px_per_mm - item.box.left_mm,
            view.top_mm + rows.start / px_per_mm - item.box.top_mm,
        )
        shape = rows.stop - rows.start, cols.stop - cols.start
        rgb, inside = draw_strip(item, shape, corner_mm=corner, px_per_mm=px_per_mm)
        if look == "wetted" and item.face is not None:
            rgb = np.asarray(cv2.LUT(rgb, _WETTED))
        cv2.copyTo(rgb, inside.view(np.uint8), picture[rows, cols])
    return picture


def _span(start_mm: float, stop_mm: float, origin_mm: float, scale: float, size_px: int) -> slice:
    first, last = round((start_mm - origin_mm) * scale), round((stop_mm - origin_mm) * scale)
    return slice(max(0, first), max(0, min(size_px, last)))


def draw_strip(
    item: PlacedBoard,
    shape: tuple[int, int],
    *,
    px_per_mm: float,
    corner_mm: tuple[float, float] = (0.0, 0.0),
) -> tuple[Rgb, Mask]:
    """One ripped board as it lies: (rgb, where it is wood) on a grid of `shape` pixels.

    The grid's top-left corner is at corner_mm from the strip's own top-left corner.
    """
    face = item.face
    if face is None:
        return _hatching(shape, px_per_mm), np.ones(shape, dtype=bool)
    rgb, inside, scale = _shrunk(face, px_per_mm)
    mapping = _strip_to_face(item, face, scale=scale, px_per_mm=px_per_mm, corner_mm=corner_mm)
    size = shape[1], shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    drawn = cv2.warpAffine(rgb, mapping, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    wood = cv2.warpAffine(inside, mapping, size, flags=flags, borderValue=0)
    return np.asarray(drawn, dtype=np.uint8), np.asarray(wood) > 127


def _shrunk(face: Face, px_per_mm: float) -> tuple[Rgb, Rgb, tuple[float, float]]:
    """The face no finer than it will be drawn (averaged, so that fine lines do not alias)."""
    inside = face.inside.astype(np.uint8) * 255
    ratio = px_per_mm / face.px_per_mm
    if ratio >= 1:
        return face.rgb, inside, (face.px_per_mm, face.px_per_mm)
    h, w = inside.shape
    size = max(1, round(w * ratio)), max(1, round(h * ratio))
    small = cv2.resize(face.rgb, size, interpolation=cv2.INTER_AREA)
    scale = size[0] / w * face.px_per_mm, size[1] / h * face.px_per_mm
    mask = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8), np.asarray(mask, dtype=np.uint8), scale


def _strip_to_face(
    item: PlacedBoard,
    face: Face,
    *,
    scale: tuple[float, float],
    px_per_mm: float,
    corner_mm: tuple[float, float],
) -> np.ndarray:
    """The 2x3 map from a strip's pixel indices to the (shrunk) face's pixel indices."""
    x_mid, y_mid, slope = strip_axis(face)
    rip_up, rip_low = item.placement.rip_mm
    # u, v: strip millimetres from the centre of the unripped strip, as it lies.
    u0 = corner_mm[0] - item.box.length_mm / 2
    v0 = corner_mm[1] - item.box.width_mm / 2 + (rip_up - rip_low) / 2
    turn = -1.0 if item.placement.pose.turned else 1.0
    c, s = turn / math.hypot(1, slope), turn * slope / math.hypot(1, slope)
    to_face = np.array([[c, -s], [s, c]])
    scales = np.array(scale)
    linear = scales[:, None] * to_face / px_per_mm
    origin = scales * (to_face @ np.array([u0, v0]) + (x_mid, y_mid))
    # Pixel indices count from pixel centres, which lie half a pixel in.
    offset = origin + linear @ np.array([0.5, 0.5]) - 0.5
    return np.column_stack([linear, offset])


def _hatching(shape: tuple[int, int], px_per_mm: float) -> Rgb:
    y, x = np.indices(shape)
    step = max(6, round(14 * px_per_mm))
    dark = (x + y) % step < max(1, step // 6)
    return np.where(dark[..., None], np.uint8(190), np.uint8(244)).repeat(3, axis=2)


def draw_notes(
    placed: PlacedTop,
    view: Box,
    *,
    numbers: bool = True,
    seams: bool = True,
    cut: bool = True,
    line_mm: float = 1.0,
    label_share: float = 0.5,
    label_n: int | None = None,
) -> Drawing:
    """What is written over the wood: seams, the cut, board numbers, face letters, turn arrows.

    In millimetres of the top, origin at the view's corner; line_mm is the thinnest stroke, label_share
    the size of the numbers as a share of the narrowest board, label_n how many letters a name may have:
    of a longer one the middle goes, for names that begin alike end unlike.
    """
    notes = Drawing(view.length_mm, view.width_mm)
    if seams:
        for item in placed.boards[:-1]:
            y = item.box.bottom_mm - view.top_mm
            notes.line([(0, y), (view.length_mm, y)], width_mm=line_mm, colour=(60, 40, 30), layer="seams")
    if cut and placed.cut != placed.panel:
        at = placed.cut.left_mm - view.left_mm, placed.cut.top_mm - view.top_mm
        size = placed.cut.length_mm, placed.cut.width_mm
        corners = [at, (at[0] + size[0], at[1]), (at[0] + size[0], at[1] + size[1]), (at[0], at[1] + size[1])]
        notes.line([*corners, at], width_mm=2 * line_mm, colour=WHITE, dash_mm=9 * line_mm, layer="cut")
    if numbers:
        for item in placed.boards:
            _label(notes, item, view, placed, label_share, label_n)
    return notes


def _label(
    notes: Drawing, item: PlacedBoard, view: Box, placed: PlacedTop, share: float, longest_n: int | None
) -> None:
    """A white tag at the left end: the board's number, its face letter, a round arrow when turned."""
    name, pose = board_name(item.board.id), item.placement.pose
    if longest_n is not None and len(name) > longest_n:
        name = f"{name[: longest_n // 2]}…{name[len(name) - (longest_n - 1) // 2 :]}"
    smallest = min(p.box.width_mm for p in placed.boards)
    size = min(share * smallest, 0.06 * view.length_mm)
    y = (max(item.box.top_mm, view.top_mm) + min(item.box.bottom_mm, view.bottom_mm)) / 2 - view.top_mm
    start = max(item.box.left_mm, placed.cut.left_mm, view.left_mm) - view.left_mm + 0.5 * size
    turn_mm = 1.2 * size if pose.turned else 0.0
    name_mm = size * name_width(name)
    words_mm = name_mm + 0.434 * size
    notes.rect(
        (start, y - 0.65 * size),
        (words_mm + turn_mm + 0.6 * size, 1.3 * size),
        colour=None,
        fill=WHITE,
        layer="numbers",
    )
    notes.text((start + 0.25 * size, y), name, size, bold=True, layer="numbers")
    letter_x = start + 0.3 * size + name_mm
    notes.text((letter_x, y + 0.07 * size), pose.side_up, 0.8 * size, layer="faces")
    if pose.turned:
        notes.turn_arrow((start + words_mm + 0.98 * size, y), 0.36 * size, width_mm=0.08 * size, colour=BLACK)
    if item.face is None:
        x = item.box.left_mm + 0.3 * item.box.length_mm - view.left_mm
        notes.text((x, y), "no photo of this face", 0.6 * size, align="centre", layer="numbers")
