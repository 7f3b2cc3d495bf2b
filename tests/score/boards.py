"""Drawn boards with faces, small enough to be quick."""

from __future__ import annotations

from functools import cache

import numpy as np

from grainmatch.colour import linear_to_srgb, srgb_to_linear
from grainmatch.model import Board, Rgb
from grainmatch.synth import draw_face, grow_board
from tests.faces import straight_face

PX_PER_MM = 1.5


def make_board(board_id: str, rgb: Rgb) -> Board:
    """A board of one face from its picture."""
    height_mm, length_mm = (v / PX_PER_MM for v in rgb.shape[:2])
    face = straight_face(rgb, px_per_mm=PX_PER_MM)
    return Board(board_id, length_mm, height_mm, height_mm, 27.0, 0.0, (face,), species="black cherry")


@cache
def draw_plank(seed: int, *, width_mm: float = 170.0, pith_depth_mm: float = 60.0) -> Rgb:
    """A plank 700 mm long sawn through the middle of the log's arches, without knots or sapwood."""
    board = grow_board(
        seed=seed,
        length_mm=700,
        width_mm=width_mm,
        pith_depth_mm=pith_depth_mm,
        pith_across_mm=0.0,
        knots=0,
        sapwood_radius_mm=float("inf"),
    )
    return draw_face(board, px_per_mm=PX_PER_MM, noise=1.0).rgb


def rip_pair(plank: Rgb, *, kerf_mm: float = 4.0) -> tuple[Rgb, Rgb]:
    """Two sisters from one plank, the saw's kerf lost between them."""
    half, kerf = plank.shape[0] // 2, round(kerf_mm * PX_PER_MM / 2)
    return plank[: half - kerf], plank[half + kerf :]


def relight(rgb: Rgb, gain: float) -> Rgb:
    """The same wood, darker or lighter by nature."""
    return linear_to_srgb(srgb_to_linear(rgb) * np.float32(gain))
