"""The sheet against the boards' own right angles, on views whose camera, boards and sheet are known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR, linear_to_srgb
from grainmatch.geometry import Camera, Points, plane_to_pixels, project
from grainmatch.model import Bench, Light, Photo, Sheet
from grainmatch.photo.agreement import lay_shapes, tell_disagreement
from grainmatch.photo.camera import SHEET_OR_BOARDS, fit_camera
from grainmatch.photo.pose import plane_px_per_mm
from grainmatch.photo.sheet import PAPER_MM, SQUARE_MM
from grainmatch.pipeline.measure import read_bench_photo
from grainmatch.synth import aim_camera, draw_scene, grow_board
from grainmatch.synth.bench import draw_sheet
from tests.phone import as_jpeg

SIZE = (1600, 1200)
THICK_MM = 27.0
CAMERA = aim_camera(size_px=SIZE, eye_mm=(40, 250, 1600), roll_deg=1.5, hfov_deg=66)
WIDTHS_MM = (100.0, 160.0, 80.0, 130.0)


@dataclass(frozen=True, eq=False)
class Outline:
    """As much of a board's outline as is asked for."""

    outline_px: Points
    sigma_mm: tuple[float, float, float, float] = (0.15, 0.15, 0.15, 0.15)


def lay_boards(skews_deg: NDArray[np.float64], tapers_mm: NDArray[np.float64] | None = None) -> list[Points]:
    """Boards one below the other, corners (4, 2) on the faces' plane; skews_deg (boards, 2) of their ends."""
    boards, y = [], -300.0
    for n, ((left, right), width) in enumerate(zip(np.tan(np.radians(skews_deg)), WIDTHS_MM, strict=False)):
        taper = 0.0 if tapers_mm is None else float(tapers_mm[n])
        start, end = (width + taper) / 2, (width - taper) / 2
        shape = [(-left * start, -start), (-right * end, -end), (right * end, end), (left * start, start)]
        boards.append(np.add(shape, [(-600, y), (600, y), (600, y), (-600, y)]))
        y += width + 20
    return boards


def on_sheet(
    places_mm: Points,
    *,
    lean_deg: tuple[float, float] = (0.0, 0.0),
    rise_mm: float = 0.0,
    longer: float = 1.0,
) -> Points:
    """Places on a sheet beside the boards to bench places (n, 3).

    lean_deg: up to the right, up towards the viewer; longer: printed so many times as long as high.
    """
    x, y = ((places_mm - (148.5, 105)) * (longer, 1)).T
    up = np.tan(np.radians(lean_deg)) @ np.array([x + 148.5, y + 105]) + rise_mm
    return np.column_stack([x - 150, y + 340, -up])


def bench_by(sheet: Sheet, focal_px: float) -> Bench:
    """The bench as the sheet alone tells it."""
    photo = Photo("view", np.zeros((SIZE[1], SIZE[0], 3), np.uint8), focal_px)
    fit = fit_camera([sheet], photo)
    return Bench(
        photo, fit.camera, THICK_MM, Light(np.ones((2, 2, 3), np.float32)),
        plane_px_per_mm(fit.camera, THICK_MM), 0.002, "a sheet", (sheet,), spread=fit.spread,
    )  # fmt: skip


def see_sheet(**lies: float | tuple[float, float]) -> Bench:
    x, y = np.meshgrid(np.arange(1, 7) * SQUARE_MM + 43.5, np.arange(1, 5) * SQUARE_MM + 15.0)
    places = np.column_stack([x.ravel(), y.ravel()])
    seen = project(CAMERA, on_sheet(places, **lies))  # type: ignore[arg-type]
    seen = seen + np.random.default_rng(1).normal(0, 0.03, seen.shape)
    return bench_by(Sheet(0, PAPER_MM["a4"], seen, places), CAMERA.focal_px * 1.005)


def see_boards(boards_mm: list[Points], camera: Camera = CAMERA) -> list[Outline]:
    return [Outline(plane_to_pixels(camera, board, THICK_MM)) for board in boards_mm]


SQUARE = np.array([[0.1, -0.2], [0.2, 0.1], [-0.3, 0.0], [0.0, 0.2]])


@pytest.mark.parametrize(
    "lies",
    [{"lean_deg": (0.0, 4.5)}, {"lean_deg": (0.0, -4.5)}, {"lean_deg": (6.0, 0.0)}, {"longer": 1.05}],
    ids=["towards", "away", "sideways", "printed longer"],
)
def test_a_sheet_that_lies_or_is_printed_wrong_is_told(lies: dict[str, tuple[float, float]]) -> None:
    bench, outlines = see_sheet(**lies), see_boards(lay_boards(SQUARE))
    assert tell_disagreement(bench, outlines) == (SHEET_OR_BOARDS,)
    # Once is enough, and one board proves nothing.
    assert tell_disagreement(replace(bench, warnings=(SHEET_OR_BOARDS,)), outlines) == ()
    assert tell_disagreement(bench, outlines[:1]) == ()
    # One board sawn askew the other way does not hide it.
    askew = SQUARE + np.array([[0, 0], [0, 0], [4, -4], [0, 0]])
    assert tell_disagreement(bench, see_boards(lay_boards(askew))) == (SHEET_OR_BOARDS,)


