"""The printed sheet: drawn true to size, and found again to hundredths of a pixel."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.errors import UsageError
from grainmatch.geometry import Points, apply_homography, plane_to_pixels
from grainmatch.model import Photo
from grainmatch.photo import sheet as printed
from grainmatch.photo.camera import fit_camera
from grainmatch.photo.faint import find_faint_sheets
from grainmatch.photo.pose import fit_bench
from grainmatch.photo.sheet import PAPER_MM, draw_sheet, find_sheets, pattern_left_mm, write_sheet
from grainmatch.synth import aim_camera

POINT_MM = 25.4 / 72


def test_paper_sizes_are_the_standards() -> None:
    # ISO 216: A4 is 210 x 297 mm. ANSI/ASME Y14.1 size A: 8.5 x 11 in.
    assert PAPER_MM["a4"] == (297.0, 210.0)
    assert PAPER_MM["letter"] == pytest.approx((11 * 25.4, 8.5 * 25.4))


def boxes_on_page(pdf: bytes) -> tuple[tuple[float, float], list[list[float]], list[list[float]]]:
    """Page size, filled boxes [grey, x, y, width, height] and lines [x1, y1, x2, y2] of a PDF.

    In mm from the top left, read from its own drawing orders (ISO 32000-1: MediaBox, g, re f, m l S).
    """
    media = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert media is not None
    width, height = float(media[1]), float(media[2])
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.S)
    orders = next(s for s in (zlib.decompress(s) for s in streams if s[:1] == b"x") if b" re f" in s).decode()
    grey = 0.0
    boxes: list[list[float]] = []
    lines: list[list[float]] = []
    for order in orders.splitlines():
        if match := re.fullmatch(r"([\d.]+) g", order):
            grey = float(match[1])
        elif match := re.fullmatch(r"([-\d.]+) ([-\d.]+) ([-\d.]+) ([-\d.]+) re f", order):
            x, y, w, h = (float(v) for v in match.groups())
            top = height - y if h < 0 else height - y - h
            boxes.append([grey, *(v * POINT_MM for v in (x, top, w, abs(h)))])
        elif match := re.fullmatch(r"([-\d.]+) ([-\d.]+) m ([-\d.]+) ([-\d.]+) l S", order):
            x1, y1, x2, y2 = (float(v) for v in match.groups())
            lines.append([v * POINT_MM for v in (x1, height - y1, x2, height - y2)])
    return (width * POINT_MM, height * POINT_MM), boxes, lines


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("number", [0, 13])
def test_the_pdf_is_the_pattern_opencv_draws(paper: str, number: int) -> None:
    size, boxes, lines = boxes_on_page(draw_sheet(paper=paper, number=number))
    assert size == pytest.approx(PAPER_MM[paper], abs=0.01)
    left = pattern_left_mm(PAPER_MM[paper])
    # Paint the boxes at 7 px/mm, where every cell is whole pixels, and compare with OpenCV's own picture.
    canvas = np.full((150 * 7, 210 * 7), 255, np.uint8)
    for grey, x, y, w, h in boxes:
        if grey == 0:
            x1, y1 = round((x - left) * 7), round((y - 15) * 7)
            canvas[y1 : y1 + round(h * 7), x1 : x1 + round(w * 7)] = 0
    assert np.array_equal(canvas, printed.charuco_board(number).generateImage((210 * 7, 150 * 7)))
    patches = [b for b in boxes if b[0] > 0]
    assert [round(b[0] * 255) for b in patches] == [220, 186, 153, 119, 85, 51]
    assert all(b[3:] == pytest.approx((30, 15), abs=0.01) for b in patches)
    assert lines[-1][2] - lines[-1][0] == pytest.approx(100, abs=0.01)
    assert lines[-1][1] == pytest.approx(198, abs=0.01)


def test_unknown_sheets_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        write_sheet(tmp_path / "s.pdf", paper="a3")
    with pytest.raises(UsageError):
        write_sheet(tmp_path / "s.pdf", number=14)
    assert write_sheet(tmp_path / "deep" / "s.pdf").read_bytes().startswith(b"%PDF")


def printed_picture(number: int, paper: str, per_mm: int) -> NDArray[np.uint8]:
    """The PDF's boxes painted to the pixel: a print without the printer."""
    (width, height), boxes, _ = boxes_on_page(draw_sheet(paper=paper, number=number))
    canvas = np.full((round(height * per_mm), round(width * per_mm)), 255, np.uint8)
    for grey, x, y, w, h in boxes:
        x1, y1, x2, y2 = (round(v * per_mm) for v in (x, y, x + w, y + h))
        canvas[y1:y2, x1:x2] = round(grey * 255)
    return np.repeat(canvas[..., None], 3, axis=2)


