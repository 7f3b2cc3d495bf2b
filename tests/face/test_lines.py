"""Cracks and streaks of pitch among growth rings, on faces drawn from the solid model."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from grainmatch.face import knots
from grainmatch.face.grid import lay_grid
from grainmatch.face.knot_pixels import load_models
from grainmatch.face.knots import find_knot_odds
from grainmatch.face.reading import read_face
from grainmatch.face.tone import measure_lab
from grainmatch.model import Rgb
from grainmatch.synth import draw_face, grow_board

SHADOW, RESIN = (0.35, 0.35, 0.35), (0.6, 0.42, 0.3)
"""What is left of red, green and blue: a shadow takes all alike, resin keeps most of the red (own choice)."""


def draw_line(rgb: Rgb, start: tuple[int, int], end: tuple[int, int], left: tuple[float, ...]) -> Rgb:
    """A copy with a line 2 pixels thick, soft at its rim."""
    line = np.zeros(rgb.shape[:2], dtype=np.float32)
    cv2.line(line, start, end, 1.0, 2)
    share = cv2.GaussianBlur(line, (0, 0), 0.6)[..., None]
    return np.asarray(rgb * (1 - share * (1 - np.array(left))), dtype=np.uint8)


@pytest.mark.parametrize("species", ["pine", "cherry", "oak"])
def test_a_crack_and_a_streak_of_pitch_are_found_and_told_apart(species: str) -> None:
    board = grow_board(seed=61, length_mm=500, width_mm=120, species=species, knots=0)
    rgb = draw_face(board, px_per_mm=2.0, noise=3).rgb
    marked = draw_line(draw_line(rgb, (200, 60), (330, 66), SHADOW), (600, 170), (700, 160), RESIN)
    assert not read_face(rgb, px_per_mm=2.0).marks
    marks = {m.kind: m for m in read_face(marked, px_per_mm=2.0).marks}
    assert marks.keys() == {"crack", "pitch"}
    assert marks["crack"].box_mm == pytest.approx((100, 30, 165, 33), abs=4)
    assert marks["pitch"].box_mm == pytest.approx((300, 80, 350, 85), abs=4)


def test_knots_are_the_same_in_bands_as_in_one_piece(monkeypatch: pytest.MonkeyPatch) -> None:
    board = grow_board(seed=62, length_mm=900, width_mm=100, knots=6)
    face = draw_face(board, px_per_mm=2.0, noise=3)
    grid = lay_grid(face.rgb, face.inside, px_per_mm=2.0)
    lab, model = measure_lab(grid.rgb), load_models().pixels
    whole = find_knot_odds(lab, grid, model=model)
    monkeypatch.setattr(knots, "_BAND_PIXELS", 1)
    bands = find_knot_odds(lab, grid, model=model)
    assert (whole > 0.5).any()
    assert np.abs(bands - whole).mean() < 0.002
    assert ((bands > 0.5) ^ (whole > 0.5)).sum() < 0.02 * (whole > 0.5).sum()
