"""The reference sheet: what is printed on it, and finding it in a photo.

Places on a sheet are in millimetres from the paper's top-left corner, x to the right, y down. The
pattern is a ChArUco board (chessboard with a marker in every white square) of DICT_5X5_250 markers;
sheet k uses the marker ids 17 k to 17 k + 16.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import SRGB8_TO_LINEAR
from grainmatch.disk import write_bytes
from grainmatch.errors import UsageError
from grainmatch.geometry import Points, apply_homography
from grainmatch.model import Photo, Sheet

PAPER_MM: dict[str, tuple[float, float]] = {
    "a4": (297.0, 210.0),  # ISO 216, landscape
    "letter": (279.4, 215.9),  # ANSI/ASME Y14.1 size A, 11 x 8.5 in, landscape
}
SQUARES = (7, 5)
SQUARE_MM = 30.0
MARKER_MM = 22.0
PATTERN_TOP_MM = 15.0
PATTERN_MM = (SQUARES[0] * SQUARE_MM, SQUARES[1] * SQUARE_MM)
MARKERS_N = SQUARES[0] * SQUARES[1] // 2
SHEETS_N = 250 // MARKERS_N
PATCH_SRGB = (220, 186, 153, 119, 85, 51)
PATCH_MM = (30.0, 15.0)
PATCH_TOP_MM = 175.0
PATCH_PITCH_MM = 35.0
CHECK_LINE_TOP_MM = 198.0
CHECK_LINE_MM = 100.0

_FIND_PIXELS = 3_000_000
_LEAST_MARKER_PX = 12.0
"""A marker's least side on the picture it is looked for in: seven cells of under two pixels are noise."""
_MARKER_CELLS = 7  # five by five bits and the black border
_FINE_PER_MM = 7  # one marker cell, 22 / 7 mm, is then a whole number of pixels
_MOST_PIXELS = 60_000_000  # of an enlarged copy
_LEAST_CORNERS = 6
_MOST_SHOWN = 10
"""So many of a sheet's 17 markers tell that a quick look is not missing what a closer one would show."""
_LEAST_REPEATED = 2
"""So many markers seen twice, and not in one place, are a second sheet; one may be a misread."""


def pattern_left_mm(paper_mm: tuple[float, float]) -> float:
    """Where the pattern, the patches and the check line start from the paper's left edge."""
    return (paper_mm[0] - PATTERN_MM[0]) / 2


def charuco_board(number: int) -> cv2.aruco.CharucoBoard:
    """OpenCV's description of sheet `number`'s pattern."""
    ids = np.arange(MARKERS_N * number, MARKERS_N * (number + 1), dtype=np.int32)
    return cv2.aruco.CharucoBoard(SQUARES, SQUARE_MM, MARKER_MM, _dictionary(), ids)


def find_sheets(photo: Photo) -> tuple[Sheet, ...]:
    """Every reference sheet in the photo, by number, with its chessboard corners to sub-pixel.

    Markers are looked for on a copy of about 3 megapixels, once quickly; when that shows no sheet, or not
    most of one, ever more closely, then at full size, then at twice that: a sheet far off or seen aslant has
    cells of two pixels. The chessboard corners are then placed at full size by matching the drawn pattern
    around each (see `_refine_corners`), so covered ones drop out and a few markers are enough to start.
    """
    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    step = max(1, round(math.sqrt(grey.size / _FIND_PIXELS)))  # whole steps average fastest
    looks = [(1 / step, 1), (1 / step, 2), (1 / step, 3), (1.0, 3), (2.0, 3)]
    for zoom, windows_n in dict.fromkeys(looks):
        if zoom > 1 and grey.size * zoom**2 > _MOST_PIXELS:
            break  # for the memory it takes
        found = _find_markers(grey, zoom, windows_n)
        shown = Counter(marker // MARKERS_N for marker in found if marker < MARKERS_N * SHEETS_N)
        if windows_n == 1 and min(shown.values(), default=0) < _MOST_SHOWN:
            continue
        sheets = tuple(s for s in (_fit_sheet(photo, grey, n, found) for n in sorted(shown)) if s is not None)
        if sheets:
            return sheets
    return ()


@lru_cache(maxsize=1)
def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)