def photo_of(
    numbers: list[int], paper: str, maps: list[Points], *, noise: float = 1.5, blur_px: float = 0.8
) -> Photo:
    """Sheets warped by plane maps (sheet mm to pixels) onto grey, at 4x oversampling, blurred and noisy."""
    size, fine = (900, 700), 4
    canvas = np.full((size[1] * fine, size[0] * fine, 3), 70, np.uint8)
    for number, to_px in zip(numbers, maps, strict=True):
        flat = printed_picture(number, paper, 14)
        out_to_flat = np.diag([14.0, 14.0, 1]) @ np.linalg.inv(to_px) @ np.diag([1 / fine, 1 / fine, 1])
        centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        cv2.warpPerspective(
            flat,
            np.linalg.inv(centre) @ out_to_flat @ centre,
            canvas.shape[1::-1],
            dst=canvas,
            flags=flags,
            borderMode=cv2.BORDER_TRANSPARENT,
        )
    small = cv2.resize(canvas, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    seen = np.asarray(cv2.GaussianBlur(small, (0, 0), blur_px))
    seen = seen + np.random.default_rng(1).normal(0, noise, seen.shape)
    return Photo("sheets", np.clip(np.rint(seen), 0, 255).astype(np.uint8))


def slanted(at: tuple[float, float], per_mm: float, turn_deg: float, lean: float) -> NDArray[np.float64]:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    flat = np.array([[c * per_mm, -s * per_mm, at[0]], [s * per_mm, c * per_mm, at[1]], [0, 0, 1.0]])
    leaning = np.array([[0, 0, 0], [0, 0, 0], [lean, -lean / 2, 0]])
    return np.asarray(flat + leaning)


@pytest.mark.parametrize(
    ("per_mm", "turn_deg", "lean"), [(2.0, 0, 0), (1.4, 23, 3e-4), (1.0, 180, -2e-4), (1.7, -95, 0)]
)
def test_corners_lie_where_the_map_puts_them(per_mm: float, turn_deg: float, lean: float) -> None:
    to_px = slanted((0, 0), per_mm, turn_deg, lean)
    shift = (450, 350) - apply_homography(to_px, [(148.5, 105.0)])[0]
    to_px = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]]) @ to_px
    (sheet,) = find_sheets(photo_of([3], "a4", [to_px]))
    assert sheet.number == 3
    assert sheet.paper_mm == PAPER_MM["a4"]
    assert len(sheet.corners_px) == 24
    off = sheet.corners_px - apply_homography(to_px, sheet.corners_mm)
    assert np.sqrt((off**2).mean()) < 0.04
    assert np.abs(off.mean(axis=0)).max() < 0.02


@pytest.mark.parametrize("per_mm", [0.55, 1.1])
def test_a_sheet_far_off_in_a_large_photo_is_found(per_mm: float) -> None:
    # Cells of 1.7 and 3.5 pixels, in a photo four times as wide as the 900 pixels around the sheet.
    to_px = slanted((0, 0), per_mm, 8, 1e-4)
    shift = (450, 350) - apply_homography(to_px, [(148.5, 105.0)])[0]
    to_px = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]]) @ to_px
    near = photo_of([5], "a4", [to_px])
    wide = cv2.copyMakeBorder(near.rgb, 1000, 1000, 1350, 1350, cv2.BORDER_REPLICATE)
    (sheet,) = find_sheets(Photo("far", np.asarray(wide, dtype=np.uint8)))
    assert sheet.number == 5
    off = sheet.corners_px - (1350, 1000) - apply_homography(to_px, sheet.corners_mm)
    assert np.sqrt((off**2).mean()) < 0.15


def test_corners_beat_opencvs_own_refinement() -> None:
    to_px = slanted((120, 90), 1.8, 7, 1e-4)
    photo = photo_of([0], "a4", [to_px], noise=4.0)
    (sheet,) = find_sheets(photo)
    ours = np.sqrt(((sheet.corners_px - apply_homography(to_px, sheet.corners_mm)) ** 2).mean())
    detector = cv2.aruco.CharucoDetector(printed.charuco_board(0))
    corners, ids, _, _ = detector.detectBoard(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY))
    places = np.asarray(printed.charuco_board(0).getChessboardCorners())[np.asarray(ids).ravel(), :2] + (
        43.5,
        15.0,
    )
    seen = np.asarray(corners, dtype=np.float64).reshape(-1, 2) + 0.5
    theirs = np.sqrt(((seen - apply_homography(to_px, places)) ** 2).mean())
    assert ours < theirs


