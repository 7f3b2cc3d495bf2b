"""The drawn boards are cuts through one solid, so their parts must agree with each other.

scikit-image's structure tensor and OpenCV's own ChArUco detector serve as outside observers.
"""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
import pytest
from skimage.feature import structure_tensor

from grainmatch.colour import srgb_to_lab
from grainmatch.errors import BoardError
from grainmatch.geometry import plane_to_pixels
from grainmatch.model import Side
from grainmatch.synth import (
    BoardPlace,
    PictureBoard,
    SheetPlace,
    SynthKnot,
    aim_camera,
    arches_point,
    draw_end,
    draw_ends_scene,
    draw_face,
    draw_scene,
    draw_sheet,
    grow_board,
    planing_direction,
    ring_gradient,
    ring_radius_mm,
    rip,
)

SMALL = (1000, 750)
SIDES: tuple[Side, Side] = ("A", "B")


def test_same_seed_draws_the_same_picture_and_another_seed_another() -> None:
    first, again, other = (
        draw_face(grow_board(seed=s, length_mm=300), px_per_mm=1, noise=3) for s in (4, 4, 5)
    )
    assert np.array_equal(first.rgb, again.rgb)
    assert not np.array_equal(first.rgb, other.rgb)


def test_giving_one_field_keeps_the_other_random_ones() -> None:
    free, bound = grow_board(seed=3), grow_board(seed=3, pith_across_mm=5.0)
    assert bound.pith_across_mm == 5.0
    assert bound.pith_depth_mm == free.pith_depth_mm
    assert bound.knots == free.knots


@pytest.mark.parametrize("side", ["A", "B"])
def test_ring_lines_run_across_the_solids_gradient(side: Side) -> None:
    board = grow_board(seed=8, length_mm=500, knots=2)
    face = draw_face(board, side=side, px_per_mm=2)
    rows, columns = np.mgrid[20 : face.rgb.shape[0] - 20 : 17, 20 : face.rgb.shape[1] - 20 : 31]
    x, y = (columns + 0.5) / 2, (rows + 0.5) / 2
    if side == "A":
        gradient = ring_gradient(board, x, y, np.zeros(x.shape))
        down = gradient[..., 1]
    else:
        gradient = ring_gradient(board, x, board.width_mm - y, np.full(x.shape, board.thickness_mm))
        down = -gradient[..., 1]
    line = face.angle_rad[rows, columns]
    across = np.abs(np.cos(line) * gradient[..., 0] + np.sin(line) * down)
    slope = np.hypot(gradient[..., 0], down)
    assert np.quantile(across / slope, 0.99) < 0.03


def test_skimage_sees_the_ring_lines_where_the_truth_says() -> None:
    board = grow_board(seed=1, species="pine", length_mm=400, knots=0, sapwood_radius_mm=math.inf)
    face = draw_face(board, px_per_mm=3)
    light = srgb_to_lab(face.rgb)[..., 0].astype(np.float64)
    rr, rc, cc = structure_tensor(light, sigma=6)  # type: ignore[no-untyped-call]
    seen = 0.5 * np.arctan2(2 * rc, cc - rr) + np.pi / 2
    coherence = np.hypot(rr - cc, 2 * rc) / (rr + cc + 1e-9)
    sure = coherence > 0.9
    off = np.abs(np.angle(np.exp(2j * (seen - face.angle_rad)))) / 2
    assert sure.mean() > 0.2
    assert np.degrees(np.median(off[sure])) < 1.0


def test_twice_the_density_shows_the_same_wood() -> None:
    board = grow_board(seed=12, length_mm=400)
    fine, coarse = draw_face(board, px_per_mm=4), draw_face(board, px_per_mm=2)
    shrunk = np.asarray(cv2.resize(fine.rgb, coarse.rgb.shape[1::-1], interpolation=cv2.INTER_AREA))
    apart = np.abs(shrunk.astype(float) - coarse.rgb).mean()
    assert apart < 3.0
    assert apart < 0.3 * np.abs(np.flip(shrunk, axis=1).astype(float) - coarse.rgb).mean()


@pytest.mark.parametrize("seed", range(12))
def test_arches_point_up_the_tree_on_both_faces(seed: int) -> None:
    board = grow_board(seed=seed, pith_across_mm=5.0, knots=0, wander_mm=0.5, ripple_mm=0.3)
    for side in SIDES:
        assert arches_point(board, side) == board.up_tree


