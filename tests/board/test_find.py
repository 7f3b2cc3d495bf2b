"""Boards found and measured on drawn scenes whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from grainmatch.board.measure import measure_outline
from grainmatch.board.outline import BoardOutline
from grainmatch.board.segment import find_boards
from grainmatch.geometry import pixels_to_plane, plane_to_pixels
from grainmatch.model import Photo
from grainmatch.synth import BoardPlace, SynthScene, aim_camera, draw_scene, grow_board
from tests.board.scenes import SIZE, THICK_MM, bench_of, bench_of_scene, cherry_boards, overlap

Found = tuple[BoardOutline, ...]


@pytest.fixture(scope="module")
def gaps() -> SynthScene:
    return draw_scene(
        cherry_boards(3),
        camera=aim_camera(size_px=SIZE, eye_mm=(30, 120, 1500)),
        gap_mm=16,
        size_px=SIZE,
        seed=5,
    )


@pytest.fixture(scope="module")
def found(gaps: SynthScene) -> Found:
    return find_boards(bench_of_scene(gaps))


def check_sizes(scene: SynthScene, found: Sequence[BoardOutline], width_mm: float, length_mm: float) -> None:
    bench = bench_of_scene(scene)
    assert len(found) == len(scene.boards)
    for outline, board, truth in zip(found, scene.boards, scene.outlines_px, strict=True):
        sizes = measure_outline(bench, outline)
        assert overlap(outline.outline_px, truth) > 0.985
        assert sizes.start_width_mm == pytest.approx(board.width_mm, abs=width_mm)
        end = getattr(board, "end_width_mm", None) or board.width_mm
        assert sizes.end_width_mm == pytest.approx(end, abs=width_mm)
        assert sizes.length_mm == pytest.approx(board.length_mm, abs=length_mm)


def test_boards_with_gaps_are_measured_to_half_a_millimetre(gaps: SynthScene, found: Found) -> None:
    check_sizes(gaps, found, 0.7, 1.0)


def test_touching_boards_are_parted_at_their_seams() -> None:
    boards = cherry_boards(4, seed=40)
    y, places = -230.0, []
    for k, board in enumerate(boards):
        places.append(BoardPlace(((-9.0, 6.0, -3.0, 11.0)[k], y + board.width_mm / 2)))
        y += board.width_mm + 0.5
    camera = aim_camera(size_px=SIZE, eye_mm=(0, 60, 1450))
    scene = draw_scene(boards, camera=camera, places=places, bench="dark", size_px=SIZE, seed=6)
    check_sizes(scene, find_boards(bench_of_scene(scene)), 1.2, 1.0)


def test_a_single_board_is_not_split_at_its_rings() -> None:
    for seed in (2, 3):
        board = grow_board(
            seed=seed, length_mm=1300, width_mm=180, thickness_mm=THICK_MM, species="pine", knots=3
        )
        camera = aim_camera(size_px=SIZE, eye_mm=(0, 40, 1300))
        scene = draw_scene([board], camera=camera, size_px=SIZE, seed=seed)
        assert len(find_boards(bench_of_scene(scene))) == 1


def test_taper_and_crook_are_kept() -> None:
    board = grow_board(
        seed=8, length_mm=1300, width_mm=150, end_width_mm=138, crook_mm=6.0, thickness_mm=THICK_MM
    )
    camera = aim_camera(size_px=SIZE, eye_mm=(0, 0, 1300))
    scene = draw_scene([board], camera=camera, bench="green", size_px=SIZE, seed=3)
    bench = bench_of_scene(scene)
    (outline,) = find_boards(bench)
    sizes = measure_outline(bench, outline)
    assert sizes.taper_mm == pytest.approx(12.0, abs=0.8)
    assert sizes.crook_mm == pytest.approx(6.0, abs=0.6)


def test_an_empty_bench_holds_no_boards() -> None:
    rng = np.random.default_rng(1)
    rgb = rng.normal(150, 4, (SIZE[1], SIZE[0], 3)).clip(0, 255).astype(np.uint8)
    camera = aim_camera(size_px=SIZE)
    assert find_boards(bench_of(Photo("bare.jpg", rgb), camera)) == ()


def test_upright_boards_are_read_as_turned_clockwise(gaps: SynthScene, found: Found) -> None:
    """The picture turned a quarter anticlockwise: boards lie upright, first board leftmost."""
    level = [measure_outline(bench_of_scene(gaps), o) for o in found]
    camera = gaps.camera
    w, _ = SIZE
    turned_rgb = np.ascontiguousarray(np.rot90(gaps.photo.rgb))
    # Turned so, x, y in the picture become y, w - x; the camera turns with it.
    quarter = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    turned = type(camera)(
        camera.focal_px,
        (camera.centre_px[1], w - camera.centre_px[0]),
        camera.k1,
        quarter @ camera.rotation @ quarter.T,
        quarter @ camera.translation_mm,
    )
    bench = bench_of(Photo("upright.jpg", turned_rgb), turned)
    upright = [measure_outline(bench, o) for o in find_boards(bench)]
    assert len(upright) == len(level)
    for a, b in zip(level, upright, strict=True):
        assert b.length_mm == pytest.approx(a.length_mm, abs=0.6)
        assert b.start_width_mm == pytest.approx(a.start_width_mm, abs=0.6)
        assert b.end_width_mm == pytest.approx(a.end_width_mm, abs=0.6)


def test_outline_goes_to_the_plane_and_back(gaps: SynthScene, found: Found) -> None:
    bench = bench_of_scene(gaps)
    outline = found[0]
    there = pixels_to_plane(bench.camera, outline.outline_px, bench.face_height_mm)
    back = plane_to_pixels(bench.camera, there, bench.face_height_mm)
    np.testing.assert_allclose(back, outline.outline_px, atol=1e-6)
    assert np.allclose(there[0], outline.upper_mm[0], atol=1e-6)
