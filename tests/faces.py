"""Faces made from pictures, for tests that need a face and no photo."""

from __future__ import annotations

import numpy as np

from grainmatch.model import Face, Mask, Rgb, Side


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