@pytest.mark.parametrize("seed", range(12))
def test_planing_follows_the_arches_on_the_heart_side_and_opposes_them_on_the_bark_side(seed: int) -> None:
    # Common practice, no source; here it comes out of the solid's gradient alone.
    board = grow_board(seed=seed, pith_across_mm=5.0, wander_mm=0.5, ripple_mm=0.3)
    for side in SIDES:
        arches = arches_point(board, side)
        assert planing_direction(board, side) == (-arches if board.bark_side == side else arches)


def test_a_turn_end_for_end_reverses_the_planing_arrow() -> None:
    up, down = (grow_board(seed=2, up_tree=way, wander_mm=0.0, ripple_mm=0.0, knots=0) for way in (1, -1))
    assert planing_direction(up, "A") == -planing_direction(down, "A")


def test_an_end_and_both_faces_meet_at_the_arris() -> None:
    board = grow_board(seed=6, species="pine", length_mm=40, knots=0, sapwood_radius_mm=math.inf)
    end = srgb_to_lab(draw_end(board, px_per_mm=8))[..., 0]
    for side, row in zip(SIDES, (0, -1), strict=True):
        face = srgb_to_lab(draw_face(board, side=side, px_per_mm=8).rgb)[:, 0, 0]
        if side == "B":
            face = face[::-1]
        smooth = [np.convolve(v, np.ones(5) / 5, "valid") for v in (end[row], face)]
        assert np.corrcoef(smooth)[0, 1] > 0.8


def test_rings_on_an_end_are_circles_about_the_stated_pith() -> None:
    board = grow_board(seed=1, wander_mm=0.0, ripple_mm=0.0, knots=0)
    angle = np.linspace(0, 2 * np.pi, 50)
    y = board.width_mm / 2 + board.pith_across_mm + 40 * np.cos(angle)
    depth = board.pith_depth_mm + 40 * np.sin(angle)
    assert np.ptp(ring_radius_mm(board, np.zeros(50), y, depth)) < 1e-9


def test_layers_do_not_fold_over_beside_a_knot() -> None:
    knot = SynthKnot(200.0, 70.0, 14.0)
    board = grow_board(seed=0, length_mm=400, knots=(knot,), pith_depth_mm=80, pith_across_mm=0.0)
    x, y = np.meshgrid(np.linspace(150, 250, 101), np.linspace(20, 120, 101))
    outward = -ring_gradient(board, x, y, np.zeros(x.shape))[..., 2]  # the pith lies below face A
    assert outward.min() > 0


def test_a_knot_is_where_it_was_put_and_shows_smaller_towards_the_pith() -> None:
    board = grow_board(seed=0, length_mm=400, knots=(SynthKnot(200.0, 70.0, 10.0),), pith_depth_mm=90)
    front, back = draw_face(board, px_per_mm=2), draw_face(board, side="B", px_per_mm=2)
    rows, columns = np.nonzero(front.knot_mask)
    assert columns.mean() / 2 == pytest.approx(200, abs=1)
    assert rows.mean() / 2 == pytest.approx(70, abs=2)
    assert front.knot_mask.sum() / 4 == pytest.approx(math.pi * 100, rel=0.25)
    assert 0 < back.knot_mask.sum() < front.knot_mask.sum()


def test_sapwood_lies_outside_its_radius_on_the_side_away_from_the_pith() -> None:
    board = grow_board(seed=1, pith_across_mm=-60, pith_depth_mm=60, sapwood_radius_mm=100, knots=0)
    face = draw_face(board, px_per_mm=1)
    assert 0.05 < face.sapwood_mask.mean() < 0.8
    assert face.sapwood_mask[-1].mean() > face.sapwood_mask[0].mean()
    light = srgb_to_lab(face.rgb)[..., 0]
    assert light[face.sapwood_mask].mean() > light[~face.sapwood_mask].mean() + 5


def test_impossible_boards_and_unknown_woods_say_what_to_do() -> None:
    with pytest.raises(BoardError, match="sizes above zero"):
        grow_board(seed=0, width_mm=-1)
    with pytest.raises(BoardError, match="cherry"):
        draw_face(grow_board(seed=0, species="balsa", length_mm=50))


