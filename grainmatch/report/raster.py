"""Drawing -> pixels, with smooth edges."""

from __future__ import annotations

import itertools
import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from grainmatch.model import Rgb
from grainmatch.report.canvas import CAP_HEIGHT, Drawing, Line, Picture, Point, Polygon, Text

_ANCHOR = {"left": "ls", "centre": "ms", "right": "rs"}
_SHIFT = 4
_MOST_DASHES = 2000


def draw_raster(drawing: Drawing, *, px_per_mm: float, onto: Rgb | None = None) -> Rgb:
    """Draw at a scale, on white or on a copy of `onto`. Returns rgb (h, w, 3)."""
    size = round(drawing.height_mm * px_per_mm), round(drawing.width_mm * px_per_mm)
    image = np.full((*size, 3), 255, dtype=np.uint8) if onto is None else onto.copy()
    for shape in drawing.shapes:
        match shape:
            case Line():
                _line(image, shape, px_per_mm)
            case Polygon():
                _polygon(image, shape, px_per_mm)
            case Text():
                _text(image, shape, px_per_mm)
            case Picture():
                _picture(image, shape, px_per_mm)
    return image


def _fixed(points: tuple[Point, ...], scale: float) -> NDArray[np.int32]:
    """Points in OpenCV's fixed-point pixels, which count from pixel centres."""
    fixed = np.rint((np.asarray(points, dtype=np.float64) * scale - 0.5) * 2**_SHIFT)
    return np.asarray(fixed.astype(np.int32).reshape(-1, 1, 2))


def _line(image: Rgb, line: Line, scale: float) -> None:
    width = max(1, round(line.width_mm * scale))
    runs = _dashes(line.points, line.dash_mm) if line.dash_mm > 0 else [line.points]
    strokes = [_fixed(run, scale) for run in runs]
    cv2.polylines(image, strokes, False, line.colour, width, cv2.LINE_AA, _SHIFT)


def _dashes(points: tuple[Point, ...], dash_mm: float) -> list[tuple[Point, Point]]:
    out: list[tuple[Point, Point]] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        n = max(1, min(_MOST_DASHES, round(length / (2 * dash_mm))))
        steps = [(k / n, (k + 0.5) / n) for k in range(n)]
        out += [
            ((x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0)))
            for a, b in steps
        ]
    return out


def _polygon(image: Rgb, shape: Polygon, scale: float) -> None:
    corners = [_fixed(shape.points, scale)]
    if shape.fill is not None and shape.is_upright:
        # OpenCV's polygons grow by half a pixel; boxes, and the fine squares of a code, must not.
        low, high = (np.rint(np.array(f(shape.points, axis=0)) * scale).astype(int) for f in (np.min, np.max))
        image[max(0, low[1]) : max(0, high[1]), max(0, low[0]) : max(0, high[0])] = shape.fill
    elif shape.fill is not None:
        cv2.fillPoly(image, corners, shape.fill, cv2.LINE_AA, _SHIFT)
    if shape.colour is not None:
        width = max(1, round(shape.width_mm * scale))
        cv2.polylines(image, corners, True, shape.colour, width, cv2.LINE_AA, _SHIFT)


@lru_cache(maxsize=64)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=max(5, size_px))


def _text(image: Rgb, text: Text, scale: float) -> None:
    """Words are drawn as a mask about their anchor, turned, and laid over the image."""
    font = _font(round(text.size_mm * scale))
    drop = CAP_HEIGHT / 2 * text.size_mm * scale
    weight = max(1, round(0.03 * text.size_mm * scale)) if text.bold else 0
    reach = math.ceil(font.getlength(text.text) + 4 * drop) + 4
    tall = reach if text.turn_deg else math.ceil(4 * drop) + 4
    x, y = text.at[0] * scale, text.at[1] * scale
    left, top = math.floor(x) - reach, math.floor(y) - tall
    mask = Image.new("L", (2 * reach, 2 * tall))
    ImageDraw.Draw(mask).text(
        (x - left, y - top + drop),
        text.text,
        fill=255,
        font=font,
        anchor=_ANCHOR[text.align],
        stroke_width=weight,
    )
    if text.turn_deg:
        mask = mask.rotate(text.turn_deg, Image.Resampling.BICUBIC, center=(x - left, y - top))
    _blend(image, np.asarray(mask), (left, top), text.colour)


def _blend(
    image: Rgb, mask: NDArray[np.uint8], corner: tuple[int, int], colour: tuple[int, int, int]
) -> None:
    left, top = corner
    rows = slice(max(0, top), max(0, min(image.shape[0], top + mask.shape[0])))
    columns = slice(max(0, left), max(0, min(image.shape[1], left + mask.shape[1])))
    part = mask[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]
    if part.size == 0:
        return
    cover = part[..., None].astype(np.uint16)
    under = image[rows, columns].astype(np.uint16)
    image[rows, columns] = (under * (255 - cover) + np.array(colour, dtype=np.uint16) * cover + 127) // 255


def _picture(image: Rgb, picture: Picture, scale: float) -> None:
    x, y = round(picture.at[0] * scale), round(picture.at[1] * scale)
    size = max(1, round(picture.size_mm[0] * scale)), max(1, round(picture.size_mm[1] * scale))
    shrinking = size[0] < picture.rgb.shape[1]
    fitted = cv2.resize(picture.rgb, size, interpolation=cv2.INTER_AREA if shrinking else cv2.INTER_LINEAR)
    target = image[max(0, y) : y + size[1], max(0, x) : x + size[0]]
    start_y, start_x = max(0, -y), max(0, -x)
    target[...] = fitted[start_y : start_y + target.shape[0], start_x : start_x + target.shape[1]]
