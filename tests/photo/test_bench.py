"""Photo -> Bench -> flat, evenly lit faces, on drawn scenes whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from skimage.color import deltaE_ciede2000

from grainmatch.colour import linear_to_lab, linear_to_srgb, srgb_to_linear
from grainmatch.errors import PhotoError, UsageError
from grainmatch.geometry import Points, pixels_to_plane, plane_to_pixels, polygon_mask
from grainmatch.model import Bench, Photo
from grainmatch.photo.edges import trace_boards
from grainmatch.photo.evenness import even_light
from grainmatch.photo.light import apply_gain
from grainmatch.photo.paper import find_paper
from grainmatch.photo.pose import (
    KnownBoard,
    KnownPaper,
    carry_points,
    check_sheet_place,
    fit_bench,
    fit_bench_from_board,
    guess_bench,
    refine_with_boards,
)
from grainmatch.photo.rectify import frame_face, rectify_face
from grainmatch.photo.sheet import PAPER_MM
from grainmatch.photo.square import rectangle_corners
from grainmatch.pipeline.measure import read_bench_photo
from grainmatch.synth import SheetPlace, SynthScene, aim_camera, draw_scene, grow_board

THICK_MM = 27.0
SIZE = (1600, 1200)


def boards() -> list:  # type: ignore[type-arg]
    return [
        grow_board(seed=s, length_mm=1500 + 40 * s, width_mm=120 + 15 * s, thickness_mm=THICK_MM)
        for s in range(3)
    ]


@pytest.fixture(scope="module")
def scene() -> SynthScene:
    """Three cherry boards, the sheet beside them on the bench; tests add light and noise."""
    camera = aim_camera(size_px=SIZE, eye_mm=(60, 250, 1600), roll_deg=1.5, hfov_deg=66)
    sheet = SheetPlace((-260, 400), 8)
    return draw_scene(boards(), camera=camera, size_px=SIZE, sheet=sheet, gap_mm=15, noise=0.0, seed=3)


@pytest.fixture(scope="module")
def bench(scene: SynthScene) -> Bench:
    """Its bench, fitted to the sheet."""
    return fit_bench(scene.photo, thickness_mm=THICK_MM)


def sizes_mm(bench: Bench, outline_px: Points) -> Points:
    """Lengths of upper and lower edge and widths of both ends, from an outline's four corners."""
    flat = pixels_to_plane(bench.camera, rectangle_corners(outline_px), bench.face_height_mm)
    return np.asarray(np.hypot(*(flat[[1, 2, 3, 2]] - flat[[0, 3, 0, 1]]).T))


def true_sizes_mm(board) -> Points:  # type: ignore[no-untyped-def]
    end = board.end_width_mm or board.width_mm
    return np.array([board.length_mm, board.length_mm, board.width_mm, end])


def test_sizes_from_true_outlines(scene: SynthScene) -> None:
    photo = replace(scene.photo, focal_px=scene.camera.focal_px * 1.01)  # as rounded EXIF is
    bench = fit_bench(photo, thickness_mm=THICK_MM)
    refined = refine_with_boards(bench, scene.outlines_px)
    for board, outline in zip(scene.boards, scene.outlines_px, strict=True):
        true = true_sizes_mm(board)
        first, second = sizes_mm(bench, outline), sizes_mm(refined, outline)
        assert np.abs(first[:2] / true[:2] - 1).max() < 0.003
        assert np.abs(second[:2] / true[:2] - 1).max() < 0.001
        assert np.abs(second[2:] - true[2:]).max() < 0.4
        assert abs(second[0] / true[0] - 1) < 2.5 * refined.scale_sigma_frac
    assert refined.scale_sigma_frac <= bench.scale_sigma_frac
    across = np.array([[-50, 0], [50, 0]]) + np.array(SIZE) / 2
    a, b = pixels_to_plane(bench.camera, across, THICK_MM)
    assert bench.px_per_mm == pytest.approx(100 / np.hypot(*(b - a)), rel=0.01)


def test_boards_that_touch_are_traced_as_one_wide_board(scene: SynthScene, bench: Bench) -> None:
    apart = trace_boards(bench, scene.outlines_px)
    assert len(apart) == 3
    assert apart.told.all()
    flat = [pixels_to_plane(bench.camera, o, THICK_MM) for o in scene.outlines_px]
    close = [plane_to_pixels(bench.camera, f - (0, 14.0 * n), THICK_MM) for n, f in enumerate(flat)]
    assert len(trace_boards(bench, close)) == 1
    # Where an outline starts and which way it runs round changes nothing.
    turned = [np.roll(o[::-1], 7, axis=0) for o in scene.outlines_px]
    again = trace_boards(bench, turned)
    assert again.traced_px == pytest.approx(apart.traced_px, abs=0.5)