def test_rip_gives_strips_in_order_that_lose_only_the_kerf() -> None:
    strips = rip(draw_face(grow_board(seed=0, length_mm=100), px_per_mm=4).rgb, 5, 12.0, 3)
    assert len(strips) == 5
    assert sum(s.shape[0] for s in strips) == pytest.approx(140 * 4 - 4 * 12, abs=3)


def test_the_sheet_is_found_by_an_independent_detector_with_the_right_numbers() -> None:
    picture = draw_sheet(number=2, paper="letter", px_per_mm=5)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture[..., 0])
    assert sorted(np.asarray(ids).ravel().tolist()) == list(range(34, 51))
    side_mm = np.linalg.norm(np.diff(np.asarray(corners[0]).reshape(4, 2), axis=0), axis=1) / 5
    assert side_mm == pytest.approx(np.full(3, 22.0), abs=0.3)
    assert [picture[round(182.5 * 5), round((34.7 + 15 + 35 * k) * 5), 0] for k in range(6)] == [
        220, 186, 153, 119, 85, 51,
    ]  # fmt: skip


def test_scene_outlines_follow_the_drawn_edges() -> None:
    # The edge is measured from the picture: area of a board's pixels against its true outline.
    board = grow_board(seed=3, length_mm=900, width_mm=150, end_width_mm=120, crook_mm=5, knots=0)
    camera = aim_camera(size_px=SMALL, eye_mm=(30, 60, 1000), roll_deg=2)
    places = [BoardPlace((0.0, 0.0), 1.5)]
    scene = draw_scene(
        [board], camera=camera, places=places, bench="green", size_px=SMALL, blur_px=0, noise=0
    )
    lab = srgb_to_lab(scene.photo.rgb)
    outline = scene.outlines_px[0]
    for inward, is_wood in ((-2.5, True), (3.5, False)):
        moved = _grow_outline(outline, -inward if is_wood else inward, is_wood)
        a = lab[moved[:, 1].astype(int), moved[:, 0].astype(int), 1]
        assert np.mean(a > 5) > 0.95 if is_wood else np.mean(a < 5) > 0.5


def _grow_outline(outline: np.ndarray, by_px: float, inward: bool) -> np.ndarray:
    closed = np.concatenate([outline, outline[:1]])
    points = np.concatenate([np.linspace(p, q, 40)[5:-5] for p, q in itertools.pairwise(closed)])
    step = np.concatenate([np.repeat([q - p], 30, axis=0) for p, q in itertools.pairwise(closed)])
    normal = np.column_stack([step[:, 1], -step[:, 0]]) / np.linalg.norm(step, axis=1, keepdims=True)
    return np.asarray(points + normal * (-by_px if inward else by_px))


def test_scene_edges_are_drawn_to_a_tenth_of_a_pixel() -> None:
    # A plain grey board on a plain dark bench: the share of light along a column gives its width in px.
    grey = np.full((60, 400, 3), 200, dtype=np.uint8)
    board = PictureBoard("p", grey, 800.0, 120.0, 25.0)
    camera = aim_camera(size_px=SMALL, eye_mm=(0, 0, 1000))
    places = [BoardPlace((3.3, 1.7), 0.7)]
    scene = draw_scene([board], camera=camera, places=places, bench="dark", size_px=SMALL, blur_px=0, noise=0)
    linear = (srgb_to_lab(scene.photo.rgb)[..., 0] + 16) ** 3
    outline = scene.outlines_px[0]
    for column in (300, 500, 700):
        top, bottom = (np.interp(column + 0.5, *(outline[[i, j]].T)) for i, j in ((0, 1), (3, 2)))
        line = linear[:, column]
        wood = line[int(top) + 3 : int(bottom) - 3].mean()
        for edge, inner, outer in ((top, 1, -1), (bottom, -1, 1)):
            at = int(edge)
            dark = line[at + 3 * outer]
            share = (line[at] - dark) / (wood - dark)
            true_share = 1 - (edge - at) if inner == 1 else edge - at
            assert share == pytest.approx(true_share, abs=0.1)


