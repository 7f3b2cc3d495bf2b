"""Drawing -> pixels."""

from __future__ import annotations

import itertools
import math
from functools import lru_cache

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from grainmatch.model import Rgb
from grainmatch.report.canvas import CAP_HEIGHT, Drawing, Line, Picture, Point, Polygon, Text

_ANCHOR = {"left": "ls", "centre": "ms", "right": "rs"}


def draw_raster(drawing: Drawing, *, px_per_mm: float, onto: Rgb | None = None) -> Rgb:
    """Draw at a scale, on white or on a copy of `onto`. Returns rgb (h, w, 3)."""
    size = round(drawing.width_mm * px_per_mm), round(drawing.height_mm * px_per_mm)
    image = Image.new("RGB", size, "white") if onto is None else Image.fromarray(onto)
    pen = ImageDraw.Draw(image)
    for shape in drawing.shapes:
        match shape:
            case Line():
                _line(pen, shape, px_per_mm)
            case Polygon():
                _polygon(pen, shape, px_per_mm)
            case Text():
                _text(image, pen, shape, px_per_mm)
            case Picture():
                _picture(image, shape, px_per_mm)
    return np.array(image)


def _line(pen: ImageDraw.ImageDraw, line: Line, scale: float) -> None:
    width = max(1, round(line.width_mm * scale))
    runs = _dashes(line.points, line.dash_mm) if line.dash_mm > 0 else [line.points]
    for run in runs:
        pen.line([(x * scale, y * scale) for x, y in run], fill=line.colour, width=width, joint="curve")


def _dashes(points: tuple[Point, ...], dash_mm: float) -> list[tuple[Point, Point]]:
    out: list[tuple[Point, Point]] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        n = max(1, min(2000, round(length / (2 * dash_mm))))
        steps = [(k / n, (k + 0.5) / n) for k in range(n)]
        out += [
            ((x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0)))
            for a, b in steps
        ]
    return out


def _polygon(pen: ImageDraw.ImageDraw, shape: Polygon, scale: float) -> None:
    corners = [(x * scale, y * scale) for x, y in shape.points]
    if shape.fill is not None:
        pen.polygon(corners, fill=shape.fill)
    if shape.colour is not None:
        width = max(1, round(shape.width_mm * scale))
        pen.line([*corners, corners[0]], fill=shape.colour, width=width, joint="curve")


@lru_cache(maxsize=64)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=max(5, size_px))


def _text(image: Image.Image, pen: ImageDraw.ImageDraw, text: Text, scale: float) -> None:
    font = _font(round(text.size_mm * scale))
    x, y = text.at[0] * scale, text.at[1] * scale
    drop = CAP_HEIGHT / 2 * text.size_mm * scale
    weight = max(1, round(0.03 * text.size_mm * scale)) if text.bold else 0
    if not text.turn_deg:
        pen.text(
            (x, y + drop), text.text, fill=text.colour, font=font, anchor=_ANCHOR[text.align],
            stroke_width=weight, stroke_fill=text.colour,
        )  # fmt: skip
        return
    reach = math.ceil(font.getlength(text.text) + 2 * drop) + 4
    mask = Image.new("L", (2 * reach, 2 * reach))
    ImageDraw.Draw(mask).text(
        (reach, reach + drop), text.text, fill=255, font=font, anchor=_ANCHOR[text.align], stroke_width=weight
    )
    mask = mask.rotate(text.turn_deg, Image.Resampling.BICUBIC)
    image.paste(text.colour, (round(x) - reach, round(y) - reach), mask)


def _picture(image: Image.Image, picture: Picture, scale: float) -> None:
    size = (max(1, round(picture.size_mm[0] * scale)), max(1, round(picture.size_mm[1] * scale)))
    shrinking = size[0] < picture.rgb.shape[1]
    fitted = cv2.resize(picture.rgb, size, interpolation=cv2.INTER_AREA if shrinking else cv2.INTER_LINEAR)
    image.paste(Image.fromarray(fitted), (round(picture.at[0] * scale), round(picture.at[1] * scale)))