def _find_markers(grey: NDArray[np.uint8], zoom: float, windows_n: int) -> dict[int, list[Points]]:
    """Marker id -> of every one seen on a copy `zoom` times the size (1 / zoom or zoom whole) the corners
    (4, 2) in full-size pixels, clockwise from top-left.

    Black is told from white in windows of `windows_n` sizes, from 3 to 23 pixels or of 23 alone.
    """
    seen = grey
    if zoom < 1:
        step = round(1 / zoom)
        size = (grey.shape[1] // step, grey.shape[0] // step)
        whole = grey[: size[1] * step, : size[0] * step]
        seen = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    elif zoom > 1:
        seen = np.asarray(
            cv2.resize(grey, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC), dtype=np.uint8
        )
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.minMarkerPerimeterRate = 4 * _LEAST_MARKER_PX / max(seen.shape)
    if windows_n == 1:
        settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax
    else:
        settings.adaptiveThreshWinSizeStep = 20 // (windows_n - 1)
    corners, ids, _ = cv2.aruco.ArucoDetector(_dictionary(), settings).detectMarkers(seen)
    if ids is None:
        return {}
    found: dict[int, list[Points]] = {}
    for marker, c in zip(np.asarray(ids).ravel(), corners, strict=True):
        at_px = (np.asarray(c, dtype=np.float64).reshape(4, 2) + 0.5) / zoom
        found.setdefault(int(marker), []).append(at_px)
    return found


def _fit_sheet(
    photo: Photo, grey: NDArray[np.uint8], number: int, found: dict[int, list[Points]]
) -> Sheet | None:
    """Place sheet `number` from its markers, then refine; None when the markers do not agree."""
    places = charuco_board(number).getObjPoints()
    first = MARKERS_N * number
    seen = [(k, corners) for k in range(MARKERS_N) for corners in found.get(first + k, ())]
    on_pattern = np.concatenate(
        [np.asarray(places[k], dtype=np.float64).reshape(-1, 3)[:, :2] for k, _ in seen]
    )
    in_photo = np.concatenate([corners for _, corners in seen])
    to_px, fits = cv2.findHomography(on_pattern, in_photo, cv2.RANSAC, 3.0)
    if to_px is None:
        return None
    strays = {k for (k, _), fit in zip(seen, fits.reshape(-1, 4), strict=True) if not fit.any()}
    again = sum(len(found[first + k]) > 1 for k in strays) >= _LEAST_REPEATED
    refined = refine_sheet(photo, grey, number, np.asarray(to_px))
    return None if refined is None else replace(refined[0], again=again)


def refine_sheet(
    photo: Photo, grey: NDArray[np.uint8], number: int, to_px: Points
) -> tuple[Sheet, Points] | None:
    """Sheet `number` with its chessboard corners to sub-pixel, and the plane map (3, 3) they make.

    to_px (3, 3): about where the pattern lies, its mm to pixels, to a quarter of a square. None when fewer
    than six corners look as they are drawn.
    """
    drawing = _draw_pattern(number, to_px)
    for _ in range(2):
        refined = _refine_corners(grey, to_px, drawing)
        if refined is None:
            return None
        corners_mm, corners_px = refined
        fitted, _ = cv2.findHomography(corners_mm, corners_px, 0)
        if fitted is None:
            return None
        to_px = np.asarray(fitted, dtype=np.float64)
    paper_mm = _tell_paper(photo, to_px)
    shift = np.array([pattern_left_mm(paper_mm), PATTERN_TOP_MM])
    return Sheet(number, paper_mm, corners_px, corners_mm + shift), to_px


@lru_cache(maxsize=4)
def pattern_picture(number: int) -> NDArray[np.uint8]:
    """The pattern drawn at `_FINE_PER_MM` pixels a millimetre, exactly on the pixel grid."""
    size = (round(PATTERN_MM[0] * _FINE_PER_MM), round(PATTERN_MM[1] * _FINE_PER_MM))
    return np.asarray(charuco_board(number).generateImage(size), dtype=np.uint8)


def _inner_corners_mm() -> Points:
    """Chessboard corners (24, 2) from the pattern's top-left corner, row by row."""
    x, y = np.meshgrid(np.arange(1, SQUARES[0]), np.arange(1, SQUARES[1]))
    return np.column_stack([x.ravel(), y.ravel()]).astype(np.float64) * SQUARE_MM


@dataclass(frozen=True, eq=False)
class _Drawing:
    """The pattern drawn for one photo, of size (w, h) pixels.

    places_mm (24, 2) of the chessboard corners; centres (24, 2) of square windows around them in pixels, of
    half a side `half`; bases (24, 6, pixels): the drawing in each, its place and light varied; solve
    (24, 6, 6): their least squares.
    """

    size: tuple[int, int]
    places_mm: Points
    centres: Points
    half: int
    bases: NDArray[np.float64]
    solve: NDArray[np.float64]


def _draw_pattern(number: int, to_px: Points) -> _Drawing:
    """Sheet `number`'s pattern at the photo's own resolution, by `to_px` (pattern mm to pixels)."""
    cross = np.array([[0, 0], [1, 0], [0, 1]]) + np.array(PATTERN_MM) / 2
    step = apply_homography(to_px, cross)
    u, v = step[1] - step[0], step[2] - step[0]
    per_mm = float(np.clip(np.sqrt(abs(u[0] * v[1] - u[1] * v[0])), 0.8, _FINE_PER_MM))
    size = (round(PATTERN_MM[0] * per_mm), round(PATTERN_MM[1] * per_mm))
    sharp = cv2.resize(pattern_picture(number), size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    drawn = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 1.2), dtype=np.float32)
    scale, places = np.array(size) / PATTERN_MM, _inner_corners_mm()
    half = int(SQUARE_MM / 2 * scale.min()) - 1
    centres = places * scale - 0.5
    bases = np.stack([_vary_window(drawn, centre, half) for centre in centres])
    solve = np.linalg.inv(bases @ bases.transpose(0, 2, 1) + 1e-9 * np.eye(6))
    return _Drawing(size, places, centres, half, bases, np.asarray(solve, dtype=np.float64))


