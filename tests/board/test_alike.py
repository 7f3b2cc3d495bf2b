"""Boards of the bench's own colour are told of, and nothing is told where there are none."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.board.alike import doubt_alike, keep_sure
from grainmatch.board.backdrop import fit_backdrop
from grainmatch.board.doubts import ALIKE, MAY_BE_MORE, tell_doubts
from grainmatch.board.endlines import LEAST_END_MM, find_end_lines, map_along
from grainmatch.board.segment import find_boards
from grainmatch.geometry import Points, plane_to_pixels
from grainmatch.model import Bench, Photo
from grainmatch.pipeline.measure import find_straight
from grainmatch.synth import BoardPlace, SheetPlace, SynthScene, aim_camera, draw_scene, grow_board
from tests.board.scenes import THICK_MM, bench_of, bench_of_scene, overlap

SIZE, LARGE = (1200, 900), (2000, 1500)
DOWN = np.array([0.0, 90.0])
CAMERA = aim_camera(size_px=SIZE, eye_mm=(0, 60, 1400), target_mm=(0, 0), roll_deg=2.0, hfov_deg=66.0)
GRAIN_PX, NO_GRAIN_PX = 60.0, 1.2
WOOD, GREY, PALE = (150, 110, 75), (112, 112, 112), (225, 205, 170)
PALE_MM = np.array([[-500.0, -300], [500, -300], [500, -170], [-500, -170]])
ALIKE_MM = np.array([[-470.0, 60], [520, 60], [520, 180], [-470, 180]])


def streaks(seed: int, colour: tuple[int, int, int], long_px: float) -> NDArray[np.float32]:
    """Streaks of one colour across the whole picture, a little askew."""
    noise = np.random.default_rng(seed).normal(0, 1, (SIZE[1], SIZE[0])).astype(np.float32)
    along = np.asarray(cv2.GaussianBlur(noise, (0, 0), sigmaX=long_px, sigmaY=1.2))
    turn = cv2.getRotationMatrix2D((SIZE[0] / 2, SIZE[1] / 2), -2.0, 1.0)
    turned = np.asarray(cv2.warpAffine(along, turn, SIZE, borderMode=cv2.BORDER_REFLECT))
    return np.asarray((1 + 0.07 * turned / turned.std())[..., None] * np.array(colour, np.float32))


def bench_with(
    boards: list[tuple[Points, int, tuple[int, int, int]]], bench: tuple[int, int, int], long_px: float
) -> Photo:
    picture = streaks(0, bench, long_px)
    for corners_mm, seed, colour in boards:
        inside = np.zeros((SIZE[1], SIZE[0]), np.uint8)
        corners = np.rint(plane_to_pixels(CAMERA, corners_mm, THICK_MM)).astype(np.int32)
        cv2.fillPoly(inside, [corners], 1)
        picture[inside > 0] = streaks(seed, colour, GRAIN_PX)[inside > 0]
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.7))
    picture += np.random.default_rng(9).normal(0, 2, picture.shape)
    return Photo("bench", np.clip(np.rint(picture), 0, 255).astype(np.uint8))


@pytest.mark.parametrize(
    ("bench_colour", "grain_px", "with_alike", "told"),
    [
        (WOOD, GRAIN_PX, True, True),
        (WOOD, GRAIN_PX, False, False),
        (GREY, GRAIN_PX, True, True),  # as wood weathers
        (WOOD, NO_GRAIN_PX, True, False),
    ],
)
def test_a_board_that_only_its_ends_tell_is_told(
    bench_colour: tuple[int, int, int], grain_px: float, with_alike: bool, told: bool
) -> None:
    boards = [(PALE_MM, 1, PALE), *([(ALIKE_MM, 2, bench_colour)] if with_alike else [])]
    photo = bench_with(boards, bench_colour, grain_px)
    bench = bench_of(photo, CAMERA)
    backdrop = fit_backdrop(photo.rgb)
    found = find_boards(bench, backdrop=backdrop)
    assert len(found) == 1  # where the other's long edges run nobody can see
    assert (backdrop.grain > 0.5) == (grain_px == GRAIN_PX)
    doubted = doubt_alike(bench, backdrop, found)
    assert (MAY_BE_MORE in doubted[0].notes) == told
    assert any("bench's own colour" in words for words in tell_doubts(doubted)) == told
    ends = map_along(bench, backdrop, found)
    lines = find_end_lines(ends, found)
    if not with_alike:
        assert lines == []
    if not told:
        return
    # Both ends are where they were drawn, to the step they are looked for in and a cell of the coarse photo.
    seen = sorted(lines, key=lambda line: line.middle_u)
    for line, corners_mm in ((seen[0], ALIKE_MM[[0, 3]]), (seen[-1], ALIKE_MM[[1, 2]])):
        drawn = ends.frame.enter(corners_mm)
        assert np.allclose([[line.u0, line.v0], [line.u1, line.v1]], drawn, atol=8.0)
        assert line.height > LEAST_END_MM


@pytest.fixture(scope="module")
def oak_on_oak() -> tuple[SynthScene, Bench]:
    boards = [
        grow_board(seed=40 + s, length_mm=1300 + 22 * s, width_mm=110 + 20 * s, species="oak")
        for s in range(3)
    ]
    places = [BoardPlace((0.0, -140.0)), BoardPlace((-14.0, -19.7)), BoardPlace((10.0, 121.0), 0.3)]
    camera = aim_camera(size_px=LARGE, eye_mm=(0, 60, 1400), roll_deg=1.5, hfov_deg=66.0)
    scene = draw_scene(
        boards, camera=camera, places=places, sheet=SheetPlace((0, 330)), bench="wood", size_px=LARGE, seed=2
    )
    return scene, bench_of_scene(scene)


def test_boards_of_the_bench_s_colour_are_found_and_told_of(oak_on_oak: tuple[SynthScene, Bench]) -> None:
    scene, bench = oak_on_oak
    _, found = find_straight(bench)
    assert len(found) == 3
    for outline, true_px in zip(found, scene.outlines_px, strict=True):
        assert overlap(outline.outline_px, true_px) > 0.97
    assert any("hardly differ" in words for words in tell_doubts(found))


def test_boards_found_as_well_without_their_ends_stay_as_they_were(
    oak_on_oak: tuple[SynthScene, Bench],
) -> None:
    _, bench = oak_on_oak
    backdrop = fit_backdrop(bench.photo.rgb)
    _, found = find_straight(bench)
    sure = replace(found[0], confidence=1.0, notes=())
    wider = replace(sure, lower_mm=sure.lower_mm + np.array([0.0, 6.0]))
    elsewhere = replace(sure, upper_mm=sure.upper_mm + DOWN, lower_mm=sure.lower_mm + DOWN)
    kept = keep_sure(backdrop, [sure], [wider, elsewhere])
    assert kept[0] is sure
    assert kept[1].notes == (ALIKE,)
    assert keep_sure(backdrop, [replace(sure, confidence=0.5)], [wider])[0].notes == (ALIKE,)


def test_a_board_of_another_colour_is_not_said_to_look_like_the_bench() -> None:
    photo = bench_with([(PALE_MM, 1, PALE)], WOOD, GRAIN_PX)
    backdrop = fit_backdrop(photo.rgb)
    (pale,) = find_boards(bench_of(photo, CAMERA), backdrop=backdrop)
    doubted = replace(pale, confidence=0.5, notes=("left end runs out of the picture",))
    assert keep_sure(backdrop, [doubted], [pale]) == (pale,)
    assert keep_sure(backdrop, [], [doubted]) == (doubted,)
