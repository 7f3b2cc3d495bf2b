"""Faces that come already cropped and to scale: from a scanner, or planed test pieces."""

from __future__ import annotations

import numpy as np

from grainmatch.errors import BoardError
from grainmatch.geometry import Points
from grainmatch.model import Board, Face, Mask, Rgb

_STATIONS = 65
EDGE_SIGMA_PX = 0.5
"""How true the edge of a cropped picture is taken to be (own assumption)."""
LEAST_LIGHT = 20
"""8-bit level, brightest channel, that a quarter of a face reaches at least; below it nothing is seen (own
choice)."""


def measure_bare_face(
    rgb: Rgb, inside: Mask, *, px_per_mm: float, board_id: str, thickness_mm: float, name: str = ""
) -> Board:
    """A board from one cropped face picture.

    rgb (h, w, 3) with length along x; inside (h, w) True on wood. The long edges are the first and
    last wood in each column, smoothed by medians along the board. Raises BoardError when there is no
    wood, or the scale is impossible.
    """
    if not (np.isfinite(px_per_mm) and px_per_mm > 0):
        raise BoardError("The face has no scale.", "Give the pixels per millimetre, above zero.")
    columns = np.flatnonzero(inside.sum(axis=0) > 0.3 * inside.sum(axis=0).max())
    if columns.size < 8 or not inside.any() or _is_dark(rgb, inside):
        raise BoardError(
            f"No wood was found in {name or 'the picture'}.", "Crop it to one face on a dark ground."
        )
    upper, lower = _trace_edges(inside, columns)
    outline_px = np.vstack([upper, lower[::-1]])
    upper_mm, lower_mm = upper / px_per_mm, lower / px_per_mm
    sigma_mm = EDGE_SIGMA_PX * np.sqrt(2) / px_per_mm
    face = Face("A", rgb, inside, px_per_mm, upper_mm, lower_mm, photo=name, outline_px=outline_px)
    middle = (upper_mm[:, 1] + lower_mm[:, 1]) / 2
    chord = np.linspace(middle[0], middle[-1], len(middle))
    bend = middle - chord
    return Board(
        id=board_id,
        length_mm=float(upper_mm[-1, 0] - upper_mm[0, 0]),
        start_width_mm=float(lower_mm[0, 1] - upper_mm[0, 1]),
        end_width_mm=float(lower_mm[-1, 1] - upper_mm[-1, 1]),
        thickness_mm=thickness_mm,
        crook_mm=float(bend[np.abs(bend).argmax()]),
        faces=(face,),
        sigma_length_mm=float(sigma_mm),
        sigma_width_mm=float(sigma_mm),
    )


def _is_dark(rgb: Rgb, inside: Mask) -> bool:
    brightest = np.maximum(np.maximum(rgb[..., 0], rgb[..., 1]), rgb[..., 2])
    return bool(np.percentile(brightest[inside], 75) < LEAST_LIGHT)


def _trace_edges(inside: Mask, columns: np.ndarray[tuple[int], np.dtype[np.int64]]) -> tuple[Points, Points]:
    """Upper and lower edge (n, 2) in pixels, from the first wooden column's left to the last one's right."""
    wood = inside[:, columns]
    first = wood.argmax(axis=0).astype(np.float64)
    last = wood.shape[0] - wood[::-1].argmax(axis=0).astype(np.float64)
    pieces = np.array_split(np.arange(columns.size), min(_STATIONS, columns.size))
    x = np.array([columns[p].mean() + 0.5 for p in pieces])
    x[0], x[-1] = columns[0], columns[-1] + 1.0
    edges = (np.array([np.median(edge[p]) for p in pieces]) for edge in (first, last))
    upper, lower = (np.column_stack([x, y]) for y in edges)
    return upper, lower