def _vary_window(drawn: NDArray[np.float32], centre: Points, half: int) -> NDArray[np.float64]:
    """What brightness, contrast, slopes of the light and a shift each do (6, pixels) to one window."""
    side = 2 * half + 1
    model = cv2.getRectSubPix(drawn, (side, side), (float(centre[0]), float(centre[1])))
    grad_y, grad_x = np.gradient(model)
    ramp = np.linspace(-1, 1, side, dtype=np.float32)
    columns = [np.ones_like(model), model, model * ramp[None, :], model * ramp[:, None], -grad_x, -grad_y]
    return np.stack([c.ravel() for c in columns]).astype(np.float64)


def _refine_corners(
    grey: NDArray[np.uint8], to_px: Points, drawing: _Drawing
) -> tuple[Points, Points] | None:
    """Chessboard corners placed by least squares on the drawn pattern: (places mm, pixels).

    The photo is laid flat by `to_px` (pattern mm to pixels) at its own resolution in linear light, where
    blur moves no edge; then the 30 mm window around each corner is shifted onto the drawing (Lucas &
    Kanade 1981) with free brightness, contrast and slope of the light. All the edges in the window count,
    which is several times sharper than the corner's own neighbourhood. Windows that the drawing does
    not explain (covered, or out of the picture) drop out. None when fewer than six remain.
    """
    flat = cv2.GaussianBlur(lay_flat(grey, to_px, drawing.size), (0, 0), 1.0)
    found = [
        _shift_window(np.asarray(flat, dtype=np.float32), basis, solve, centre, drawing.half)
        for basis, solve, centre in zip(drawing.bases, drawing.solve, drawing.centres, strict=True)
    ]
    shifts, unexplained = np.array([shift for shift, _ in found]), np.array([rest for _, rest in found])
    keep = (unexplained < 0.15) & (unexplained < 4 * np.median(np.sort(unexplained)[:12]) + 0.01)
    keep &= np.hypot(*shifts.T) < drawing.half / 4
    if keep.sum() < _LEAST_CORNERS:
        return None
    places, scale = drawing.places_mm[keep], np.array(drawing.size) / PATTERN_MM
    return places, apply_homography(to_px, places + shifts[keep] / scale)


