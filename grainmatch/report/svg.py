"""Drawings -> SVG at true size, one group a layer."""

from __future__ import annotations

import base64
from itertools import groupby
from xml.sax.saxutils import escape, quoteattr

import cv2
import numpy as np

from grainmatch.report.canvas import CAP_HEIGHT, Colour, Drawing, Line, Picture, Point, Polygon, Shape, Text

_ANCHOR = {"left": "start", "centre": "middle", "right": "end"}


def draw_svg(drawing: Drawing) -> str:
    """An SVG document whose user unit is a millimetre."""
    w, h = _mm(drawing.width_mm), _mm(drawing.height_mm)
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}">',
    ]
    if drawing.title:
        parts.append(f"<title>{_clean(drawing.title)}</title>")
    for layer, shapes in groupby(drawing.shapes, key=_layer):
        parts.append(f"<g class={quoteattr(layer)}>")
        parts += [_element(shape) for shape in shapes]
        parts.append("</g>")
    return "\n".join([*parts, "</svg>", ""])


def _layer(shape: Shape) -> str:
    return "pictures" if isinstance(shape, Picture) else shape.layer.replace(" ", "-")


def _element(shape: Shape) -> str:
    match shape:
        case Line(points, width_mm, colour, dash_mm, _):
            dash = f' stroke-dasharray="{_mm(dash_mm)}"' if dash_mm > 0 else ""
            return (
                f'<polyline points="{_points(points)}" fill="none" stroke="{_hex(colour)}" '
                f'stroke-width="{_mm(width_mm)}"{dash}/>'
            )
        case Polygon(points, width_mm, outline, fill, _):
            stroke = "none" if outline is None else f'{_hex(outline)}" stroke-width="{_mm(width_mm)}'
            inside = "none" if fill is None else _hex(fill)
            return f'<polygon points="{_points(points)}" fill="{inside}" stroke="{stroke}"/>'
        case Text():
            return _words(shape)
        case Picture((x, y), (w, h), _):
            return (
                f'<image x="{_mm(x)}" y="{_mm(y)}" width="{_mm(w)}" height="{_mm(h)}" '
                f'preserveAspectRatio="none" href="data:image/jpeg;base64,{_jpeg(shape)}"/>'
            )


def _words(text: Text) -> str:
    x, y = text.at
    turn = f' transform="rotate({_mm(-text.turn_deg)} {_mm(x)} {_mm(y)})"' if text.turn_deg else ""
    weight = ' font-weight="bold"' if text.bold else ""
    return (
        f'<text x="{_mm(x)}" y="{_mm(y + CAP_HEIGHT / 2 * text.size_mm)}" font-size="{_mm(text.size_mm)}" '
        f'font-family="Helvetica, Arial, sans-serif"{weight} fill="{_hex(text.colour)}" '
        f'text-anchor="{_ANCHOR[text.align]}"{turn}>{_clean(text.text)}</text>'
    )


def _clean(text: str) -> str:
    """Escaped, without the control characters XML cannot hold."""
    return escape(
        "".join(c for c in text if c >= " " and not "\ud800" <= c <= "\udfff" and c not in "\ufffe\uffff")
    )


def _points(points: tuple[Point, ...]) -> str:
    return " ".join(f"{_mm(x)},{_mm(y)}" for x, y in points)


def _mm(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _hex(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def _jpeg(picture: Picture) -> str:
    options = [cv2.IMWRITE_JPEG_QUALITY, 88]
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(picture.rgb[..., ::-1]), options)
    return base64.b64encode(data.tobytes()).decode()
