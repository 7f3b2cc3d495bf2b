"""Boards are known again by their grain: other light, scale, noise, chalk, touching boards, strangers.

scikit-image's normalised cross-correlation (match_template, after Lewis 1995) is the outside check.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from skimage.feature import match_template

from grainmatch.errors import BoardError
from grainmatch.model import Board, Face, Rgb, Side
from grainmatch.score.grain import fit_on, read_grain
from grainmatch.score.recognise import recognise_boards, recognise_top
from grainmatch.synth import draw_face, grow_board

PX_PER_MM = 1.5


def as_face(rgb: Rgb, side: Side = "A", px_per_mm: float = PX_PER_MM) -> Face:
    h, w = rgb.shape[:2]
    upper = np.array([[0.0, 0.0], [w / px_per_mm, 0.0]])
    return Face(
        side, rgb, np.ones((h, w), dtype=bool), px_per_mm, upper, upper + np.array([0, h / px_per_mm])
    )


@cache
def known_board(seed: int) -> Board:
    solid = grow_board(seed=seed, length_mm=700 + 5 * seed, width_mm=105 + 6 * seed, thickness_mm=27)
    faces = tuple(as_face(draw_face(solid, side=s, px_per_mm=PX_PER_MM, noise=2).rgb, s) for s in ("A", "B"))
    return Board(str(seed), solid.length_mm, solid.width_mm, solid.width_mm, 27.0, 0.0, faces)


BOARDS = [0, 1, 2, 3]


def seen_again(seed: int, side: Side, turned: bool, rng: np.random.Generator) -> Face:
    """The same face in warm uneven light, smaller, noisy, with two strokes of chalk."""
    face = known_board(seed).face(side)
    assert face is not None
    rgb = face.rgb[::-1, ::-1] if turned else face.rgb
    small = np.asarray(cv2.resize(rgb, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA), dtype=np.float64)
    h, w = small.shape[:2]
    small *= np.array([1.0, 0.85, 0.7]) * np.linspace(0.7, 1.1, w)[None, :, None]
    chalked = np.ascontiguousarray(np.clip(small + rng.normal(0, 5, small.shape), 0, 255).astype(np.uint8))
    cv2.line(chalked, (w // 4, 5), (w // 3, h - 5), (245, 245, 245), max(2, h // 12))
    cv2.line(chalked, (w // 2, h - 9), (w // 2 + h, 9), (245, 245, 245), max(2, h // 12))
    return as_face(chalked, px_per_mm=PX_PER_MM * 0.7 * 1.01)


def test_every_face_and_turn_is_known_again() -> None:
    rng = np.random.default_rng(0)
    poses: list[tuple[int, Side, bool]] = [(2, "A", False), (0, "B", True), (3, "A", True), (1, "B", False)]
    seen = [seen_again(*pose, rng) for pose in poses]
    found = recognise_boards(seen, [known_board(s) for s in BOARDS], left_mm=[0.0, 10.0, 0.0, -25.0])
    assert [(r.board_id, r.side, r.turned) for r in found] == [
        (str(s), side, turned) for s, side, turned in poses
    ]
    assert all(r.sure and r.confidence > 0.5 for r in found)
    middles = [left + f.rgb.shape[1] / f.px_per_mm / 2 for f, left in zip(seen, (0, 10, 0, -25), strict=True)]
    assert [r.centre_mm for r in found] == pytest.approx(middles, abs=6)


def test_a_stranger_is_not_named_for_sure() -> None:
    rng = np.random.default_rng(1)
    others = [known_board(s) for s in BOARDS[1:]]
    found = recognise_boards([seen_again(0, "A", False, rng), seen_again(2, "A", False, rng)], others)
    assert not found[0].sure
    assert found[1].sure
    assert found[1].board_id == "2"


def test_the_board_left_over_is_not_named_by_elimination() -> None:
    rng = np.random.default_rng(6)
    known = [known_board(s) for s in BOARDS[:3]]
    stranger = seen_again(3, "A", False, rng)
    found = recognise_boards([seen_again(0, "A", False, rng), stranger, seen_again(2, "B", True, rng)], known)
    assert [r.sure for r in found] == [True, False, True]


def test_a_painted_board_is_unsure() -> None:
    rng = np.random.default_rng(2)
    paint = np.clip(180 + rng.normal(0, 3, (160, 1000, 3)), 0, 255).astype(np.uint8)
    found = recognise_boards([as_face(paint)], [known_board(s) for s in BOARDS])
    assert not found[0].sure
    assert found[0].confidence < 0.5


def test_a_dark_background_round_the_board_does_not_count() -> None:
    rng = np.random.default_rng(3)
    face = seen_again(1, "A", False, rng)
    framed = np.full((face.rgb.shape[0] + 20, face.rgb.shape[1], 3), 12, dtype=np.uint8)
    framed[10:-10] = face.rgb
    found = recognise_boards([as_face(framed, px_per_mm=face.px_per_mm)], [known_board(s) for s in BOARDS])
    assert found[0].sure
    assert found[0].board_id == "1"


def test_touching_boards_are_found_without_their_outlines() -> None:
    rng = np.random.default_rng(4)
    poses: list[tuple[int, Side, bool]] = [(3, "B", False), (1, "A", True), (0, "A", False)]
    parts = [seen_again(*pose, rng) for pose in poses]
    width = max(p.rgb.shape[1] for p in parts) + 30
    lefts_px = (0, 24, 9)
    whole = np.full((sum(p.rgb.shape[0] for p in parts), width, 3), 15, dtype=np.uint8)
    top, middles = 0, []
    for part, left in zip(parts, lefts_px, strict=True):
        h, w = part.rgb.shape[:2]
        whole[top : top + h, left : left + w] = part.rgb
        middles.append(((left + w / 2) / part.px_per_mm, (top + h / 2) / part.px_per_mm))
        top += h
    picture = as_face(whole, px_per_mm=parts[0].px_per_mm)
    found = recognise_top(picture, [known_board(s) for s in BOARDS], left_mm=100.0)
    sure = [r for r in found if r.sure]
    assert [(r.board_id, r.side, r.turned) for r in sure] == [
        (str(s), side, turned) for s, side, turned in poses
    ]
    assert [r.centre_mm - 100 for r in sure] == pytest.approx([m[0] for m in middles], abs=4)
    assert [r.across_mm for r in sure] == pytest.approx([m[1] for m in middles], abs=3)


def test_the_plain_slide_agrees_with_skimage() -> None:
    known = read_grain(known_board(1).faces[0])
    left = 20
    part = known.rows(0, known.values.shape[0])
    piece = part.values[8:-8, left : left + 100]
    outside = match_template(part.values, piece)  # type: ignore[no-untyped-call]
    row, column = np.unravel_index(int(np.argmax(outside)), outside.shape)
    assert [int(row), int(column)] == [8, left]
    cut = type(known)(np.ascontiguousarray(piece), np.ascontiguousarray(part.known[8:-8, left : left + 100]))
    fit = fit_on(part, cut, 8, left)
    assert fit.score == pytest.approx(float(outside[row, column]), abs=0.02)
    assert fit.along_mm == pytest.approx((left + 50) * 4.0, abs=1.0)


def test_nothing_known_is_an_error_and_nothing_seen_is_not() -> None:
    with pytest.raises(BoardError, match="Measure"):
        recognise_boards([], [])
    assert recognise_boards([], [known_board(0)]) == []
