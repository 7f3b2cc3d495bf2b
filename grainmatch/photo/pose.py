"""Photo -> Bench: which thing of known size gives the scale, where the faces' plane lies, how sure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from grainmatch.errors import PhotoError, UsageError
from grainmatch.geometry import (
    Camera,
    Points,
    pixels_to_plane,
    pixels_to_planes,
    plane_to_pixels,
    polygon_mask,
)
from grainmatch.model import Bench, Light, Photo, Sheet, TypedBoard
from grainmatch.photo.camera import USUAL_FOCAL_FRAC, CameraFit, fit_camera, no_sheet
from grainmatch.photo.edges import trace_boards
from grainmatch.photo.expected import ExpectedBoards
from grainmatch.photo.faint import find_faint_sheets
from grainmatch.photo.light import flat_light, measure_light
from grainmatch.photo.paper import find_paper
from grainmatch.photo.rectangles import fit_to_boards
from grainmatch.photo.sheet import PAPER_MM, find_sheets
from grainmatch.photo.square import find_ends, rectangle_corners

SheetOn = Literal["bench", "boards"]
THICKNESS_MM = (2.0, 300.0)
THICKNESS_SIGMA_MM = 0.2  # as a caliper gives it
# Own choices: less holds no board from end to end; coarser, a board a hand wide is 20 pixels.
_LEAST_SPAN_MM = 150.0
_LEAST_PX_PER_MM = 0.2


@dataclass(frozen=True)
class KnownPaper:
    """A plain sheet of paper of a standard size gives the scale: `a4` or `letter`."""

    paper: str

    def __post_init__(self) -> None:
        if self.paper not in PAPER_MM:
            raise UsageError(f"The paper size '{self.paper}' is not known.", "Use a4 or letter.")


@dataclass(frozen=True)
class KnownBoard:
    """One board's typed length, or width, or both give the scale; `place` counts boards in reading order."""

    length_mm: float | None = None
    width_mm: float | None = None
    place: int = 1

    def __post_init__(self) -> None:
        sizes = [s for s in (self.length_mm, self.width_mm) if s is not None]
        if not sizes or not all(math.isfinite(s) and s > 0 for s in sizes):
            raise UsageError("The board's typed size is not usable.", "Type its length or its width.")


KnownScale = KnownPaper | KnownBoard


def fit_bench(
    photo: Photo, *, thickness_mm: float, sheet_on: SheetOn = "bench", known: KnownScale | str | None = None
) -> Bench:
    """Photo -> Bench from the reference sheets in it, or else from a plain sheet of paper (`known`).

    thickness_mm: of the boards; with `sheet_on` "bench" their faces lie that far above the sheet, with
    "boards" in its plane. A photo with neither raises PhotoError; with a KnownBoard use
    `fit_bench_from_board` once outlines are there. The light comes from the sheets alone (`even_light`).
    """
    check_thickness(thickness_mm)
    lift_mm = thickness_mm if sheet_on == "bench" else 0.0
    sheets = find_sheets(photo) or find_faint_sheets(photo)
    if sheets:
        words = _sheet_words(sheets)
        return _bench_from_fit(photo, sheets, fit_camera(sheets, photo), thickness_mm, lift_mm, words)
    if isinstance(known, str):
        known = KnownPaper(known)
    if isinstance(known, KnownPaper):
        paper = find_paper(photo, PAPER_MM[known.paper])
        if paper is None:
            raise PhotoError(
                f"No plain {known.paper.upper()} sheet was found in {photo.name}.",
                "Lay the paper flat, fully in view, on something darker.",
            )
        words = f"a plain {'A4' if known.paper == 'a4' else 'Letter'} sheet"
        return _bench_from_fit(photo, (paper,), fit_camera((paper,), photo), thickness_mm, lift_mm, words)
    raise no_sheet(photo)