def test_points_carried_to_a_refined_bench_stay_on_the_same_wood(scene: SynthScene, bench: Bench) -> None:
    refined = refine_with_boards(bench, scene.outlines_px)
    places = np.array([[0.0, 0], [300, -100]])
    carried = carry_points(bench, refined, places)
    assert plane_to_pixels(refined.camera, carried, THICK_MM) == pytest.approx(
        plane_to_pixels(bench.camera, places, THICK_MM), abs=1e-6
    )


def test_the_face_is_laid_flat_where_it_is(scene: SynthScene, bench: Bench) -> None:
    outline = scene.outlines_px[1]
    face = rectify_face(bench, outline)
    board = scene.boards[1]
    assert face.rgb.shape[:2] == face.inside.shape
    assert face.rgb.shape[1] / face.px_per_mm == pytest.approx(board.length_mm, rel=0.004)
    assert face.inside.mean() > 0.97
    # The same picture twice as fine agrees with this one shrunk: nothing moves with the scale.
    fine = rectify_face(bench, outline, px_per_mm=2 * face.px_per_mm, frame=face.frame)
    small = cv2.resize(fine.rgb, face.rgb.shape[1::-1], interpolation=cv2.INTER_AREA)
    inner = cv2.erode(face.inside.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
    assert np.abs(small[inner].astype(float) - face.rgb[inner]).mean() < 2.5
    # A marked place in the photo appears at its own millimetres.
    at_mm = np.array([[400.0, 60.0]])
    at_px = plane_to_pixels(bench.camera, face.frame.to_bench(at_mm), THICK_MM)[0]
    rgb = scene.photo.rgb.copy()
    cv2.circle(rgb, tuple(np.rint((at_px - 0.5) * 16).astype(int)), 4 * 16, (0, 0, 255), -1, cv2.LINE_AA, 4)
    marked = rectify_face(replace(bench, photo=replace(scene.photo, rgb=rgb)), outline, frame=face.frame)
    blue = marked.rgb[..., 2].astype(float) - face.rgb[..., 2]
    y, x = np.nonzero(blue > 60)
    assert (x.mean() + 0.5) / face.px_per_mm == pytest.approx(400, abs=0.6)
    assert (y.mean() + 0.5) / face.px_per_mm == pytest.approx(60, abs=0.6)


def test_the_frame_runs_along_the_board_and_there_and_back(scene: SynthScene, bench: Bench) -> None:
    frame = frame_face(bench, scene.outlines_px[0])
    places = np.array([[0.0, 0], [500, 60], [1500, 120]])
    assert frame.from_bench(frame.to_bench(places)) == pytest.approx(places, abs=1e-9)
    assert abs(frame.angle_rad) < np.radians(3)
    upright = frame_face(bench, np.array([[700.0, 300], [760, 300], [760, 900], [700, 900]]))
    assert abs(abs(upright.angle_rad) - np.pi / 2) < np.radians(4)


def relit(
    scene: SynthScene, lamp_mm: tuple[float, float, float], lamp: tuple[float, ...], around: tuple[float, ...]
) -> Photo:
    """The scene's photo in the light of one lamp over the plane and of its surroundings, with noise."""
    height, width = scene.photo.rgb.shape[:2]
    x, y = np.meshgrid(np.arange(0, width + 8, 8), np.arange(0, height + 8, 8))
    places = pixels_to_plane(scene.camera, np.column_stack([x.ravel(), y.ravel()]), THICK_MM)
    away = np.hypot(np.hypot(*(places - lamp_mm[:2]).T), lamp_mm[2])
    falloff = (lamp_mm[2] / away) ** 3
    light = np.array(around) + falloff[:, None] * np.array(lamp)
    field = cv2.resize(light.reshape(*x.shape, 3).astype(np.float32), None, fx=8, fy=8)[:height, :width]
    linear = srgb_to_linear(scene.photo.rgb) * field
    linear *= 0.8 / np.percentile(linear.max(axis=2), 99.5)
    noisy = linear_to_srgb(linear) + np.random.default_rng(1).normal(0, 1.5, linear.shape)
    return replace(scene.photo, rgb=np.clip(np.rint(noisy), 0, 255).astype(np.uint8))


def board_labs(bench: Bench, scene: SynthScene) -> NDArray[np.float64]:
    labs = []
    for outline in scene.outlines_px:
        face = rectify_face(bench, outline)
        labs.append(linear_to_lab(srgb_to_linear(face.rgb)[face.inside].mean(axis=0).astype(np.float64)))
    return np.array(labs)


def test_warm_side_light_and_cool_top_light_read_the_same_colours(scene: SynthScene) -> None:
    """Aim: median CIEDE2000 at most 0.7, worst 1.2 (differences by scikit-image)."""
    warm = relit(scene, (-1900, 300, 1500), (1.0, 0.82, 0.6), (0.25, 0.24, 0.23))
    cool = relit(scene, (200, -200, 2400), (0.9, 1.0, 1.08), (0.3, 0.32, 0.36))
    by_sheet, by_field = [], []
    for photo in (warm, cool):
        bench = fit_bench(photo, thickness_mm=THICK_MM)
        by_sheet.append(board_labs(bench, scene))
        by_field.append(board_labs(even_light(bench, scene.outlines_px), scene))
    differ, differ_by_sheet = (
        np.asarray(deltaE_ciede2000(*labs))  # type: ignore[no-untyped-call]
        for labs in (by_field, by_sheet)
    )
    assert np.median(differ) <= 0.7
    assert differ.max() <= 1.2
    assert differ.max() < 0.4 * differ_by_sheet.max()


def test_even_light_within_a_board(scene: SynthScene) -> None:
    """Under a lamp to one side both ends of a board come out alike, as they are in neutral light."""
    outline = scene.outlines_px[0]

    def ends(photo: Photo, even: Callable[[Bench], Bench]) -> NDArray[np.float64]:
        face = rectify_face(even(fit_bench(photo, thickness_mm=THICK_MM)), outline)
        thirds = np.array_split(srgb_to_linear(face.rgb), 3, axis=1)
        return np.array([linear_to_lab(t.mean(axis=(0, 1)).astype(np.float64)) for t in thirds])

    def even(bench: Bench) -> Bench:
        return even_light(bench, scene.outlines_px)

    side = relit(scene, (1700, 0, 1200), (1.0, 0.9, 0.75), (0.3, 0.3, 0.3))
    neutral, raw, evened = ends(scene.photo, lambda b: b), ends(side, lambda b: b), ends(side, even)
    drift_raw = np.ptp(raw - neutral, axis=0)[0]
    drift = np.ptp(evened - neutral, axis=0)[0]
    assert drift_raw > 8
    assert drift < 1.5


def test_what_boards_mirror_is_taken_off_and_matt_boards_are_left_alone(scene: SynthScene) -> None:
    """Colourless light on top of the boards' own (dichromatic model, Shafer 1985), from end to end."""
    plain = relit(scene, (-1900, 300, 1800), (1.0, 0.92, 0.8), (0.5, 0.48, 0.44))
    height, width = plain.rgb.shape[:2]
    boards = np.zeros((height, width), dtype=bool)
    for outline in scene.outlines_px:
        boards |= polygon_mask(outline, (height, width))
    mirrored = (np.linspace(0.12, 0.0, width) ** 2 / 0.12 * boards)[..., None] * (0.8, 0.72, 0.62)
    glossy = replace(plain, rgb=linear_to_srgb(srgb_to_linear(plain.rgb) + mirrored))
    bench = fit_bench(glossy, thickness_mm=THICK_MM)
    even = even_light(bench, scene.outlines_px)
    matt = even_light(fit_bench(plain, thickness_mm=THICK_MM), scene.outlines_px)
    assert matt.light.shine is None
    assert even.light.shine is not None
    assert 0.03 < float(even.light.shine.max()) < 0.3
    off = [
        np.asarray(deltaE_ciede2000(board_labs(b, scene), board_labs(matt, scene)))  # type: ignore[no-untyped-call]
        for b in (replace(even, light=replace(even.light, shine=None)), even)
    ]
    assert off[1].max() < 1.2
    assert off[1].max() < 0.5 * off[0].max()


def test_shine_is_taken_off_in_linear_light_and_never_below_black() -> None:
    rgb = np.array([[[200, 100, 10]]], dtype=np.uint8)
    lit = apply_gain(rgb, np.full(3, 1.5, np.float32), np.full((1, 1), 0.05, np.float32))
    expected = linear_to_srgb(np.maximum(srgb_to_linear(rgb) * 1.5 - 0.05, 0))
    assert np.abs(lit.astype(int) - expected).max() <= 1


def test_gain_is_applied_in_linear_light() -> None:
    rgb = np.arange(256, dtype=np.uint8).repeat(3).reshape(1, 256, 3)
    assert np.array_equal(apply_gain(rgb, np.ones(3, np.float32)), rgb)
    half = apply_gain(rgb, np.full(3, 0.5, np.float32))
    assert np.abs(half.astype(int) - linear_to_srgb(srgb_to_linear(rgb) * 0.5)).max() <= 1


def paper_photo(scene: SynthScene) -> Photo:
    """The scene with its sheet blanked to plain paper."""
    bench = fit_bench(scene.photo, thickness_mm=THICK_MM)
    mask = polygon_mask(bench.sheet_outlines_px[0], scene.photo.rgb.shape[:2])
    rgb = scene.photo.rgb.copy()
    rgb[cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0] = 244
    noise = np.random.default_rng(0).normal(0, 1.5, rgb.shape)
    return replace(scene.photo, rgb=np.clip(rgb + noise, 0, 255).astype(np.uint8))


def test_a_plain_a4_sheet_gives_the_scale_within_its_sigma(scene: SynthScene) -> None:
    photo = paper_photo(scene)
    with pytest.raises(PhotoError, match="No reference sheet"):
        fit_bench(photo, thickness_mm=THICK_MM)
    bench = fit_bench(photo, thickness_mm=THICK_MM, known=KnownPaper("a4"))
    assert bench.scale_from == "a plain A4 sheet"
    for board, outline in zip(scene.boards, scene.outlines_px, strict=True):
        error = sizes_mm(bench, outline)[0] / board.length_mm - 1
        assert abs(error) < 0.012
        assert abs(error) < 2.5 * bench.scale_sigma_frac
    # A4 is 1.414 (ISO 216), Letter 1.294 (ANSI): taken for the other size it does not fit as well.
    assert find_paper(photo, PAPER_MM["a4"]) is not None
    assert bench.scale_sigma_frac > fit_bench(scene.photo, thickness_mm=THICK_MM).scale_sigma_frac


def test_one_typed_board_gives_the_scale(scene: SynthScene) -> None:
    first, second = scene.boards[0], scene.boards[2]
    guess = guess_bench(scene.photo, thickness_mm=THICK_MM)
    for known in (KnownBoard(length_mm=first.length_mm), KnownBoard(width_mm=first.width_mm)):
        bench = fit_bench_from_board(guess, scene.outlines_px, known)
        error = sizes_mm(bench, scene.outlines_px[2]) / true_sizes_mm(second) - 1
        assert np.abs(error).max() < 0.01
        assert np.abs(error[0]) < 3 * bench.scale_sigma_frac
        assert bench.scale_from == "a board's typed size"


def test_the_typed_board_keeps_its_size_when_outlines_are_seen_better(scene: SynthScene) -> None:
    """Found anew, in whatever order, the board at the same place gives the scale."""
    known = KnownBoard(length_mm=scene.boards[0].length_mm)
    rough = [o + (0, 6) * (o > o.mean(axis=0)) for o in scene.outlines_px]
    bench = fit_bench_from_board(guess_bench(scene.photo, thickness_mm=THICK_MM), rough, known)
    refined = refine_with_boards(bench, scene.outlines_px[::-1])
    again = fit_bench_from_board(bench, scene.outlines_px, known)
    for outline in scene.outlines_px:
        assert sizes_mm(refined, outline) == pytest.approx(sizes_mm(again, outline), rel=1e-5)
    assert sizes_mm(refined, scene.outlines_px[0])[0] == pytest.approx(scene.boards[0].length_mm, abs=1)


@pytest.mark.parametrize(
    "known",
    [
        KnownBoard(length_mm=1.0),  # metres typed as millimetres
        KnownBoard(length_mm=100_000.0),
        KnownBoard(width_mm=3_000.0),  # a length typed as the width
        KnownBoard(length_mm=1e-9),
    ],
)
def test_a_typed_size_that_no_board_in_the_photo_can_have_is_refused(
    scene: SynthScene, known: KnownBoard
) -> None:
    guess = guess_bench(scene.photo, thickness_mm=THICK_MM)
    with pytest.raises(UsageError, match="By the typed size"):
        fit_bench_from_board(guess, scene.outlines_px, known)


def test_a_typed_size_gives_no_scale_where_it_does_not_show(tmp_path: Path) -> None:
    """Neither from the ends of boards, nor a length from a part of them; a width is seen in a part too."""
    words = {}
    for name in ("left_ends.png", "pile_part1.png"):
        Image.new("RGB", (320, 240), (90, 90, 90)).save(tmp_path / name)
        for known in (KnownBoard(length_mm=1900.0), KnownBoard(width_mm=140.0)):
            reading = read_bench_photo(tmp_path / name, thickness_mm=THICK_MM, known=known)
            assert reading.failure is not None
            words[name, known.length_mm is None] = reading.failure.message
    assert all("from its end" in words["left_ends.png", by_width] for by_width in (False, True))
    assert "does not show its length" in words["pile_part1.png", False]
    assert words["pile_part1.png", True].startswith("No boards were found")


def test_a_guess_says_that_it_is_one(scene: SynthScene) -> None:
    bench = guess_bench(scene.photo, thickness_mm=THICK_MM)
    assert bench.scale_sigma_frac == 1.0
    assert sizes_mm(bench, scene.outlines_px[0])[0] == pytest.approx(scene.boards[0].length_mm, rel=0.4)


def test_a_sheet_said_to_lie_elsewhere_is_noticed(scene: SynthScene, bench: Bench) -> None:
    assert check_sheet_place(bench, scene.outlines_px) == ()
    wrong = fit_bench(scene.photo, thickness_mm=THICK_MM, sheet_on="boards")
    assert "on the bench" in check_sheet_place(wrong, scene.outlines_px)[0]
    around = bench.sheet_outlines_px[0]
    middle = around.mean(axis=0)
    assert "on the boards" in check_sheet_place(bench, [middle + (around - middle) * 1.5])[0]


def test_the_sheet_on_the_boards_lies_in_their_plane(scene: SynthScene) -> None:
    """The same sheet said to lie on the boards: the camera is then nearer the faces by the thickness."""
    on_bench = fit_bench(scene.photo, thickness_mm=THICK_MM)
    on_boards = fit_bench(scene.photo, thickness_mm=THICK_MM, sheet_on="boards")
    ratio = sizes_mm(on_boards, scene.outlines_px[1])[0] / sizes_mm(on_bench, scene.outlines_px[1])[0]
    height = float((on_bench.camera.rotation.T @ on_bench.camera.translation_mm)[2])
    assert ratio == pytest.approx(height / (height - THICK_MM), rel=2e-3)


@pytest.mark.parametrize("thickness_mm", [0.0, -5.0, 1000.0, float("nan")])
def test_impossible_thickness(scene: SynthScene, thickness_mm: float) -> None:
    with pytest.raises(UsageError, match="thickness"):
        fit_bench(scene.photo, thickness_mm=thickness_mm)


def test_unusable_known_sizes() -> None:
    with pytest.raises(UsageError):
        KnownPaper("a3")
    with pytest.raises(UsageError):
        KnownBoard()
    with pytest.raises(UsageError):
        KnownBoard(length_mm=-3)


def test_overexposed_wood_is_told(scene: SynthScene, bench: Bench) -> None:
    assert not any("overexposed" in w for w in even_light(bench, scene.outlines_px).warnings)
    bright = np.clip(scene.photo.rgb.astype(float) * 1.35, 0, 255).astype(np.uint8)
    blown = replace(bench, photo=replace(scene.photo, rgb=bright))
    assert any("overexposed" in w for w in even_light(blown, scene.outlines_px).warnings)


def test_a_sheet_that_does_not_lie_flat_is_told(scene: SynthScene, bench: Bench) -> None:
    """Half the sheet lifted by 6 mm: the fit bends the sheet rather than the boards, and says so."""
    (sheet,) = bench.sheets
    assert not any("sheet" in w.lower() for w in refine_with_boards(bench, scene.outlines_px).warnings)
    flat = pixels_to_plane(scene.camera, sheet.corners_px, 0.0)
    lift = 6 * np.clip((sheet.corners_mm[:, 0] - 148) / 100, 0, 1)
    raised = np.array([plane_to_pixels(scene.camera, p[None], h)[0] for p, h in zip(flat, lift, strict=True)])
    bent = replace(bench, sheets=(replace(sheet, corners_px=raised),))
    refined = refine_with_boards(bent, scene.outlines_px)
    assert any("sheet" in w.lower() for w in refined.warnings)
    for board, outline in zip(scene.boards, scene.outlines_px, strict=True):
        assert sizes_mm(refined, outline)[0] == pytest.approx(board.length_mm, rel=0.004)
