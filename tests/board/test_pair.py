"""Show and back faces, ends, and long boards joined."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from grainmatch.board.ends import EndPicture, find_ends, is_ends_photo, match_ends
from grainmatch.board.join import join_lengthwise
from grainmatch.board.pair import pair_faces
from grainmatch.errors import BoardError
from grainmatch.model import Board, Face
from grainmatch.synth import aim_camera, draw_ends_scene, draw_face, grow_board
from tests.board.scenes import THICK_MM, bench_of
from tests.faces import straight_face

RGB = np.full((20, 60, 3), 120, np.uint8)


def flat_board(name: str, length: float, start: float, end: float, crook: float = 0.0) -> Board:
    edge = np.array([[0.0, 0.0], [length, 0.0]])
    face = Face("A", RGB, np.ones(RGB.shape[:2], bool), 1.0, edge, edge + np.array([0, start]))
    return Board(name, length, start, end, 27.0, crook, (face,), 0.5, 0.2)


SHOW = [
    flat_board("1", 1922, 142, 142, 1.0),
    flat_board("2", 1906, 128, 128),
    flat_board("3", 1909, 151, 148),
]
BACK = [
    flat_board("1", 1922.6, 141.8, 142.1, -1.2),
    flat_board("2", 1905.4, 128, 128.2),
    flat_board("3", 1909, 151, 148),
]


def test_backs_in_order_are_paired_and_sizes_joined() -> None:
    pairs = pair_faces(SHOW, BACK)
    assert all(p.question is None and p.confidence > 0.9 and len(p.board.faces) == 2 for p in pairs)
    first = pairs[0].board
    assert [f.side for f in first.faces] == ["A", "B"]
    assert first.length_mm == pytest.approx(1922.3)
    assert first.crook_mm == pytest.approx(1.1)  # turned over it bows the other way
    assert first.sigma_width_mm < SHOW[0].sigma_width_mm


def test_backs_in_another_order_are_asked_about() -> None:
    pairs = pair_faces(SHOW, [BACK[1], BACK[0], BACK[2]])
    assert [len(p.board.faces) for p in pairs] == [1, 1, 2]
    assert pairs[0].question is not None
    assert "number 2" in pairs[0].question


def test_a_missing_back_is_asked_about_and_the_rest_are_paired() -> None:
    pairs = pair_faces(SHOW, BACK[1:])
    assert [len(p.board.faces) for p in pairs] == [1, 2, 2]
    assert pairs[0].question is not None


def test_a_wrong_back_is_never_guessed() -> None:
    wrong = [replace(b, start_width_mm=b.start_width_mm + 9, end_width_mm=b.end_width_mm + 9) for b in BACK]
    assert all(p.question and len(p.board.faces) == 1 for p in pair_faces(SHOW, wrong))


def test_without_backs_nothing_is_asked() -> None:
    assert all(p.question is None for p in pair_faces(SHOW, []))


def test_ends_are_found_in_rows_and_matched_by_width() -> None:
    widths = (142.0, 128.0, 151.0, 117.0)
    boards = [
        grow_board(seed=s, width_mm=w, thickness_mm=THICK_MM, length_mm=900) for s, w in enumerate(widths)
    ]
    camera = aim_camera(size_px=(1600, 1200), eye_mm=(0, 10, 420), hfov_deg=62)
    scene = draw_ends_scene(boards, camera=camera)
    bench = bench_of(scene.photo, camera, face_height_mm=THICK_MM + 5.0)
    assert is_ends_photo(bench, thickness_mm=THICK_MM)
    ends = find_ends(bench, thickness_mm=THICK_MM)
    np.testing.assert_allclose([e.width_mm for e in ends], widths, atol=1.0)
    np.testing.assert_allclose([e.thickness_mm for e in ends], THICK_MM, atol=1.0)
    measured = [flat_board(str(k), 900, w, w) for k, w in enumerate(widths)]
    assert [m.end for m in match_ends(ends, measured)] == [0, 1, 2, 3]


def test_an_end_of_another_width_is_asked_about() -> None:
    ends = [EndPicture(RGB, 1.0, w, 27.0, np.zeros((4, 2))) for w in (142.0, 139.0, 151.0)]
    matches = match_ends(ends, SHOW)
    assert [m.end for m in matches] == [0, None, 2]
    assert matches[1].question is not None
    assert [m.end for m in match_ends(ends[::2], SHOW)] == [0, None, 1]


def part(face: Face, first_mm: float, last_mm: float, tone: float, noise: np.random.Generator) -> Board:
    a, b = (round(v * face.px_per_mm) for v in (first_mm, last_mm))
    rgb = face.rgb[:, a:b].astype(float) * tone + noise.normal(0, 2, face.rgb[:, a:b].shape)
    length, width = (b - a) / face.px_per_mm, face.rgb.shape[0] / face.px_per_mm
    cut = straight_face(
        rgb.clip(0, 255).astype(np.uint8), px_per_mm=face.px_per_mm, inside=face.inside[:, a:b]
    )
    return Board("long", length, width, width, 27.0, 0.0, (cut,), 0.3, 0.1)


def test_parts_of_a_long_board_join_on_their_grain() -> None:
    solid = grow_board(seed=12, length_mm=2400, width_mm=130, thickness_mm=THICK_MM, knots=4)
    drawn = draw_face(solid, px_per_mm=1.5)
    whole = straight_face(drawn.rgb, px_per_mm=1.5, inside=drawn.inside)
    rng = np.random.default_rng(4)
    joined = join_lengthwise(
        [part(whole, 0, 1000, 1.0, rng), part(whole, 820, 1750, 0.9, rng), part(whole, 1560, 2400, 1.05, rng)]
    )
    assert joined.board.length_mm == pytest.approx(2400, abs=3 * math.hypot(*joined.sigma_mm) + 1.0)
    assert joined.overlap_mm == pytest.approx((180, 190), abs=2.0)
    again = joined.board.faces[0].rgb.astype(float)
    same = drawn.rgb[: again.shape[0], : again.shape[1]].astype(float)
    again = again[: same.shape[0], : same.shape[1]]
    assert (
        np.median(np.abs(gaussian_filter(again.mean(axis=2), 2) - gaussian_filter(same.mean(axis=2), 2))) < 12
    )


def test_parts_of_different_boards_are_not_joined() -> None:
    rng = np.random.default_rng(5)
    parts = []
    for seed in (31, 77):
        drawn = draw_face(
            grow_board(seed=seed, length_mm=900, width_mm=130, thickness_mm=THICK_MM), px_per_mm=1.5
        )
        parts.append(part(straight_face(drawn.rgb, px_per_mm=1.5, inside=drawn.inside), 0, 900, 1.0, rng))
    with pytest.raises(BoardError):
        join_lengthwise(parts)
