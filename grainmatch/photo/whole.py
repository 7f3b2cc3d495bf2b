"""All boards of a bench in one flat picture, for looking at the top as a whole."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from grainmatch.geometry import Points, pixels_to_plane, plane_to_pixels, polygon_mask
from grainmatch.model import Bench, Face
from grainmatch.photo.rectify import FaceFrame, rectify_face

_MARGIN_MM = 10.0


def rectify_top(bench: Bench, outlines_px: Sequence[Points], *, px_per_mm: float = 1.0) -> tuple[Face, float]:
    """One picture of everything within the outlines (n, 2) in photo pixels, the boards' length along x.

    Returns the picture as a Face whose `inside` is the union of the outlines, and where its left edge lies
    along the boards' common direction on the bench, in mm. The direction is that of the outlines' longest
    sides, weighted by length, pointing to the right in the photo.
    """
    flat = [pixels_to_plane(bench.camera, o, bench.face_height_mm) for o in outlines_px]
    longest = []
    for outline in flat:
        sides = np.roll(outline, -1, axis=0) - outline
        longest.append(sides[int(np.argmax(np.hypot(*sides.T)))])
    double = sum(complex(*side) ** 2 / abs(complex(*side)) for side in longest)
    angle = math.atan2(double.imag, double.real) / 2  # within a quarter turn of +x, so it points right
    c, s = math.cos(angle), math.sin(angle)
    to_bench = np.array([[c, s], [-s, c]])  # rows times this: top's own directions to the bench's
    own = [outline @ to_bench.T for outline in flat]
    low = np.min([o.min(axis=0) for o in own], axis=0) - _MARGIN_MM
    high = np.max([o.max(axis=0) for o in own], axis=0) + _MARGIN_MM
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    origin, size = low @ to_bench, high - low
    frame = FaceFrame((float(origin[0]), float(origin[1])), angle, (float(size[0]), float(size[1])))
    whole_px = plane_to_pixels(bench.camera, corners @ to_bench, bench.face_height_mm)
    picture = rectify_face(bench, whole_px, px_per_mm=px_per_mm, frame=frame)
    shape = (picture.rgb.shape[0], picture.rgb.shape[1])
    inside = np.zeros(shape, dtype=bool)
    for outline in own:
        inside |= polygon_mask((outline - low) * px_per_mm, shape)
    edge = np.array([[0.0, 0.0], [size[0], 0.0]])
    face = Face(
        "A",
        picture.rgb,
        inside,
        picture.px_per_mm,
        edge,
        edge + np.array([0.0, size[1]]),
        photo=bench.photo.name,
    )
    return face, float(low[0])