def test_tilted_scene_with_sheet_gives_back_the_sheets_place() -> None:
    camera = aim_camera(size_px=(1600, 1200), eye_mm=(-200, 500, 700), roll_deg=3, k1=-0.05)
    board = grow_board(seed=1, length_mm=700)
    scene = draw_scene(
        [board],
        camera=camera,
        places=[BoardPlace((0, -150))],
        sheet=SheetPlace((40, 120), 20),
        size_px=(1600, 1200),
    )
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    pattern = cv2.aruco.CharucoBoard((7, 5), 30.0, 22.0, dictionary, np.arange(17))
    found = cv2.aruco.CharucoDetector(pattern).detectBoard(cv2.cvtColor(scene.photo.rgb, cv2.COLOR_RGB2GRAY))
    corners, ids = np.asarray(found[0]).reshape(-1, 2), np.asarray(found[1]).ravel()
    assert len(ids) >= 20
    on_sheet = np.column_stack([43.5 + 30 * (ids % 6 + 1), 15 + 30 * (ids // 6 + 1)]) - (148.5, 105.0)
    c, s = math.cos(math.radians(20)), math.sin(math.radians(20))
    on_bench = on_sheet @ np.array([[c, s], [-s, c]]) + (40, 120)
    apart = corners + 0.5 - plane_to_pixels(camera, on_bench, 0.0)
    assert np.abs(apart.mean(axis=0)).max() < 0.1
    assert np.median(np.linalg.norm(apart, axis=1)) < 0.25


def test_light_changes_the_photo_but_not_the_truth() -> None:
    board = grow_board(seed=1, length_mm=700, knots=0, sapwood_radius_mm=math.inf)
    plain, warm = (
        draw_scene([board], size_px=(500, 375), light=light, noise=0, camera=aim_camera(size_px=(500, 375)))
        for light in ((1.0, 1.0, 1.0), (1.0, 0.8, 0.6))
    )
    assert np.array_equal(plain.mean_lab[0], warm.mean_lab[0])
    assert warm.photo.rgb[..., 2].mean() < plain.photo.rgb[..., 2].mean() - 10
    (left, top), (right, bottom) = plain.outlines_px[0][[0, 2]].round().astype(int)
    middle = plain.photo.rgb[top + 3 : bottom - 3, left + 3 : right - 3].reshape(-1, 3)
    assert srgb_to_lab(middle).mean(axis=0) == pytest.approx(plain.mean_lab[0], abs=2)


def test_a_turned_board_shows_its_face_turned() -> None:
    board = grow_board(seed=5, length_mm=700)
    camera = aim_camera(size_px=SMALL, eye_mm=(0, 0, 900))
    as_is, turned = (
        draw_scene(
            [board], camera=camera, places=[BoardPlace((0, 0), turned=t)], size_px=SMALL, noise=0, blur_px=0
        )
        for t in (False, True)
    )
    assert turned.outlines_px[0] == pytest.approx(np.roll(as_is.outlines_px[0], 2, axis=0), abs=1e-6)
    x0, y0 = as_is.outlines_px[0].min(axis=0).astype(int) + 4
    x1, y1 = SMALL[0] - x0, SMALL[1] - y0  # the scene is symmetric about the picture's middle
    one, two = (s.photo.rgb[y0:y1, x0:x1, 0].astype(float) for s in (as_is, turned))
    assert np.corrcoef(one.ravel(), two[::-1, ::-1].ravel())[0, 1] > 0.9


def test_ends_scene_shows_each_end_upright() -> None:
    boards = [grow_board(seed=s, knots=0) for s in range(4)]
    scene = draw_ends_scene(boards, size_px=SMALL, noise=0, blur_px=0)
    for board, outline in zip(boards, scene.outlines_px, strict=True):
        scale = (outline[1, 0] - outline[0, 0]) / board.width_mm
        flat = np.array([[0, 0], [board.width_mm, 0], [board.width_mm, board.thickness_mm]]) * scale
        patch = cv2.warpAffine(
            scene.photo.rgb,
            cv2.getAffineTransform(outline[:3].astype(np.float32) - 0.5, flat.astype(np.float32) - 0.5),
            (int(board.width_mm * scale), int(board.thickness_mm * scale)),
        )
        alone = draw_end(board, px_per_mm=scale)[: patch.shape[0], : patch.shape[1]]
        inner = (slice(2, -2), slice(2, -2), 0)
        assert np.corrcoef(patch[inner].ravel(), alone[inner].ravel())[0, 1] > 0.7
