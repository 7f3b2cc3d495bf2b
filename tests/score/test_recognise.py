"""Boards are known again by their grain: other light, scale, noise, chalk, touching boards, strangers.

scikit-image's normalised cross-correlation (match_template, after Lewis 1995) is the outside check.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import cv2
import numpy as np
import pytest
from skimage.feature import match_template

from grainmatch.errors import BoardError
from grainmatch.model import Board, Face, Side
from grainmatch.score.grain import fit_on, read_grain
from grainmatch.score.recognise import Recognition, recognise_top
from grainmatch.synth import draw_face, grow_board
from tests.faces import straight_face
from tests.score.dry_fit import lay_down

PX_PER_MM = 1.5
SIDES: tuple[Side, Side] = ("A", "B")
Known = tuple[int, Side, bool]
"""Number of a board, the side that is up, and whether it is turned."""


@cache
def known_board(seed: int) -> Board:
    solid = grow_board(seed=seed, length_mm=700 + 5 * seed, width_mm=105 + 6 * seed, thickness_mm=27)
    faces = tuple(
        straight_face(draw_face(solid, side=s, px_per_mm=PX_PER_MM, noise=2).rgb, s, px_per_mm=PX_PER_MM)
        for s in SIDES
    )
    return Board(str(seed), solid.length_mm, solid.width_mm, solid.width_mm, 27.0, 0.0, faces)


BOARDS = [0, 1, 2, 3]


def names(found: Iterable[Recognition]) -> list[tuple[str, Side, bool]]:
    return [(r.board_id, r.side, r.turned) for r in found]


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
    return straight_face(chalked, px_per_mm=PX_PER_MM * 0.7 * 1.01)


def test_every_face_and_turn_of_touching_boards_is_known_again() -> None:
    rng = np.random.default_rng(0)
    poses: list[Known] = [(2, "A", False), (0, "B", True), (3, "A", True), (1, "B", False)]
    seen, lefts_mm = [seen_again(*pose, rng) for pose in poses], (0.0, 22.0, 9.0, 14.0)
    found = recognise_top(lay_down(seen, lefts_mm), [known_board(s) for s in BOARDS], left_mm=100.0)
    assert names(found) == [(str(s), side, turned) for s, side, turned in poses]
    assert all(r.sure and r.confidence > 0.5 for r in found)
    lengths, widths = np.array([f.rgb.shape[1::-1] for f in seen]).T / seen[0].px_per_mm
    assert [r.centre_mm - 100 for r in found] == pytest.approx(lefts_mm + lengths / 2, abs=4)
    assert [r.across_mm for r in found] == pytest.approx(np.cumsum(widths) - widths / 2, abs=3)


def test_a_stranger_is_not_named_for_sure() -> None:
    rng = np.random.default_rng(1)
    others = [known_board(s) for s in BOARDS[1:]]
    top = lay_down([seen_again(0, "A", False, rng), seen_again(2, "A", False, rng)], (0.0, 0.0))
    assert names(r for r in recognise_top(top, others) if r.sure) == [("2", "A", False)]


def test_the_board_left_over_is_not_named_by_elimination() -> None:
    rng = np.random.default_rng(6)
    poses: list[Known] = [(0, "A", False), (3, "A", False), (2, "B", True)]
    top = lay_down([seen_again(*pose, rng) for pose in poses], (0.0, 5.0, 0.0))
    found = recognise_top(top, [known_board(s) for s in BOARDS[:3]])
    assert names(r for r in found if r.sure) == [("0", "A", False), ("2", "B", True)]


def test_a_painted_board_is_unsure() -> None:
    rng = np.random.default_rng(2)
    paint = np.clip(180 + rng.normal(0, 3, (160, 1000, 3)), 0, 255).astype(np.uint8)
    found = recognise_top(straight_face(paint, px_per_mm=PX_PER_MM), [known_board(s) for s in BOARDS])
    assert all(not r.sure and r.confidence < 0.5 for r in found)


def test_a_dark_background_round_the_board_does_not_count() -> None:
    rng = np.random.default_rng(3)
    face = seen_again(1, "A", False, rng)
    framed = np.full((face.rgb.shape[0] + 20, face.rgb.shape[1], 3), 12, dtype=np.uint8)
    framed[10:-10] = face.rgb
    found = recognise_top(straight_face(framed, px_per_mm=face.px_per_mm), [known_board(s) for s in BOARDS])
    assert names(r for r in found if r.sure) == [("1", "A", False)]


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


def test_nothing_known_is_an_error() -> None:
    with pytest.raises(BoardError, match="Measure"):
        recognise_top(known_board(0).faces[0], [])
