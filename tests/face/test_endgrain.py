"""Pith, bark side and ring angle from board ends whose pith is known.

Besides the solid boards of `synth`, plain circles drawn by formula and scikit-image's polar unrolling
serve as outside truth.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from skimage.transform import warp_polar

from grainmatch.errors import BoardError
from grainmatch.face.endgrain import read_end, ring_angle_deg
from grainmatch.model import EndGrain, Rgb
from grainmatch.synth import draw_end, grow_board


def circles(
    across_mm: float,
    depth_mm: float,
    *,
    ring_mm: float = 3.0,
    px_per_mm: float = 5.0,
    size_mm: tuple[int, int] = (140, 27),
) -> Rgb:
    """Rings as circles about a pith, by formula alone."""
    w, h = (round(v * px_per_mm) for v in size_mm)
    x = (np.arange(w) + 0.5)[None, :] / px_per_mm - size_mm[0] / 2 - across_mm
    y = (np.arange(h) + 0.5)[:, None] / px_per_mm - depth_mm
    tone = 160 + 40 * np.cos(2 * np.pi * np.hypot(x, y) / ring_mm)
    noise = np.random.default_rng(0).normal(0, 6, (h, w, 3))
    rgb: Rgb = np.clip(tone[..., None] * (1, 0.8, 0.6) + noise, 0, 255).astype(np.uint8)
    return rgb


@pytest.mark.parametrize(
    ("across_mm", "depth_mm", "bark"),
    [(8, 70, "A"), (-48, 82, "A"), (30, -95, "B"), (-66, -60, "B"), (10, 20, "A")],
)
def test_plain_circles_give_back_their_centre(across_mm: float, depth_mm: float, bark: str) -> None:
    end = read_end(circles(across_mm, depth_mm), px_per_mm=5.0)
    apart = math.hypot(end.pith_across_mm - across_mm, end.pith_depth_mm - depth_mm)
    assert apart < 0.06 * max(30.0, math.hypot(across_mm, depth_mm))
    assert apart < 2 * end.pith_sigma_mm
    assert end.bark_side == bark
    assert end.confidence > 0.9
    assert end.ring_mm == pytest.approx(3.0, rel=0.15)
    assert end.residual_mm < 0.5


@pytest.mark.parametrize("size_mm", [(480, 20), (400, 13)])
def test_the_end_of_a_thin_wide_board_is_read_true_to_its_form(size_mm: tuple[int, int]) -> None:
    end = read_end(circles(30, 90, size_mm=size_mm), px_per_mm=5.0)
    assert end.bark_side == "A"
    assert math.hypot(end.pith_across_mm - 30, end.pith_depth_mm - 90) < 3.0
    assert end.ring_mm == pytest.approx(3.0, rel=0.15)


def test_drawn_ends_of_all_woods_are_read() -> None:
    errors, angles = [], []
    for seed in range(18):
        species = ("cherry", "walnut", "maple", "oak", "pine", "ash")[seed % 6]
        board = grow_board(seed=seed, species=species, knots=0)
        end = read_end(draw_end(board, px_per_mm=4, noise=5, blur_px=0.5), px_per_mm=4)
        assert end.bark_side == board.bark_side
        true = (board.pith_across_mm, board.pith_depth_mm)
        apart = math.hypot(end.pith_across_mm - true[0], end.pith_depth_mm - true[1])
        errors.append(apart / math.hypot(true[0], true[1] - board.thickness_mm / 2))
        truth = EndGrain(None, *true, 0, 0, 0, 0)
        angles.append(np.abs(ring_angle_deg(end, [-70, 0, 70]) - ring_angle_deg(truth, [-70, 0, 70])).mean())
    assert np.median(errors) < 0.06
    assert max(errors) < 0.25
    assert np.median(angles) < 2.0


def test_unrolled_about_the_found_pith_the_rings_are_straight() -> None:
    board = grow_board(seed=10, knots=0)
    picture = draw_end(board, px_per_mm=4).astype(np.float64).mean(axis=2)
    end = read_end(draw_end(board, px_per_mm=4), px_per_mm=4)

    def straightness(across_mm: float, depth_mm: float) -> float:
        centre = (depth_mm * 4 - 0.5, picture.shape[1] / 2 + across_mm * 4 - 0.5)
        unrolled = warp_polar(picture, center=centre, radius=800, output_shape=(1440, 800), cval=np.nan)
        known = np.isfinite(unrolled).sum(axis=0) > 20
        profile = np.nanmean(unrolled[:, known], axis=0)
        return float(profile.std() / np.nanstd(unrolled))

    here = straightness(end.pith_across_mm, end.pith_depth_mm)
    assert here > 0.7
    for step in ((15, 0), (-15, 0), (0, 15), (0, -15)):
        assert here > straightness(end.pith_across_mm + step[0], end.pith_depth_mm + step[1])


def test_a_mirrored_picture_mirrors_the_answer() -> None:
    picture = draw_end(grow_board(seed=4, knots=0), px_per_mm=5)
    height_mm = picture.shape[0] / 5
    plain, sideways, upside_down = (
        read_end(np.ascontiguousarray(p), px_per_mm=5) for p in (picture, picture[:, ::-1], picture[::-1])
    )
    tolerance = 0.05 * math.hypot(plain.pith_across_mm, plain.pith_depth_mm)
    assert sideways.pith_across_mm == pytest.approx(-plain.pith_across_mm, abs=tolerance)
    assert sideways.pith_depth_mm == pytest.approx(plain.pith_depth_mm, abs=tolerance)
    assert upside_down.pith_depth_mm == pytest.approx(height_mm - plain.pith_depth_mm, abs=tolerance)
    assert {plain.bark_side, upside_down.bark_side} == {"A", "B"}


def test_a_picture_twice_as_sharp_gives_the_same_millimetres() -> None:
    board = grow_board(seed=9, knots=0)
    coarse, fine = (read_end(draw_end(board, px_per_mm=s), px_per_mm=s) for s in (4.0, 8.0))
    assert fine.pith_across_mm == pytest.approx(coarse.pith_across_mm, abs=4)
    assert fine.pith_depth_mm == pytest.approx(coarse.pith_depth_mm, abs=4)


def test_only_wood_inside_the_mask_counts() -> None:
    board = grow_board(seed=2, knots=0)
    end = draw_end(board, px_per_mm=5)
    framed = np.full((end.shape[0], end.shape[1] + 160, 3), 60, dtype=np.uint8)
    framed[:, 80:-80] = end
    framed[:, :80:6] = 220  # upright stripes beside the end would pull the answer away
    framed[:, -80::6] = 220
    inside = np.zeros(framed.shape[:2], dtype=bool)
    inside[:, 80:-80] = True
    found = read_end(framed, px_per_mm=5, inside=inside)
    assert found.bark_side == board.bark_side
    assert found.pith_across_mm == pytest.approx(board.pith_across_mm, abs=12)


@pytest.mark.parametrize("kind", ["paint", "blots", "saw marks"])
def test_an_end_without_rings_says_it_cannot_tell_and_why(kind: str) -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 2, (120, 640, 3))
    if kind == "blots":
        noise += np.kron(rng.normal(0, 20, (20, 107)), np.ones((6, 6)))[:, :640, None]
    if kind == "saw marks":
        x, y = np.meshgrid(np.arange(640), np.arange(120))
        noise += 15 * np.sin((x * 0.8 + y * 0.6) / 2.0)[..., None]
    end = read_end(np.clip(150 + noise, 0, 255).astype(np.uint8), px_per_mm=4.5)
    assert end.bark_side is None
    assert end.confidence <= 0.5
    assert end.reason.endswith(".")


@pytest.mark.parametrize("level", [0, 128, 255])
def test_a_blank_picture_says_that_no_rings_can_be_seen(level: int) -> None:
    end = read_end(np.full((60, 300, 3), level, dtype=np.uint8), px_per_mm=2.0)
    assert end.bark_side is None
    assert end.reason.startswith("No rings")
    assert math.isfinite(end.pith_sigma_mm)


def test_upright_rings_name_no_bark_side_but_keep_their_angle() -> None:
    end = read_end(circles(150, 13.5), px_per_mm=5.0)
    assert end.bark_side is None
    assert "both faces" in end.reason
    assert ring_angle_deg(end, 0.0, depth_mm=13.5) == pytest.approx(90, abs=3)


def test_ring_angle_is_flat_above_the_pith_and_rises_to_the_edges() -> None:
    end = EndGrain("A", 0.0, 70.0, 1.0, 3.0, 0.1, 1.0)
    assert ring_angle_deg(end, [-70.0, 0.0, 70.0]) == pytest.approx([45, 0, 45])
    assert ring_angle_deg(end, 0.0, depth_mm=20.0) == pytest.approx(0)


def test_a_useless_picture_is_an_error_with_advice() -> None:
    with pytest.raises(BoardError, match="nearer"):
        read_end(np.zeros((8, 200, 3), dtype=np.uint8), px_per_mm=4)
    for picture in (np.zeros((50, 200), np.uint8), np.zeros((50, 200, 4), np.uint8), np.zeros((50, 200, 3))):
        with pytest.raises(BoardError, match="colour picture"):
            read_end(picture, px_per_mm=4)  # type: ignore[arg-type]
    with pytest.raises(BoardError, match="mask"):
        read_end(np.zeros((50, 200, 3), np.uint8), px_per_mm=4, inside=np.ones((20, 80), bool))
    with pytest.raises(BoardError, match="px_per_mm"):
        read_end(np.zeros((50, 200, 3), dtype=np.uint8), px_per_mm=math.nan)
