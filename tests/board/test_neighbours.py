"""Touching boards share one seam, whichever of the two edges saw it better."""

from __future__ import annotations

import numpy as np
import pytest

from grainmatch.board.backdrop import fit_backdrop
from grainmatch.board.frame import Frame
from grainmatch.board.neighbours import join_undivided, share_seams
from grainmatch.board.outline import UNSEEN_SIGMA_MM, BoardOutline, Rough, polygon_px
from grainmatch.geometry import plane_to_pixels
from grainmatch.model import Photo
from grainmatch.photo.pose import guess_bench
from grainmatch.synth import BoardPlace, aim_camera, draw_scene, grow_board
from tests.board.scenes import THICK_MM, bench_of_scene

BENCH = guess_bench(Photo("seam", np.zeros((750, 1000, 3), np.uint8)), thickness_mm=25, span_mm=1000)


def board(
    top: float, bottom: float, upper_sigma: float, lower_sigma: float, slant: float = 0.1
) -> BoardOutline:
    """A board 800 mm long whose ends lean by `slant` mm a mm."""
    x = np.linspace(-400, 400, 33)
    upper = np.column_stack([x + slant * top, np.full(33, top)])
    lower = np.column_stack([x + slant * bottom, np.full(33, bottom)])
    sigmas = (upper_sigma, lower_sigma, 0.2, 0.2)
    return BoardOutline(upper, lower, polygon_px(BENCH, upper, lower), sigmas)


def rough(touching: tuple[bool, bool]) -> Rough:
    flat = np.zeros(3)
    return Rough(Frame(np.zeros(2), 0.0), flat, flat, np.zeros(2), np.zeros(2), touching=touching)


def shared(
    above: BoardOutline, below: BoardOutline, *, touch: bool = True
) -> tuple[BoardOutline, BoardOutline]:
    told = share_seams(BENCH, [rough((False, touch)), rough((touch, False))], [above, below])
    return told[0], told[1]


def test_an_edge_that_saw_no_seam_follows_the_one_that_did() -> None:
    above, below = shared(board(-100, 0, 0.2, 0.4), board(20, 120, 1.4, 0.2))
    assert below.upper_mm[:, 1] == pytest.approx(0.0, abs=1e-6)
    assert above.lower_mm[:, 1] == pytest.approx(0.0, abs=1e-6)
    # The ends keep their slant, and the outline in the photo moves along.
    assert below.upper_mm[[0, -1], 0] == pytest.approx([-400, 400], abs=1e-6)
    assert below.outline_px[0] == pytest.approx(plane_to_pixels(BENCH.camera, below.upper_mm[:1], 25)[0])
    assert below.sigma_mm == (0.4, 0.2, 0.2, 0.2)


def test_boards_that_touch_keep_the_hairline_both_saw_between_them() -> None:
    pair = board(-100, 0, 0.2, 0.5), board(0.6, 120, 0.5, 0.2)
    above, below = shared(*pair)
    assert above.lower_mm == pytest.approx(pair[0].lower_mm)
    assert below.upper_mm == pytest.approx(pair[1].upper_mm)


def test_two_seams_far_apart_and_boards_that_do_not_touch_stay() -> None:
    pair = board(-100, 0, 0.2, 0.4), board(20, 120, 0.5, 0.2)
    assert shared(*pair)[1].upper_mm == pytest.approx(pair[1].upper_mm)
    apart = board(-100, 0, 0.2, 0.4), board(20, 120, 1.4, 0.2)
    assert shared(*apart, touch=False)[1].upper_mm == pytest.approx(apart[1].upper_mm)


@pytest.mark.parametrize("seen", [False, True], ids=["no seam seen", "a seam seen"])
def test_two_pieces_that_no_seam_divides_are_one_board(seen: bool) -> None:
    length_mm, width_mm, size = 796.0, 140.0, (800, 600)
    camera = aim_camera(size_px=size, eye_mm=(0.0, 0.0, 1200.0))
    grown = grow_board(seed=3, length_mm=length_mm, width_mm=width_mm, thickness_mm=THICK_MM)
    scene = draw_scene([grown], camera=camera, places=[BoardPlace((0.0, 0.0))], size_px=size)
    bench, backdrop = bench_of_scene(scene), fit_backdrop(scene.photo.rgb)
    ends = np.array([0.0, -length_mm / 2]), np.array([0.0, length_mm / 2])
    upper, seam, lower = (np.array([0.0, 0.0, v]) for v in (-width_mm / 2, 20.0, width_mm / 2))
    frame = Frame(np.zeros(2), 0.0)
    pieces = [
        Rough(frame, upper, seam, *ends, touching=(False, True)),
        Rough(frame, seam, lower, *ends, touching=(True, False)),
    ]
    sigma = 0.3 if seen else UNSEEN_SIGMA_MM
    outlines = [board(-70, 20, 0.2, sigma, slant=0), board(20, 70, sigma, 0.2, slant=0)]
    joined = join_undivided(bench, backdrop, pieces, outlines)
    if seen:
        assert joined == outlines
        return
    (whole,) = joined
    assert whole.upper_mm[:, 1] == pytest.approx(-width_mm / 2, abs=0.5)
    assert whole.lower_mm[:, 1] == pytest.approx(width_mm / 2, abs=0.5)
    pixel_mm = 1 / bench.px_per_mm
    assert whole.upper_mm[[0, -1], 0] == pytest.approx([-length_mm / 2, length_mm / 2], abs=pixel_mm)