def fit_bench_from_board(bench: Bench, outlines_px: Sequence[Points], known: KnownBoard) -> Bench:
    """The bench with its camera fitted to the boards found on it, one of which has a typed size.

    bench: a guess; outlines_px: one outline (n, 2) a board. What boards have in common, parallel edges and
    square ends, tells the tilt (see `fit_to_boards`); `refine_with_boards` fits again once they are found on
    this bench. There is no white, so the light stays as it is.
    """
    at_px = rectangle_corners(outlines_px[known.place - 1]).mean(axis=0)
    return _fit_typed(bench, outlines_px, TypedBoard(known.length_mm, known.width_mm, at_px))


def _fit_typed(bench: Bench, outlines_px: Sequence[Points], typed: TypedBoard) -> Bench:
    boards = _see_boards(bench, outlines_px)
    middles = boards.ends.corners_px.mean(axis=1)
    place = int(np.argmin(np.hypot(*(middles - typed.at_px).T)))
    _check_span(bench.photo, boards.ends.corners_px[place], typed)
    fit = fit_to_boards(bench.photo, boards, place=place, typed_mm=(typed.length_mm, typed.width_mm))
    fitted = _bench_from_fit(bench.photo, (), fit, bench.face_height_mm, 0.0, "a board's typed size")
    return replace(fitted, typed=typed)


def _check_span(photo: Photo, corners_px: Points, typed: TypedBoard) -> None:
    """Raise UsageError for a typed size of a board (4, 2) by which the photo would show what none can."""
    a, b, c, d = corners_px
    seen_px = (np.hypot(*(b + c - a - d)) / 2, np.hypot(*(c + d - a - b)) / 2)
    for typed_mm, size_px in zip((typed.length_mm, typed.width_mm), seen_px, strict=True):
        if typed_mm is None:
            continue
        advice = "Check the size, its unit and the board's number."
        if max(photo.rgb.shape[:2]) / size_px * typed_mm < _LEAST_SPAN_MM:
            raise UsageError(f"By the typed size {photo.name} shows too little for a board.", advice)
        if size_px / typed_mm < _LEAST_PX_PER_MM:
            raise UsageError(f"By the typed size {photo.name} shows far more than a bench.", advice)


def _see_boards(bench: Bench, outlines_px: Sequence[Points]) -> ExpectedBoards:
    """The boards' long edges, traced, and their ends."""
    return ExpectedBoards(trace_boards(bench, outlines_px), find_ends(outlines_px))


def guess_bench(photo: Photo, *, thickness_mm: float, span_mm: float = 2200.0) -> Bench:
    """A stand-in Bench for finding outlines before anything gives the scale: straight from above, the photo's
    long side spanning `span_mm`. Its sizes mean nothing, which its scale_sigma_frac of 1 says."""
    check_thickness(thickness_mm)
    height, width = photo.rgb.shape[:2]
    focal_px = photo.focal_px or USUAL_FOCAL_FRAC * max(width, height)
    distance_mm = focal_px * span_mm / max(width, height) + thickness_mm
    camera = Camera(focal_px, (width / 2, height / 2), 0.0, np.eye(3), np.array([0.0, 0.0, distance_mm]))
    return Bench(
        photo=photo,
        camera=camera,
        face_height_mm=thickness_mm,
        light=flat_light(photo),
        px_per_mm=plane_px_per_mm(camera, thickness_mm),
        scale_sigma_frac=1.0,
        scale_from="a guess",
        warnings=photo.warnings,
    )