def test_two_sheets_letter_paper_and_a_covered_corner() -> None:
    maps = [slanted((40, 60), 1.4, 3, 0), slanted((470, 350), 1.4, -4, 0)]
    photo = photo_of([1, 8], "letter", maps)
    rgb = photo.rgb.copy()
    rgb[:330, :170] = (150, 100, 60)  # a board over the left third of sheet 1
    sheets = find_sheets(Photo("covered", rgb))
    assert [s.number for s in sheets] == [1, 8]
    assert sheets[1].paper_mm == PAPER_MM["letter"]
    assert 6 <= len(sheets[0].corners_px) < 24
    # With its paper half hidden either size may be read: the pattern's places count.
    shift = pattern_left_mm(PAPER_MM["letter"]) - pattern_left_mm(sheets[0].paper_mm)
    off = sheets[0].corners_px - apply_homography(maps[0], sheets[0].corners_mm + np.array([shift, 0.0]))
    assert np.abs(off).max() < 0.25


def test_a_number_printed_twice_is_told() -> None:
    maps = [slanted((40, 60), 1.4, 3, 0), slanted((470, 350), 1.4, -4, 0)]
    (sheet,) = find_sheets(photo_of([1, 1], "a4", maps))
    assert sheet.again
    off = [np.abs(sheet.corners_px - apply_homography(m, sheet.corners_mm)).max() for m in maps]
    assert min(off) < 0.25
    assert not any(s.again for s in find_sheets(photo_of([1, 8], "a4", maps)))


def test_no_sheet_is_no_sheet() -> None:
    rng = np.random.default_rng(0)
    assert find_sheets(Photo("noise", rng.integers(0, 256, (480, 640, 3), dtype=np.uint8))) == ()
    assert find_sheets(Photo("black", np.zeros((480, 640, 3), np.uint8))) == ()


def seen_aslant(away_mm: float, turn_deg: float) -> NDArray[np.float64]:
    """Plane map of an A4 sheet in the middle of a camera that looks down at 37 degrees."""
    eye_mm = (away_mm / 15, 0.75 * away_mm, away_mm)
    camera = aim_camera(size_px=(900, 700), eye_mm=eye_mm, target_mm=(0, 0), roll_deg=turn_deg, hfov_deg=66.0)
    corners_mm = np.array([[0.0, 0.0], [297, 0], [297, 210], [0, 210]])
    seen = plane_to_pixels(camera, corners_mm - [148.5, 105.0], 0.0)
    return np.asarray(cv2.getPerspectiveTransform(corners_mm.astype(np.float32), seen.astype(np.float32)))


def test_a_sheet_whose_markers_are_too_coarse_to_read_is_known_by_all_of_them() -> None:
    # Cells of 2.1 by 1.5 pixels, as in photos of 2000 pixels of long boards.
    for number, turn_deg, noise in ((5, 2, 1.0), (11, 183, 12.0)):
        to_px = seen_aslant(900.0, turn_deg)
        photo = photo_of([number], "a4", [to_px], blur_px=1.2, noise=noise)
        (sheet,) = find_faint_sheets(photo)
        assert (sheet.number, len(sheet.corners_px), sheet.paper_mm) == (number, 24, PAPER_MM["a4"])
        off = np.sqrt(((sheet.corners_px - apply_homography(to_px, sheet.corners_mm)) ** 2).mean())
        assert off < 0.06
        assert fit_camera([sheet], photo).rms_px > 0.7 * off  # what its sigmas go by
    assert find_sheets(photo) == ()
    near = fit_bench(photo_of([11], "a4", [seen_aslant(450.0, 183)], blur_px=1.2), thickness_mm=20.0)
    far = fit_bench(photo, thickness_mm=20.0)
    assert [s.number for s in far.sheets] == [11]
    assert far.scale_sigma_frac > 1.3 * near.scale_sigma_frac


def test_no_paper_without_markers_is_a_sheet() -> None:
    to_px = slanted((300, 250), 0.9, 4, 1e-4)
    rgb = np.full((700, 900, 3), 70, np.uint8)
    paper = np.rint(apply_homography(to_px, [[0, 0], [297, 0], [297, 210], [0, 210]])).astype(np.int32)
    cv2.fillConvexPoly(rgb, paper, (245, 245, 240))
    assert find_faint_sheets(Photo("plain", rgb)) == ()
    # A chessboard of the pattern's own squares, as calibration targets have, says nothing of its number.
    for row, column in ((r, c) for r in range(5) for c in range(7) if (r + c) % 2 == 0):
        corner = np.array([43.5 + 30 * column, 15 + 30 * row])
        square = apply_homography(to_px, corner + np.array([[0, 0], [30, 0], [30, 30], [0, 30]]))
        cv2.fillConvexPoly(rgb, np.rint(square * 16).astype(np.int32), (20, 20, 20), cv2.LINE_AA, 4)
    assert find_faint_sheets(Photo("chessboard", rgb)) == ()
    assert find_faint_sheets(Photo("grey", np.full((480, 640, 3), 128, np.uint8))) == ()
