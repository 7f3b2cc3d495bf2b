"""Faces and boards made from pictures, for tests that need them and no photo."""

from __future__ import annotations

import numpy as np

from grainmatch.model import Board, Face, Mask, Rgb, Side
from grainmatch.synth import draw_face, grow_board

SIDES: tuple[Side, Side] = ("A", "B")


def straight_face(
    rgb: Rgb, side: Side = "A", *, px_per_mm: float, inside: Mask | None = None, photo: str = ""
) -> Face:
    """A picture (h, w, 3) as a face whose long edges are its first and last row; inside None: all of it."""
    height, width = rgb.shape[:2]
    upper = np.array([[0.0, 0.0], [width / px_per_mm, 0.0]])
    all_of_it = np.ones((height, width), dtype=bool)
    return Face(
        side=side,
        rgb=rgb,
        inside=all_of_it if inside is None else inside,
        px_per_mm=px_per_mm,
        upper_edge_mm=upper,
        lower_edge_mm=upper + np.array([0.0, height / px_per_mm]),
        photo=photo,
    )


def grown_board(
    number: int, *, length_mm: float, width_mm: float, px_per_mm: float, photo: str = ""
) -> Board:
    """A board of cherry with both faces, 27 mm thick, named by its number, which is the seed it grew from."""
    solid = grow_board(seed=number, length_mm=length_mm, width_mm=width_mm)
    drawn = {side: draw_face(solid, side=side, px_per_mm=px_per_mm) for side in SIDES}
    return Board(
        id=str(number),
        length_mm=length_mm,
        start_width_mm=width_mm,
        end_width_mm=width_mm,
        thickness_mm=27.0,
        crook_mm=0.3,
        faces=tuple(
            straight_face(face.rgb, side, px_per_mm=px_per_mm, inside=face.inside, photo=photo)
            for side, face in drawn.items()
        ),
        sigma_length_mm=0.6,
        sigma_width_mm=0.2,
        species="black cherry",
        bark_side=solid.bark_side,
    )