def check_sheet_place(bench: Bench, outlines_px: Sequence[Points]) -> tuple[str, ...]:
    """What speaks against the sheets lying where they were said to lie (bench, or boards), in words.

    A sheet wholly within board outlines lies on the boards; one wholly beside them lies on the bench.
    The camera cannot tell: raising a plane keeps its right angles and parallels and changes its scale only.
    """
    size = (400, max(2, round(400 * bench.photo.rgb.shape[0] / bench.photo.rgb.shape[1])))
    scale = np.array(size) / bench.photo.rgb.shape[1::-1]
    boards = np.zeros(size[::-1], dtype=bool)
    for outline in outlines_px:
        boards |= polygon_mask(np.asarray(outline) * scale, size[::-1])
    said_on_boards = bench.sheet_height_mm > 0
    words = []
    for sheet, outline in zip(bench.sheets, bench.sheet_outlines_px, strict=True):
        mask = polygon_mask(outline * scale, size[::-1])
        share = float(boards[mask].mean()) if mask.any() else 0.5
        name = f"Sheet {sheet.number}" if sheet.number >= 0 else "The paper"
        if said_on_boards and share < 0.05:
            words.append(f"{name} seems to lie on the bench, not on the boards; sizes may be off.")
        if not said_on_boards and share > 0.9:
            words.append(f"{name} seems to lie on the boards, not on the bench; sizes may be off.")
    return tuple(words)


def refine_with_boards(bench: Bench, outlines_px: Sequence[Points]) -> Bench:
    """The bench with its camera fitted again to the sheets and to the boards' own edges and ends.

    outlines_px: one outline (n, 2) a board. The sheets alone leave the lens and the tilt a little open at
    the far end of long boards; straight, parallel edges and square ends close that (see `fit_camera`).
    Outlines in pixels stay valid; lay those in mm again with `carry_points`. What speaks against where the
    sheets were said to lie is added to the warnings. Where a board's typed size gave the scale, the camera is
    fitted to the boards as they are now. Unchanged when neither gave it, or no edge can be traced.
    """
    if bench.typed is not None and outlines_px:
        return _fit_typed(bench, outlines_px, bench.typed)
    boards = _see_boards(bench, outlines_px)
    if not bench.sheets or not boards.edges:
        return bench
    lift_mm = bench.face_height_mm - bench.sheet_height_mm
    fit = fit_camera(bench.sheets, bench.photo, boards=boards, lift_mm=lift_mm)
    refined = _bench_from_fit(
        bench.photo, bench.sheets, fit, bench.face_height_mm, lift_mm, bench.scale_from, light=bench.light
    )
    words = check_sheet_place(refined, outlines_px)
    return replace(refined, warnings=(*refined.warnings, *words))


def bend_apart_mm(before: Bench, after: Bench, outlines_px: Sequence[Points]) -> float:
    """By how much the long edges of outlines (n, 2) bend on the one bench and not on the other, at most."""
    most = 0.0
    for outline in outlines_px:
        a, b, c, d = rectangle_corners(outline)
        for start, end in ((a, b), (d, c)):
            line = np.array([start, (start + end) / 2, end])
            sags = [_sag_mm(pixels_to_plane(e.camera, line, e.face_height_mm)) for e in (before, after)]
            most = max(most, abs(sags[1] - sags[0]))
    return most


def _sag_mm(line: Points) -> float:
    """How far the middle one of three points lies beside the line through the others, signed."""
    chord, middle = line[2] - line[0], line[1] - line[0]
    return float((chord[0] * middle[1] - chord[1] * middle[0]) / np.hypot(*chord))


def carry_points(before: Bench, after: Bench, points_mm: Points) -> Points:
    """Points (n, 2) on the faces' plane of one bench to the same photo places on another's."""
    seen = plane_to_pixels(before.camera, points_mm, before.face_height_mm)
    return pixels_to_plane(after.camera, seen, after.face_height_mm)


def check_thickness(thickness_mm: float) -> None:
    """Raise UsageError for a thickness no board has."""
    low, high = THICKNESS_MM
    if not (math.isfinite(thickness_mm) and low <= thickness_mm <= high):
        raise UsageError(
            f"A thickness of {thickness_mm:g} mm is not possible.", f"Give one from {low:g} to {high:g} mm."
        )


_REPEATED = "Sheet {} lies in the photo twice and only one was used: print sheets with other numbers."


def _sheet_words(sheets: Sequence[Sheet]) -> str:
    numbers = ", ".join(str(s.number) for s in sheets)
    return f"reference sheet {numbers}" if len(sheets) == 1 else f"reference sheets {numbers}"


