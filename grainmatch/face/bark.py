"""Bark side of a board from its two faces, where no end tells it.

One face alone cannot tell: reflecting the board in the plane of that face puts the pith on its other side and
leaves every point of the face, its rings and its knots where they were (a test shows it on the solid
model), so `cut` only uses that a pith very near the face would else lie within the board. Two faces can:
they are cuts through the same cones, a known thickness apart. Both laws of `cut`, lines crossed per mm and
their lean, are fitted to both faces at once with one place of the pith, one ring width and one
narrowing, over a table of places and depths of the pith.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.face.cut import (
    LEAST_DENSITY_MISFIT,
    LEAST_LEAN_MISFIT,
    LEAST_SEEN,
    density_form,
    heart_share,
    lean_form,
    misfit,
    row_leans,
)
from grainmatch.model import Features, Side

_PLACE_STEP_MM = 4.0
_FARTHEST_MM = 200.0
_NEAREST_MM = 3.0
_LEAST_ROWS = 8
_INDEPENDENT = 1 / 6  # rows share lines, and the two faces of a board share their tree's whims
_LEAST_CHANCE = 0.8
_MOST_CONFIDENCE = 0.85  # told from the figure alone; an end tells it better


@dataclass(frozen=True, eq=False)
class _Rows:
    """Values (n,) of one law on one face with their weights, and how far each row lies below the board's
    middle line in the frame of face A."""

    across_mm: NDArray[np.float64]
    value: NDArray[np.float64]
    weight: NDArray[np.float64]


def bark_side_of_pair(
    show: Features, back: Features, *, thickness_mm: float = 27.0
) -> tuple[Side | None, float]:
    """Bark side of a board from its faces A and B, B as seen after a flip, and the confidence 0..1.

    None when lines are too few on a face or when the faces do not tell clearly.
    """
    faces = (_read_rows(show, 1), _read_rows(back, -1))
    if any(len(lines.value) < _LEAST_ROWS for lines, _ in faces):
        return None, 0.0
    half = max(float(np.ptp(rows.across_mm)) for face in faces for rows in face if len(rows.value)) / 2
    place = np.arange(-3.4 * half, 3.4 * half, _PLACE_STEP_MM)
    outside = np.geomspace(5.0, _FARTHEST_MM, 14)
    depth = np.concatenate([-outside[::-1], np.linspace(0, thickness_mm, 6), thickness_mm + outside])
    away = [np.maximum(np.abs(depth - top), _NEAREST_MM)[:, None] for top in (0.0, thickness_mm)]
    log_chance = np.zeros((len(place), len(depth)))
    laws = ((density_form, LEAST_DENSITY_MISFIT), (lean_form, LEAST_LEAN_MISFIT))
    for (form, least), *rows in zip(laws, *faces, strict=True):
        n = sum(len(r.value) for r in rows)
        if n >= _LEAST_ROWS:
            shape = [form(r.across_mm - place[:, None, None], d) for r, d in zip(rows, away, strict=True)]
            value, weight = (np.concatenate([getattr(r, k) for r in rows]) for k in ("value", "weight"))
            left = misfit(value, np.concatenate(shape, axis=-1), weight)
            log_chance -= 0.5 * _INDEPENDENT * n * np.log(left + least)
    chance = np.exp(log_chance - log_chance.max()).sum(axis=0)
    below = float(chance[depth > thickness_mm / 2].sum() / chance.sum())
    sure = max(below, 1 - below)
    if sure < _LEAST_CHANCE:
        return None, 0.0
    return ("A" if below > 0.5 else "B"), _MOST_CONFIDENCE * sure


def _read_rows(face: Features, sign: int) -> tuple[_Rows, _Rows]:
    """Lines per mm and leans of a face's rows of cells; sign -1 where it was flipped to be seen."""
    y_mm = (np.arange(len(face.angle_rad)) + 0.5) * face.cell_mm
    wood = np.flatnonzero(np.isfinite(face.lab[..., 0]).mean(axis=1) > 0.3)
    middle = y_mm[wood[[0, -1]]].mean() if len(wood) else 0.0
    across = np.asarray(sign * (y_mm - middle), dtype=np.float64)
    density = np.abs(np.cos(face.angle_rad)) / face.ring_mm
    heart = heart_share(face.sapwood if face.sapwood is not None else np.zeros(density.shape))
    rows = (np.isfinite(density).mean(axis=1) > LEAST_SEEN) & (heart > 0.3)
    lines = _Rows(across[rows], np.nanmean(density[rows], axis=1), heart[rows] ** 2)
    lean, weight = row_leans(face.angle_rad, face.coherence)
    known = weight > 0.1
    return lines, _Rows(across[known], sign * lean[known], weight[known])
