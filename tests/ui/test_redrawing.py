"""Outlines corrected by hand: corners, moved edges, and what becomes of the boards."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from grainmatch.board.correct import AddBoard, MoveCorner, RemoveBoard
from grainmatch.errors import BoardError
from grainmatch.face.edits import Edits, add_mark
from grainmatch.geometry import Points
from grainmatch.model import Board, Rule, Wishes
from grainmatch.pipeline.drawn import corners_of
from grainmatch.store import Shop
from grainmatch.ui import desk
from grainmatch.ui.boards_page import rename_board
from grainmatch.ui.hand_marks import edits_of, keep_edits
from grainmatch.ui.naming import match_places
from grainmatch.ui.outline_view import Shape, read_shapes
from grainmatch.ui.outlines import FoundFace, correct_shapes, faces_by_photo, keep_drawn
from grainmatch.ui.proposing import keep_wishes, read_wishes
from grainmatch.ui.stock import read_stock
from grainmatch.ui.workroom import measure_job

SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0))


def bowed_outline(upper_n: int = 40, lower_n: int = 23, turn_rad: float = 0.2) -> tuple[Any, Any]:
    """A slanted board with bowed long edges; (outline, its true corners)."""
    x = np.linspace(0, 900, upper_n)
    upper = np.column_stack([x, 4 * np.sin(np.pi * x / 900)])
    x = np.linspace(905, 5, lower_n)
    lower = np.column_stack([x, 120 + 4 * np.sin(np.pi * x / 905)])
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    outline = np.vstack([upper, lower]) @ np.array([[c, s], [-s, c]]) + (300, 200)
    return outline, outline[[0, upper_n - 1, upper_n, upper_n + lower_n - 1]]


@pytest.mark.parametrize("turn_rad", [-0.7, 0.0, 0.2, 1.2])
def test_corners_are_found_whatever_the_slant_and_the_number_of_points(turn_rad: float) -> None:
    outline, corners = bowed_outline(turn_rad=turn_rad)
    assert corners_of(outline) == pytest.approx(corners)
    assert corners_of(corners) == pytest.approx(corners)


def test_a_shape_without_four_corners_is_refused() -> None:
    with pytest.raises(BoardError, match="four corners"):
        corners_of([[0, 0], [10, 0], [5, 8]])


def face_of(board_id: str, upper_mm: float) -> FoundFace:
    return FoundFace(board_id, "A", np.add(SQUARE, (0.0, upper_mm)))


def test_what_was_drawn_becomes_corrections_in_the_photo() -> None:
    faces = [face_of("1", 0.0), face_of("2", 5.0)]
    shapes = [f.as_shape(0.5) for f in faces]
    assert correct_shapes(faces, shapes, 0.5) == []
    (a, b, c, d), joined = shapes[0].corners, shapes[1].corners
    kept = replace(shapes[0], corners=(a, b, joined[2], joined[3]))
    assert correct_shapes(faces, [kept], 0.5) == [
        RemoveBoard((5.0, 7.5)),
        MoveCorner((10.0, 5.0), (10.0, 10.0)),
        MoveCorner((0.0, 5.0), (0.0, 10.0)),
    ], "the other board is gone before a corner lies where its corner was"
    fresh = Shape("new-1", (a, b, c, d))
    added = correct_shapes(faces, [*shapes, fresh], 0.5)
    assert added == [AddBoard(SQUARE)]


def test_a_board_keeps_its_name_where_it_lies() -> None:
    before = {"oak": {"p": face_of("", 0.0).outline_px}, "2": {"p": face_of("", 5.5).outline_px}}
    halves = [{"p": np.multiply(SQUARE, (1, 0.5))}, {"p": np.add(np.multiply(SQUARE, (1, 0.5)), (0, 2.5))}]
    second = {"p": face_of("", 5.6).outline_px, "back": face_of("", 0.0).outline_px}
    assert match_places(before, [*halves, second]) == ["oak", None, "2"]
    assert match_places(before, [{"other photo": face_of("", 0.0).outline_px}]) == [None]


def patch_of(board: Board, outline_mm: Points) -> Any:
    """The lightness of the show face in a four-cornered area, on 60 x 30 points."""
    face = board.faces[0]
    points = np.array([[0, 0], [60, 0], [60, 30], [0, 30]], dtype=np.float32)
    to_points = cv2.getPerspectiveTransform((outline_mm * face.px_per_mm).astype(np.float32), points)
    return cv2.warpPerspective(face.rgb.mean(axis=2), to_points, (60, 30), flags=cv2.INTER_AREA)


def test_what_was_drawn_outlives_a_back_photo_and_a_new_name(
    shop: Shop, samples: Path, demo_truth: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Draw, rename, set a rule, then bring the backs: outline, name and rule are still there."""
    name = "demo_boards_1_to_4_show.jpg"
    job = shop.add_job("Table", {"thickness_mm": 27.0, "species": "cherry"})
    photo = shop.add_photo(job.id, name, (samples / name).read_bytes())
    measure_job(shop, job.id, lambda *_: None)
    assert [b.board_id for b in shop.list_boards(job.id)] == ["1", "2", "3", "4"]

    job = shop.read_job(job.id)
    faces = faces_by_photo(read_stock(shop, job).boards)[name]
    shapes = [f.as_shape(1.0) for f in faces]
    a, b, c, d = shapes[3].corners
    shorter = (b[0] - 0.25 * (b[0] - a[0]), b[1] - 0.25 * (b[1] - a[1]))
    low = (c[0] - 0.25 * (c[0] - d[0]), c[1] - 0.25 * (c[1] - d[1]))
    drawn = [shapes[0], shapes[2], replace(shapes[3], corners=(a, shorter, low, d))]
    keep_drawn(shop, job, photo.sha256, correct_shapes(faces, drawn, 1.0))
    area = np.array([[200.0, 30.0], [300.0, 30.0], [300.0, 80.0], [200.0, 80.0]])
    before = patch_of(read_stock(shop, job).by_id["4"], area)
    keep_edits(shop, job.id, "4", "A", add_mark(Edits(), "keep out", area))
    measure_job(shop, job.id, lambda *_: None)
    assert [b.board_id for b in shop.list_boards(job.id)] == ["1", "3", "4"], "no name moves up"
    job = shop.read_job(job.id)
    (kept,) = edits_of(job.details["boards"]["4"])["A"].added
    after = patch_of(read_stock(shop, job).by_id["4"], kept.outline_mm)
    assert np.corrcoef(before.ravel(), after.ravel())[0, 1] > 0.9, "the same wood lies in the marked area"

    monkeypatch.setattr(desk, "the_shop", lambda: shop)
    rule = Rule("together", ("1", "4"))
    keep_wishes(shop, shop.read_job(job.id), Wishes(rules=(rule,)))
    rename_board(shop.read_job(job.id), "4", "short one")
    back = "demo_boards_1_to_4_back.jpg"
    shop.add_photo(job.id, back, (samples / back).read_bytes())
    measure_job(shop, job.id, lambda *_: None)

    job = shop.read_job(job.id)
    boards = read_stock(shop, job).by_id
    assert [m.kind for m in edits_of(job.details["boards"]["short one"])["A"].added] == ["keep out"]
    assert list(boards) == ["1", "3", "short one"]
    whole_mm = demo_truth["photos"][name]["boards"][3]["length"]
    assert boards["short one"].length_mm == pytest.approx(0.75 * whole_mm, rel=0.01)
    assert read_wishes(job).rules == (Rule("together", ("1", "short one")),)


@pytest.mark.parametrize(
    "odd",
    [
        None,
        {"rev": 2, "shapes": []},
        {"rev": 1, "shapes": [{"key": "9/A", "corners": SQUARE}]},
        {"rev": 1, "shapes": [{"key": "new-x", "corners": SQUARE}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": SQUARE[:3]}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": [(float("nan"), 0), *SQUARE[1:]]}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": [(-5, 0), *SQUARE[1:]]}]},
        {"rev": 1, "shapes": [{"key": "1/A", "corners": SQUARE}] * 2},
        {"rev": 1},
    ],
)
def test_odd_shapes_from_the_browser_are_passed_over(odd: Any) -> None:
    assert read_shapes(odd, [Shape("1/A", SQUARE, "1 A")], rev=1, size_px=(100, 50)) is None