def _bench_from_fit(
    photo: Photo,
    sheets: tuple[Sheet, ...],
    fit: CameraFit,
    thickness_mm: float,
    lift_mm: float,
    words: str,
    *,
    light: Light | None = None,
) -> Bench:
    """`lift_mm`: of the faces above the sheets. light: when it was measured before."""
    sheet_height_mm = thickness_mm - lift_mm
    camera = raise_frame(fit.camera, sheet_height_mm)
    spread = [tuple(raise_frame(c, sheet_height_mm) for c in pair) for pair in fit.spread]
    if lift_mm:  # what the thickness is wrong by, the faces are nearer to the camera or farther
        spread.append(tuple(raise_frame(camera, way * THICKNESS_SIGMA_MM) for way in (1, -1)))
    return Bench(
        photo=photo,
        camera=camera,
        face_height_mm=thickness_mm,
        light=light or measure_light(photo, sheets),
        px_per_mm=plane_px_per_mm(camera, thickness_mm),
        scale_sigma_frac=scale_sigma_frac(camera, spread, photo, thickness_mm),
        scale_from=words,
        sheets=sheets,
        sheet_outlines_px=tuple(_paper_outline_px(s, camera, sheet_height_mm) for s in sheets),
        sheet_height_mm=sheet_height_mm,
        warnings=(*photo.warnings, *fit.notes, *map(_REPEATED.format, (s.number for s in sheets if s.again))),
        spread=tuple((a, b) for a, b in spread),
    )


def raise_frame(camera: Camera, height_mm: float) -> Camera:
    """The same camera when the plane that was z = 0 lies `height_mm` above the bench top."""
    if height_mm == 0:
        return camera
    return replace(camera, translation_mm=camera.translation_mm + height_mm * camera.rotation[:, 2])


def plane_px_per_mm(camera: Camera, height_mm: float) -> float:
    """Scale in the photo's middle on the plane `height_mm` above the bench (mean over directions)."""
    cross = np.array([[0, 0], [1, 0], [0, 1]]) + np.asarray(camera.centre_px)
    p = pixels_to_plane(camera, cross, height_mm)
    u, v = p[1] - p[0], p[2] - p[0]
    return float(1 / math.sqrt(abs(u[0] * v[1] - u[1] * v[0])))


def scale_sigma_frac(
    camera: Camera, spread: Sequence[Sequence[Camera]], photo: Photo, height_mm: float
) -> float:
    """Relative 1-sigma of lengths on the plane `height_mm` above the bench.

    The root mean square over a board-like span (60 % of the photo's long side, through the middle) and its
    crossing (20 %), from corner noise, focal length, lens and the thickness.
    """
    height, width = photo.rgb.shape[:2]
    middle, half = np.array([width / 2, height / 2]), 0.3 * max(width, height)
    along = np.array([1.0, 0.0]) if width >= height else np.array([0.0, 1.0])
    reach = np.array([half * along, half / 3 * along[::-1]])
    ends = np.array([middle - reach, middle + reach])
    views = [camera, *(view for pair in spread for view in pair)]
    a, b, c, d = pixels_to_planes(views, ends.reshape(-1, 2), height_mm).transpose(1, 2, 0)
    spans = np.hypot(*np.stack([c - a, d - b], axis=1))
    off = (spans[:, 1::2] - spans[:, 2::2]) / 2 / spans[:, :1]
    return math.sqrt(float((off**2).sum()) / 2)


def _paper_outline_px(sheet: Sheet, camera: Camera, height_mm: float) -> Points:
    """The paper's four corners in the photo, seen through the fitted camera."""
    on_plane = pixels_to_plane(camera, sheet.corners_px, height_mm)
    a, b = sheet.corners_mm - sheet.corners_mm.mean(axis=0), on_plane - on_plane.mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    c, s = math.cos(turn), math.sin(turn)
    width, height = sheet.paper_mm
    paper = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - sheet.corners_mm.mean(axis=0)
    return plane_to_pixels(camera, paper @ np.array([[c, s], [-s, c]]) + on_plane.mean(axis=0), height_mm)
