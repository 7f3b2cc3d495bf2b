"""Corrections as data, applied by place."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.board.correct import (
    AddBoard,
    Correction,
    MergeBoards,
    MoveCorner,
    RemoveBoard,
    RenameBoard,
    SetShowFace,
    SplitBoard,
    SwapEnds,
    apply_corrections,
    correction_from_data,
    correction_to_data,
)
from grainmatch.board.outline import BoardOutline, polygon_px
from grainmatch.errors import BoardError
from grainmatch.geometry import plane_to_pixels
from grainmatch.model import Bench, Photo
from grainmatch.synth import aim_camera
from tests.board.scenes import SIZE, bench_of


@pytest.fixture(scope="module")
def bench() -> Bench:
    photo = Photo("blank.jpg", np.zeros((SIZE[1], SIZE[0], 3), np.uint8))
    return bench_of(photo, aim_camera(size_px=SIZE, eye_mm=(20, 300, 1500)))


def board_at(bench: Bench, x: float, y: float, length: float = 900.0, width: float = 120.0) -> BoardOutline:
    u = np.linspace(x, x + length, 9)
    upper, lower = np.column_stack([u, 0 * u + y]), np.column_stack([u, 0 * u + y + width])
    return BoardOutline(upper, lower, polygon_px(bench, upper, lower), (0.1, 0.2, 0.3, 0.4))


def place(bench: Bench, x: float, y: float) -> tuple[float, float]:
    p = plane_to_pixels(bench.camera, np.array([[x, y]]), bench.face_height_mm)[0]
    return float(p[0]), float(p[1])


def two(bench: Bench, shift: float = 0.0) -> list[BoardOutline]:
    return [board_at(bench, -450 + shift, -150 + shift), board_at(bench, -440 + shift, 20 + shift)]


def test_a_moved_corner_lands_where_it_was_put(bench: Bench) -> None:
    near, to = place(bench, -448, -151), place(bench, -460, -140)
    done = apply_corrections(bench, two(bench), [MoveCorner(near, to)])
    np.testing.assert_allclose(done.boards[0].outline.outline_px[0], to, atol=1e-6)
    np.testing.assert_allclose(done.boards[0].outline.upper_mm[-1], [450, -150], atol=1e-9)


def test_corrections_hold_when_the_photo_is_measured_again(bench: Bench) -> None:
    """A second measuring finds things a millimetre off and in another order."""
    fixes: list[Correction] = [
        RenameBoard(place(bench, 0, -90), "cherry 7"),
        SetShowFace(place(bench, 0, 80), "B"),
        MoveCorner(place(bench, -450, -150), place(bench, -470, -150)),
    ]
    first = apply_corrections(bench, two(bench), fixes)
    second = apply_corrections(bench, two(bench, shift=1.0)[::-1], fixes)
    assert [b.id for b in first.boards] == ["cherry 7", None]
    assert [b.id for b in second.boards] == [None, "cherry 7"]
    assert [b.side for b in second.boards] == ["B", None]
    np.testing.assert_allclose(
        first.boards[0].outline.upper_mm[0], second.boards[1].outline.upper_mm[0], atol=1.5
    )


def test_add_and_remove(bench: Bench) -> None:
    corners = tuple(place(bench, x, y) for x, y in ((-300, 250), (300, 250), (300, 330), (-300, 330)))
    assert len(corners) == 4
    done = apply_corrections(
        bench,
        two(bench),
        [AddBoard((corners[0], corners[1], corners[2], corners[3])), RemoveBoard(place(bench, 0, -90))],
    )
    assert len(done.boards) == 2
    np.testing.assert_allclose(done.boards[1].outline.upper_mm, [[-300, 250], [300, 250]], atol=1e-6)


def test_split_and_merge_undo_each_other(bench: Bench) -> None:
    middle = place(bench, 0, -90)
    for line in (((-440.0, -90.0), (440.0, -80.0)), ((20.0, -140.0), (10.0, -40.0))):
        cut = SplitBoard(middle, place(bench, *line[0]), place(bench, *line[1]))
        parts = apply_corrections(bench, two(bench), [cut])
        assert len(parts.boards) == 3
        inside = [tuple(float(v) for v in b.outline.outline_px.mean(axis=0)) for b in parts.boards[:2]]
        merge = MergeBoards(tuple((p[0], p[1]) for p in inside))
        again = apply_corrections(bench, two(bench), [cut, merge])
        assert len(again.boards) == 2
        np.testing.assert_allclose(
            again.boards[0].outline.upper_mm[[0, -1]], two(bench)[0].upper_mm[[0, -1]], atol=1e-6
        )


def test_swapping_ends_twice_changes_nothing(bench: Bench) -> None:
    swap = SwapEnds(place(bench, 0, -90))
    once = apply_corrections(bench, two(bench), [swap]).boards[0].outline
    np.testing.assert_allclose(once.upper_mm[0], two(bench)[0].lower_mm[-1])
    twice = apply_corrections(bench, two(bench), [swap, swap]).boards[0].outline
    np.testing.assert_allclose(twice.upper_mm, two(bench)[0].upper_mm)
    assert twice.sigma_mm == two(bench)[0].sigma_mm


def test_a_correction_with_nothing_to_act_on_is_handed_back(bench: Bench) -> None:
    lost = RemoveBoard((3.0, 3.0))
    done = apply_corrections(bench, two(bench), [lost])
    assert done.unused == (lost,)
    assert len(done.boards) == 2


def test_a_cut_beside_the_board_is_refused(bench: Bench) -> None:
    miss = SplitBoard(place(bench, 0, -90), place(bench, -440, 300), place(bench, 440, 300))
    with pytest.raises(BoardError):
        apply_corrections(bench, two(bench), [miss])


coordinate = st.floats(-5000, 5000, allow_nan=False)
spot = st.tuples(coordinate, coordinate)


@given(
    st.one_of(
        st.builds(MoveCorner, spot, spot),
        st.builds(AddBoard, st.tuples(spot, spot, spot, spot)),
        st.builds(SplitBoard, spot, spot, spot),
        st.builds(MergeBoards, st.lists(spot, min_size=2, max_size=4).map(tuple)),
        st.builds(RenameBoard, spot, st.text(max_size=12)),
        st.builds(SetShowFace, spot, st.sampled_from(["A", "B"])),
    )
)
def test_corrections_survive_a_json_file(correction: Correction) -> None:
    assert correction_from_data(json.loads(json.dumps(correction_to_data(correction)))) == correction


def test_a_broken_saved_correction_is_named() -> None:
    with pytest.raises(BoardError):
        correction_from_data({"kind": "Explode", "at_px": [1, 2]})