def lay_flat(grey: NDArray[np.uint8], to_px: Points, size: tuple[int, int]) -> NDArray[np.float32]:
    """The pattern seen straight from above in linear light, at a size (w, h); 0 outside the photo.

    grey (H, W): the photo; to_px (3, 3): plane map of the pattern's mm to its pixels.
    """
    scale = np.array(size) / PATTERN_MM
    # OpenCV counts pixels from their centres: shift by half a pixel on both sides.
    out_to_mm = np.array([[1 / scale[0], 0, 0.5 / scale[0]], [0, 1 / scale[1], 0.5 / scale[1]], [0, 0, 1]])
    centred = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])
    flat = cv2.warpPerspective(
        grey, centred @ to_px @ out_to_mm, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return np.asarray(SRGB8_TO_LINEAR[flat])


def _shift_window(
    flat: NDArray[np.float32], basis: NDArray[np.float64], solve: Points, centre: Points, half: int
) -> tuple[Points, float]:
    """Shift (x, y) in pixels from the drawn corner to the seen one, and the unexplained share of variance."""
    side = 2 * half + 1
    shift, unexplained = np.zeros(2), 1.0
    for _ in range(4):
        at = centre + shift
        seen = cv2.getRectSubPix(flat, (side, side), (float(at[0]), float(at[1]))).ravel().astype(np.float64)
        along = basis @ seen
        fit = solve @ along
        power = float(seen @ seen)
        spread = power - float(seen.sum()) ** 2 / seen.size
        if fit[1] <= 1e-4 or spread <= 0:
            return np.zeros(2), 1.0
        unexplained = max(power - float(fit @ along), 0.0) / spread  # least squares leaves a right angle
        step = fit[4:] / fit[1]
        shift = shift + np.clip(step, -2, 2)
        if np.abs(shift).max() > half / 2:
            return np.zeros(2), 1.0
        if np.abs(step).max() < 2e-3:
            break
    return shift, unexplained


def _tell_paper(photo: Photo, to_px: Points) -> tuple[float, float]:
    """A4 or Letter: is there paper where only the one or only the other has it?

    Compares the strips that lie on A4 but beside Letter (39 mm left and right of the pattern) with those
    below the pattern that lie on Letter but off A4, each against paper certain to be there.
    """
    along_y, along_x = np.linspace(20, 130, 40), np.linspace(20, 190, 40)
    sides = [np.column_stack([np.full(40, x), along_y]) for x in (-39.0, PATTERN_MM[0] + 39.0)]
    below = np.column_stack([along_x, np.full(40, 212.9 - PATTERN_TOP_MM)])
    sure = np.column_stack([np.full(40, -15.0), along_y])
    paper = np.median(_brightness(photo, to_px, sure))
    off_side = min(abs(np.median(_brightness(photo, to_px, s)) - paper) for s in sides)
    off_below = abs(np.median(_brightness(photo, to_px, below)) - paper)
    return PAPER_MM["letter" if off_below < off_side else "a4"]


def _brightness(photo: Photo, to_px: Points, places_mm: Points) -> NDArray[np.float64]:
    """Summed absolute sRGB at pattern places, 0 outside the photo."""
    at = np.floor(apply_homography(to_px, places_mm)).astype(int)
    height, width = photo.rgb.shape[:2]
    inside = (at[:, 0] >= 0) & (at[:, 1] >= 0) & (at[:, 0] < width) & (at[:, 1] < height)
    x, y = np.where(inside, at[:, 0], 0), np.where(inside, at[:, 1], 0)
    return np.where(inside, photo.rgb[y, x].astype(np.float64).sum(axis=1), 0.0)


def write_sheet(path: str | Path, *, paper: str = "a4", number: int = 0) -> Path:
    """Write sheet `number` (0 to 13) as a one-page PDF for `a4` or `letter` paper, drawn in vectors.

    Raises UsageError for an unknown paper or number, StoreError when the file cannot be written.
    """
    return write_bytes(Path(path), draw_sheet(paper=paper, number=number))


def draw_sheet(*, paper: str = "a4", number: int = 0) -> bytes:
    """The PDF's bytes; see `write_sheet`."""
    if paper not in PAPER_MM:
        raise UsageError(f"The paper size '{paper}' is not known.", "Use a4 or letter.")
    if not 0 <= number < SHEETS_N:
        raise UsageError(f"There is no reference sheet {number}.", f"Use a number from 0 to {SHEETS_N - 1}.")
    from fpdf import FPDF, ViewerPreferences  # 0.3 s to import, and only this function needs them

    width, height = PAPER_MM[paper]
    left = pattern_left_mm((width, height))
    pdf = FPDF(orientation="landscape", unit="mm", format=(height, width))
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.add_page()
    pdf.set_fill_color(0)
    for x, y, w, h in _black_boxes_mm(number):
        pdf.rect(left + x, PATTERN_TOP_MM + y, w, h, style="F")
    for k, level in enumerate(PATCH_SRGB):
        pdf.set_fill_color(level)
        pdf.rect(left + PATCH_PITCH_MM * k, PATCH_TOP_MM, *PATCH_MM, style="F")
    pdf.set_line_width(0.4)
    pdf.line(left, CHECK_LINE_TOP_MM, left + CHECK_LINE_MM, CHECK_LINE_TOP_MM)
    pdf.set_font("helvetica", size=8)
    pdf.text(left, CHECK_LINE_TOP_MM + 4.5, _how_to(number))
    return bytes(pdf.output())


def _how_to(number: int) -> str:
    return (
        f"Sheet {number}. Print at 100 %: this line must measure 100 mm. Lay flat beside the boards, "
        "all of it in view, in the same light."
    )


def _black_boxes_mm(number: int) -> list[tuple[float, float, float, float]]:
    """Black boxes (x, y, width, height) of the pattern from its top-left corner.

    Black squares whole; markers as runs of black cells along each row.
    """
    columns, rows = SQUARES
    inset, cell = (SQUARE_MM - MARKER_MM) / 2, MARKER_MM / _MARKER_CELLS
    boxes, marker = [], MARKERS_N * number
    for row in range(rows):
        for column in range(columns):
            x, y = column * SQUARE_MM, row * SQUARE_MM
            if (row + column) % 2 == 0:
                boxes.append((x, y, SQUARE_MM, SQUARE_MM))
                continue
            black = np.asarray(_dictionary().generateImageMarker(marker, _MARKER_CELLS)) == 0
            marker += 1
            for k, line in enumerate(black):
                ends = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]]))).reshape(-1, 2)
                boxes += [
                    (x + inset + float(a) * cell, y + inset + k * cell, float(b - a) * cell, cell)
                    for a, b in ends
                ]
    return boxes
