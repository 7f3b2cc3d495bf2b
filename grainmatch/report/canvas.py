"""One drawing vocabulary: a Drawing holds shapes in millimetres; a backend puts them on paper.

x runs to the right and y down from the drawing's top-left corner. The backends are raster.py (PNG),
pdf.py, svg.py and dxf.py; each draws every shape it can express (DXF leaves out pictures and fills).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from grainmatch.model import Rgb

Colour = tuple[int, int, int]
Point = tuple[float, float]
Align = Literal["left", "centre", "right"]

BLACK: Colour = (0, 0, 0)
GREY: Colour = (110, 110, 110)
PALE: Colour = (225, 225, 225)
WHITE: Colour = (255, 255, 255)
CAP_HEIGHT = 0.72
"""Height of a capital letter as a share of the font size, for Helvetica and the like (718/1000 em)."""


@dataclass(frozen=True)
class Line:
    """An open run of straight strokes."""

    points: tuple[Point, ...]
    width_mm: float = 0.25
    colour: Colour = BLACK
    dash_mm: float = 0.0
    layer: str = "drawing"


@dataclass(frozen=True)
class Polygon:
    """A closed shape; colour None leaves out the outline, fill None the inside."""

    points: tuple[Point, ...]
    width_mm: float = 0.25
    colour: Colour | None = BLACK
    fill: Colour | None = None
    layer: str = "drawing"

    @property
    def is_upright(self) -> bool:
        """Whether it is a rectangle with level sides."""
        corners = set(self.points)
        xs, ys = {x for x, _ in corners}, {y for _, y in corners}
        return len(corners) == 4 and len(xs) == 2 and len(ys) == 2


@dataclass(frozen=True)
class Text:
    """One line of words. at is its left end, middle or right end, halfway up the capitals.

    size_mm is the font size; turn_deg turns it anticlockwise about `at`.
    """

    at: Point
    text: str
    size_mm: float
    align: Align = "left"
    bold: bool = False
    colour: Colour = BLACK
    turn_deg: float = 0.0
    layer: str = "words"


@dataclass(frozen=True, eq=False)
class Picture:
    """An image filling the box from `at`, with its first row at the top."""

    at: Point
    size_mm: tuple[float, float]
    rgb: Rgb


Shape = Line | Polygon | Text | Picture


@dataclass
class Drawing:
    """Shapes on a sheet of width_mm x height_mm, in the order they are drawn."""

    width_mm: float
    height_mm: float
    title: str = ""
    shapes: list[Shape] = field(default_factory=list)

    def line(
        self,
        points: Iterable[Point],
        *,
        width_mm: float = 0.25,
        colour: Colour = BLACK,
        dash_mm: float = 0.0,
        layer: str = "drawing",
    ) -> None:
        """A run of straight strokes; dash_mm above zero breaks it into dashes that long."""
        self.shapes.append(Line(_tidy(points), width_mm, colour, dash_mm, layer))

    def polygon(
        self,
        points: Iterable[Point],
        *,
        width_mm: float = 0.25,
        colour: Colour | None = BLACK,
        fill: Colour | None = None,
        layer: str = "drawing",
    ) -> None:
        """A closed shape."""
        self.shapes.append(Polygon(_tidy(points), width_mm, colour, fill, layer))

    def rect(
        self,
        at: Point,
        size_mm: tuple[float, float],
        *,
        width_mm: float = 0.25,
        colour: Colour | None = BLACK,
        fill: Colour | None = None,
        layer: str = "drawing",
    ) -> None:
        """An upright rectangle from its top-left corner."""
        (x, y), (w, h) = at, size_mm
        corners = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
        self.polygon(corners, width_mm=width_mm, colour=colour, fill=fill, layer=layer)

    def circle(
        self,
        centre: Point,
        radius_mm: float,
        *,
        width_mm: float = 0.25,
        colour: Colour | None = BLACK,
        fill: Colour | None = None,
        layer: str = "drawing",
    ) -> None:
        """A circle, drawn as a polygon of 40 sides."""
        angles = [2 * math.pi * k / 40 for k in range(40)]
        rim = ((centre[0] + radius_mm * math.cos(a), centre[1] + radius_mm * math.sin(a)) for a in angles)
        self.polygon(rim, width_mm=width_mm, colour=colour, fill=fill, layer=layer)

    def text(
        self,
        at: Point,
        text: str,
        size_mm: float,
        *,
        align: Align = "left",
        bold: bool = False,
        colour: Colour = BLACK,
        turn_deg: float = 0.0,
        layer: str = "words",
    ) -> None:
        """One line of words."""
        place = (float(at[0]), float(at[1]))
        self.shapes.append(Text(place, text, size_mm, align, bold, colour, turn_deg, layer))

    def image(self, at: Point, size_mm: tuple[float, float], rgb: Rgb) -> None:
        """A picture filling a box."""
        self.shapes.append(Picture(at, size_mm, rgb))

    def arrow(
        self,
        points: Iterable[Point],
        *,
        head_mm: float = 2.0,
        width_mm: float = 0.4,
        colour: Colour = BLACK,
        layer: str = "drawing",
    ) -> None:
        """A run of strokes that ends in a filled head."""
        path = _tidy(points)
        (x0, y0), (x1, y1) = path[-2:]
        along = math.atan2(y1 - y0, x1 - x0)
        back = (x1 - head_mm * math.cos(along), y1 - head_mm * math.sin(along))
        self.line((*path[:-1], back), width_mm=width_mm, colour=colour, layer=layer)
        sides = [
            (x1 + head_mm * math.cos(along + s), y1 + head_mm * math.sin(along + s))
            for s in (math.pi - 0.42, math.pi + 0.42)
        ]
        self.polygon(((x1, y1), *sides), width_mm=0, colour=None, fill=colour, layer=layer)

    def turn_arrow(
        self, centre: Point, radius_mm: float, *, width_mm: float = 0.5, colour: Colour = BLACK
    ) -> None:
        """A round arrow: this board is turned end for end."""
        # The stroke stops where the head begins, so that the head's chord follows the circle.
        angles = [math.radians(a) for a in range(-210, 1, 10)] + [math.radians(50)]
        rim = [(centre[0] + radius_mm * math.cos(a), centre[1] + radius_mm * math.sin(a)) for a in angles]
        self.arrow(rim, head_mm=0.8 * radius_mm, width_mm=width_mm, colour=colour, layer="turns")

    def add(self, other: Drawing, at: Point = (0.0, 0.0), scale: float = 1.0) -> None:
        """Copy another drawing's shapes in, scaled about its corner and moved to `at`."""
        self.shapes.extend(_moved(shape, at, scale) for shape in other.shapes)


def _tidy(points: Iterable[Point]) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _moved(shape: Shape, at: Point, scale: float) -> Shape:
    def move(p: Point) -> Point:
        return at[0] + scale * p[0], at[1] + scale * p[1]

    match shape:
        case Line(points, width_mm, colour, dash_mm, layer):
            return Line(tuple(map(move, points)), width_mm * scale, colour, dash_mm * scale, layer)
        case Polygon(points, width_mm, line_colour, fill, layer):
            return Polygon(tuple(map(move, points)), width_mm * scale, line_colour, fill, layer)
        case Text(place, text, size_mm, align, bold, colour, turn_deg, layer):
            return Text(move(place), text, size_mm * scale, align, bold, colour, turn_deg, layer)
        case Picture(place, (w, h), rgb):
            return Picture(move(place), (w * scale, h * scale), rgb)
