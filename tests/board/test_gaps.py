"""A gap taken for wood is told from boards that touch by the shade in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grainmatch.board.backdrop import Backdrop, fit_backdrop
from grainmatch.board.frame import Frame
from grainmatch.board.gaps import is_gap, part_across_gaps
from grainmatch.board.outline import TOUCHES, BoardOutline, Rough, polygon_px, refine_outline
from grainmatch.board.shade import is_bench_coloured, past_dark
from grainmatch.geometry import pixels_to_plane, polygon_mask
from grainmatch.model import Bench
from grainmatch.synth import BoardPlace, SynthScene, aim_camera, draw_scene, grow_board
from tests.board.scenes import THICK_MM, bench_of_scene

LENGTH_MM, WIDTH_MM, GAP_MM = 700.0, 110.0, 9.0


@pytest.fixture(scope="module")
def scene() -> SynthScene:
    """A pale board above a darker one, whose gap a slanted view fills with the pale one's side.

    Not above walnut: that is as dark as the gap's bottom, and no light tells where it begins.
    """
    boards = [
        grow_board(seed=3 + n, length_mm=LENGTH_MM, width_mm=WIDTH_MM, thickness_mm=THICK_MM, species=wood)
        for n, wood in enumerate(("maple", "oak"))
    ]
    y = (WIDTH_MM + GAP_MM) / 2
    size = (1000, 750)
    return draw_scene(
        boards,
        camera=aim_camera(size_px=size, eye_mm=(0.0, 600.0, 900.0)),
        places=[BoardPlace((0.0, -y)), BoardPlace((0.0, y))],
        size_px=size,
    )


def _board(bench: Bench, top_mm: float, bottom_mm: float) -> BoardOutline:
    x = np.linspace(-LENGTH_MM / 2, LENGTH_MM / 2, 33)
    upper, lower = (np.column_stack([x, np.full(33, y)]) for y in (top_mm, bottom_mm))
    return BoardOutline(upper, lower, polygon_px(bench, upper, lower))


def _rough(top_mm: float, bottom_mm: float, touching: tuple[bool, bool]) -> Rough:
    upper, lower = (np.array([0.0, 0.0, y]) for y in (top_mm, bottom_mm))
    left, right = (np.array([0.0, u]) for u in (-LENGTH_MM / 2, LENGTH_MM / 2))
    return Rough(Frame(np.zeros(2), 0.0), upper, lower, left, right, touching=touching)


def test_a_side_in_shade_between_two_edges_is_a_gap_and_wood_is_none(scene: SynthScene) -> None:
    bench, backdrop = bench_of_scene(scene), fit_backdrop(scene.photo.rgb, ())
    top, half = -WIDTH_MM - GAP_MM / 2, GAP_MM / 2
    assert is_gap(bench, backdrop, _board(bench, top, -half), _board(bench, half, -top))
    assert not is_gap(bench, backdrop, _board(bench, top, -half - 30), _board(bench, -half - 15, -top))
    assert not is_gap(bench, backdrop, _board(bench, top, half - 1), _board(bench, half, -top))


def test_a_side_as_light_as_the_face_is_in_shade_beside_a_rim_of_sapwood(scene: SynthScene) -> None:
    bench = bench_of_scene(scene)
    top, half, rim_mm = -WIDTH_MM - GAP_MM / 2, GAP_MM / 2, 4.5
    heartwood = _board(bench, top, -half - rim_mm)
    rgb = scene.photo.rgb.copy()
    inside = polygon_mask(heartwood.outline_px, rgb.shape[:2])
    rgb[inside] = (rgb[inside] * 0.55).astype(np.uint8)  # about a fourth of the light
    darkened = replace(bench, photo=replace(scene.photo, rgb=rgb))
    backdrop = fit_backdrop(rgb, ())
    assert is_gap(darkened, backdrop, _board(bench, top, -half), _board(bench, half, -top))
    assert not is_gap(darkened, backdrop, _board(bench, top, -half - 30), _board(bench, -half - 15, -top))


def test_a_side_of_sapwood_in_shade_is_told_beside_heartwood_and_sapwood_in_light_is_none(
    scene: SynthScene,
) -> None:
    bench = bench_of_scene(scene)
    top, half, rim_mm = -WIDTH_MM - GAP_MM / 2, GAP_MM / 2, 15.0

    def redden(bottom_mm: float) -> tuple[Bench, Backdrop]:
        rgb = scene.photo.rgb.copy()
        inside = polygon_mask(_board(bench, top, bottom_mm).outline_px, rgb.shape[:2])
        rgb[inside] = (rgb[inside] * np.array([1.0, 0.75, 0.62])).astype(np.uint8)
        return replace(bench, photo=replace(scene.photo, rgb=rgb)), fit_backdrop(rgb, ())

    # In all colours together the side is as light as the face, in red it is not.
    below = _board(bench, half, -top)
    assert is_gap(*redden(-half), _board(bench, top, -half), below)
    lit = _board(bench, top, -half - rim_mm), _board(bench, -half - 1, -top)
    assert not is_gap(*redden(-half - rim_mm), *lit)


def test_the_bench_seen_in_shade_beside_a_board_as_dark_is_a_gap_too() -> None:
    gap_mm, size = 14.0, (700, 525)
    y = (WIDTH_MM + gap_mm) / 2
    boards = [grow_board(seed=n, length_mm=LENGTH_MM, width_mm=WIDTH_MM, species="walnut") for n in (3, 4)]
    camera = aim_camera(size_px=size, eye_mm=(0.0, 0.0, 1100.0))
    places = [BoardPlace((0.0, -y)), BoardPlace((0.0, y))]
    scene = draw_scene(boards, camera=camera, places=places, bench="concrete", size_px=size)
    bench, backdrop = bench_of_scene(scene), fit_backdrop(scene.photo.rgb, ())
    half, far = gap_mm / 2, WIDTH_MM + gap_mm / 2
    assert is_gap(bench, backdrop, _board(bench, -far, -half), _board(bench, half, far))
    assert not is_gap(bench, backdrop, _board(bench, -far, -half - 30), _board(bench, -half - 15, far))


@pytest.mark.parametrize("hairline", [False, True], ids=["no hairline seen", "one seen by both"])
def test_boards_that_only_seemed_to_touch_get_their_own_edges(scene: SynthScene, hairline: bool) -> None:
    bench = bench_of_scene(scene)
    backdrop = fit_backdrop(scene.photo.rgb, ())
    top, half = -WIDTH_MM - GAP_MM / 2, GAP_MM / 2
    # The seam was seen at the gap's far side.
    rough = [_rough(top, half, (False, True)), _rough(half, -top, (True, False))]
    outlines = [refine_outline(bench, backdrop, each) for each in rough]
    if hairline:  # the gap's far side may look like one
        names = ("lower", "upper")
        outlines = [
            replace(o, notes=(TOUCHES.format(name),)) for o, name in zip(outlines, names, strict=True)
        ]
    apart, (above, below) = part_across_gaps(bench, backdrop, rough, outlines)
    assert [each.touching for each in apart] == [(False, False)] * 2
    for outline, truth_px in zip((above, below), scene.outlines_px, strict=True):
        truth = pixels_to_plane(bench.camera, truth_px, THICK_MM)
        found = np.array([outline.upper_mm[[0, -1]], outline.lower_mm[[0, -1]]])[..., 1]
        low, high = np.sort(truth[:, 1])[[0, -1]]
        assert found[0] == pytest.approx(low, abs=0.5)
        assert found[1] == pytest.approx(high, abs=0.5)


def test_a_rim_of_the_next_board_and_a_sheet_do_not_hide_the_dark_beside_a_piece() -> None:
    light = np.full((90, 24), -0.5, np.float32)
    light[3:20] -= 0.6  # a side in shade, past two rows of the board above
    known = np.ones(light.shape, dtype=bool)
    light[40:88, 12:] = 0.5  # white paper over most of a column
    known[40:88, 12:] = False
    solid = np.ones_like(known)
    inside = solid.copy()
    inside[0] = False  # the separator
    piece = past_dark(light, inside, solid, known, rows_per_mm=1.5, most_rows=30)
    assert piece.argmax(axis=0) == pytest.approx(20, abs=1)
    solid[0] = False  # bench: what begins there is the piece's own wood, whatever follows
    piece = past_dark(light, inside, solid, known, rows_per_mm=1.5, most_rows=30)
    assert piece.argmax(axis=0) == pytest.approx(1)


def test_bench_beyond_an_end_is_told_in_shade_too_and_wood_is_none() -> None:
    size = (700, 525)
    camera = aim_camera(size_px=size, eye_mm=(0.0, 0.0, 1100.0))
    board = grow_board(seed=4, length_mm=LENGTH_MM, width_mm=WIDTH_MM, species="cherry")
    scene = draw_scene([board], camera=camera, places=[BoardPlace((0.0, 0.0))], bench="green", size_px=size)
    rgb = scene.photo.rgb.copy()
    right_px = int(scene.outlines_px[0][:, 0].max()) + 3
    rgb[:, right_px:] = (rgb[:, right_px:] * 0.6).astype(np.uint8)  # a third of the light
    bench = bench_of_scene(replace(scene, photo=replace(scene.photo, rgb=rgb)))
    out_mm = np.array([*np.arange(-60.0, -8.0, 4.0), *np.arange(12.0, 50.0, 4.0)])
    u, v = np.meshgrid(LENGTH_MM / 2 + out_mm, np.linspace(-40.0, 40.0, 9))
    told = is_bench_coloured(bench, fit_backdrop(rgb), np.dstack([u, v]))
    assert not told[:, out_mm < 0].any()
    assert told[:, out_mm > 0].all()


def test_a_rim_of_the_next_board_above_a_wide_gap_is_cut_off() -> None:
    light = np.full((90, 24), -0.5, np.float32)
    solid, known = np.ones(light.shape, dtype=bool), np.ones(light.shape, dtype=bool)
    for k in range(24):  # the gap widens past all that a side and a shadow may darken
        solid[6 : 8 + 2 * k, k] = False
        light[6 : 8 + 2 * k, k] = -1.6
    piece = past_dark(light, solid, solid, known, rows_per_mm=1.5, most_rows=20)
    assert piece.argmax(axis=0) == pytest.approx(8 + 2 * np.arange(24), abs=1)


def test_wood_that_darkens_little_by_little_towards_its_edge_is_not_taken_for_shade() -> None:
    light = np.full((90, 24), -0.5, np.float32)
    light[:30] -= np.linspace(0.5, 0.0, 30, dtype=np.float32)[:, None]
    wood = np.ones(light.shape, dtype=bool)
    piece = past_dark(light, wood, wood, wood, rows_per_mm=1.5, most_rows=45)
    assert piece.all()


def test_heartwood_beside_paler_sapwood_is_not_taken_for_shade() -> None:
    light = np.full((90, 24), -0.5, np.float32)
    light[:40] -= 0.9
    wood = np.ones(light.shape, dtype=bool)
    piece = past_dark(light, wood, wood, wood, rows_per_mm=1.5, most_rows=30)
    assert piece.all()
    shade = past_dark(light, wood, wood, wood, rows_per_mm=1.5, most_rows=45)
    assert shade.argmax(axis=0) == pytest.approx(40, abs=1)
