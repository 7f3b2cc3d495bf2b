"""Photo -> Bench: which thing of known size gives the scale, where the faces' plane lies, how sure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from grainmatch.errors import PhotoError, UsageError
from grainmatch.geometry import Camera, Points, pixels_to_plane, plane_to_pixels
from grainmatch.model import Bench, Photo, Sheet
from grainmatch.photo.camera import CameraFit, fit_camera
from grainmatch.photo.edges import trace_boards
from grainmatch.photo.light import measure_light
from grainmatch.photo.paper import find_paper
from grainmatch.photo.sheet import PAPER_MM, find_sheets

SheetOn = Literal["bench", "boards"]
THICKNESS_MM = (2.0, 300.0)
THICKNESS_SIGMA_MM = 0.3


@dataclass(frozen=True)
class KnownPaper:
    """A plain sheet of paper of a standard size gives the scale: `a4` or `letter`."""

    paper: str

    def __post_init__(self) -> None:
        if self.paper not in PAPER_MM:
            raise UsageError(f"The paper size '{self.paper}' is not known.", "Use a4 or letter.")


@dataclass(frozen=True)
class KnownBoard:
    """One board's typed length, or width, or both give the scale."""

    length_mm: float | None = None
    width_mm: float | None = None

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
    sheets = find_sheets(photo)
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
    raise PhotoError(
        f"No reference sheet was found in {photo.name}.",
        "Lay the printed sheet flat and fully in view, or say which paper or board size to go by.",
    )


def refine_with_boards(bench: Bench, outlines_px: Sequence[Points]) -> Bench:
    """The bench with its camera fitted again to the sheets and to the boards' own long edges.

    outlines_px: one outline (n, 2) a board. The sheets alone leave the lens and the tilt a little open at
    the far end of long boards; straight, parallel edges close that (see `fit_camera`). Outlines in pixels
    stay valid; lay those in mm again with `carry_points`. Unchanged when no sheet gave the scale or no edge
    can be traced.
    """
    edges = trace_boards(bench, outlines_px)
    if not bench.sheets or not edges:
        return bench
    lift_mm = bench.face_height_mm - bench.sheet_height_mm
    fit = fit_camera(bench.sheets, bench.photo, edges=edges, lift_mm=lift_mm)
    return _bench_from_fit(bench.photo, bench.sheets, fit, bench.face_height_mm, lift_mm, bench.scale_from)


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


def _sheet_words(sheets: Sequence[Sheet]) -> str:
    numbers = ", ".join(str(s.number) for s in sheets)
    return f"reference sheet {numbers}" if len(sheets) == 1 else f"reference sheets {numbers}"


def _bench_from_fit(
    photo: Photo, sheets: tuple[Sheet, ...], fit: CameraFit, thickness_mm: float, lift_mm: float, words: str
) -> Bench:
    """`lift_mm`: of the faces above the sheets."""
    sheet_height_mm = thickness_mm - lift_mm
    camera = raise_frame(fit.camera, sheet_height_mm)
    return Bench(
        photo=photo,
        camera=camera,
        face_height_mm=thickness_mm,
        light=measure_light(photo, sheets),
        px_per_mm=plane_px_per_mm(camera, thickness_mm),
        scale_sigma_frac=scale_sigma_frac(fit, photo, lift_mm),
        scale_from=words,
        sheets=sheets,
        sheet_outlines_px=tuple(_paper_outline_px(s, camera, sheet_height_mm) for s in sheets),
        sheet_height_mm=sheet_height_mm,
        warnings=(*photo.warnings, *fit.notes),
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


def scale_sigma_frac(fit: CameraFit, photo: Photo, lift_mm: float) -> float:
    """Relative 1-sigma of lengths on the plane `lift_mm` above the sheets.

    The root mean square over a board-like span (60 % of the photo's long side, through the middle) and its
    crossing (20 %), from corner noise, focal length, lens and the thickness.
    """
    height, width = photo.rgb.shape[:2]
    middle, half = np.array([width / 2, height / 2]), 0.3 * max(width, height)
    along = np.array([1.0, 0.0]) if width >= height else np.array([0.0, 1.0])
    total = 0.0
    for reach in (half * along, half / 3 * along[::-1]):
        ends = np.array([middle - reach, middle + reach])

        def span_mm(camera: Camera, lift: float = lift_mm, ends: Points = ends) -> float:
            a, b = pixels_to_plane(camera, ends, lift)
            return float(np.hypot(*(b - a)))

        length = span_mm(fit.camera)
        by_thickness = span_mm(fit.camera, lift_mm + THICKNESS_SIGMA_MM) - length if lift_mm else 0.0
        total += (math.hypot(fit.sigma_of(span_mm), by_thickness) / length) ** 2 / 2
    return math.sqrt(total)


def _paper_outline_px(sheet: Sheet, camera: Camera, height_mm: float) -> Points:
    """The paper's four corners in the photo, seen through the fitted camera."""
    on_plane = pixels_to_plane(camera, sheet.corners_px, height_mm)
    a, b = sheet.corners_mm - sheet.corners_mm.mean(axis=0), on_plane - on_plane.mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    c, s = math.cos(turn), math.sin(turn)
    width, height = sheet.paper_mm
    paper = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - sheet.corners_mm.mean(axis=0)
    return plane_to_pixels(camera, paper @ np.array([[c, s], [-s, c]]) + on_plane.mean(axis=0), height_mm)