def test_boards_as_they_come_say_nothing_against_a_sheet_that_lies_flat() -> None:
    """Ends out of square, a saw set wrong, all tapering one way."""
    bench, rng = see_sheet(), np.random.default_rng(3)
    for _ in range(40):
        skews = rng.normal(0, 0.5, (4, 2)) + rng.uniform(-0.4, 0.4) * np.array([1, rng.choice([-1, 1])])
        tapers = rng.normal(rng.choice([0.0, 8.0]), 2, 4)
        outlines = see_boards(lay_boards(skews, tapers)[: rng.integers(2, 5)])
        assert tell_disagreement(bench, outlines) == ()
    wedge = np.array([[0, 0], [6, -6], [0, 0], [0, 0]])
    assert tell_disagreement(bench, see_boards(lay_boards(SQUARE + wedge))) == ()


def test_the_height_of_a_sheet_is_beyond_what_angles_tell() -> None:
    """Raising a plane keeps its right angles and parallels and changes its scale only (Hartley & Zisserman,
    Multiple View Geometry, 2nd ed. 2004, sec. 8.6: parallel planes share their vanishing line)."""
    flat, raised = see_sheet(), see_sheet(rise_mm=THICK_MM)
    outlines = see_boards(lay_boards(SQUARE))
    assert tell_disagreement(raised, outlines) == ()
    corners = np.array([o.outline_px for o in outlines])
    low, high = (lay_shapes(b.camera, THICK_MM, corners) for b in (flat, raised))
    assert high.skew_rad == pytest.approx(low.skew_rad, abs=0.003)
    assert low.length_mm / high.length_mm == pytest.approx(1600 / (1600 - THICK_MM), abs=0.004)


def test_a_vanishing_line_moved_makes_of_boards_what_it_must() -> None:
    """OpenCV moves the line (g, h, 1) of a plane to infinity; to first order ends then converge by h a mm of
    length, long edges by g a mm of width, and skew grows by g a mm across."""
    g, h = 2e-5, -3e-5
    above = aim_camera(size_px=SIZE, eye_mm=(0, 0, 1600), hfov_deg=66)
    moved = np.array([[1, 0, 0], [0, 1, 0], [g, h, 1]])
    boards = [cv2.perspectiveTransform(b[None], moved)[0] for b in lay_boards(np.zeros((4, 2)))]
    corners = np.array([plane_to_pixels(above, b, THICK_MM) for b in boards])
    for turned in (corners, np.roll(corners, 2, axis=1)):
        shapes = lay_shapes(above, THICK_MM, turned)
        assert shapes.convergence == pytest.approx(np.full(4, -h), rel=0.06)
        assert shapes.convergence_along == pytest.approx(np.full(4, g), rel=0.06)
        assert shapes.growth == pytest.approx(g, rel=0.06)


def test_a_leaning_sheet_in_a_photo_is_told_with_its_boards(tmp_path: Path) -> None:
    """Drawn resting on something along its lower edge, by OpenCV's perspective warp; read from its file."""
    size, focal_35mm = (1100, 825), 28
    hfov_deg = math.degrees(2 * math.atan(18 / focal_35mm))
    camera = aim_camera(size_px=size, eye_mm=(40, 250, 1600), hfov_deg=hfov_deg)
    boards = [
        grow_board(seed=n, length_mm=1300, width_mm=w, thickness_mm=THICK_MM) for n, w in enumerate(WIDTHS_MM)
    ]
    scene = draw_scene(boards, camera=camera, size_px=size, seed=2)
    picture = SRGB8_TO_LINEAR[draw_sheet(px_per_mm=2.0)]
    rim = np.array([[0, 0], [297, 0], [297, 210], [0, 210.0]])
    seen = project(camera, np.add(on_sheet(rim, lean_deg=(0, 4)), (0, 80, 0)))
    to_px = cv2.getPerspectiveTransform((rim * 2 - 0.5).astype(np.float32), (seen - 0.5).astype(np.float32))
    drawn = np.asarray(cv2.warpPerspective(picture, to_px, size, flags=cv2.INTER_AREA))
    there = cv2.warpPerspective(np.ones(picture.shape[:2]), to_px, size)[..., None] > 0.5
    drawn = np.asarray(cv2.GaussianBlur(drawn, (0, 0), 0.6))
    painted = linear_to_srgb(drawn.astype(np.float32))
    photo = replace(scene.photo, rgb=np.where(there, painted, scene.photo.rgb))
    (tmp_path / "cherry.jpg").write_bytes(as_jpeg(photo, quality=95))
    reading = read_bench_photo(tmp_path / "cherry.jpg", thickness_mm=THICK_MM)
    assert len(reading.boards) == 4
    assert reading.warnings == (SHEET_OR_BOARDS,)
