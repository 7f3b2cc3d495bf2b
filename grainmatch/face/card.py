"""The face card: a picture of a face with what was read from it drawn over it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.model import Features, Mark, Rgb

_INK = (25, 25, 25)
_PAPER = (255, 255, 255)
_SAP_INK = (20, 70, 160)
MARK_LETTERS = {
    "knot": "K", "hole": "O", "crack": "C", "bark edge": "B", "pitch": "P", "stain": "S", "pencil": "L",
    "keep out": "X",
}  # fmt: skip
_STROKE_MM = 14.0
_HATCH_MM = 8.0


def draw_card(face: Rgb, features: Features) -> Rgb:
    """Copy of the face (h, w, 3) with grain, marks and sapwood drawn over it.

    Strokes follow the grain, longer where it is surer. Marks are outlined, with a letter: K knot (Kd dead),
    O hole, C crack, B bark edge, P pitch, S stain, L pencil line; X with a cross over it for an area to
    keep out of the top. Sapwood is hatched up to a dashed boundary, the axis of the arches dotted, with
    arrow heads the way they point. Every sign differs in shape, none by colour alone.
    """
    card = face.copy()
    line_px = max(1, round(0.35 * features.px_per_mm))
    _draw_sapwood(card, features, line_px)
    _draw_grain(card, features, line_px)
    _draw_axis(card, features, line_px)
    for mark in features.marks:
        _draw_mark(card, mark, features.px_per_mm, line_px)
    return card


def _draw_grain(card: Rgb, features: Features, line_px: int) -> None:
    cell_px = features.cell_mm * features.px_per_mm
    step = max(1, round(_STROKE_MM / features.cell_mm))
    rows, columns = features.angle_rad.shape
    for row in range(step // 2, rows, step):
        for column in range(step // 2, columns, step):
            sure, on_wood = features.coherence[row, column], np.isfinite(features.lab[row, column, 0])
            if sure < 0.3 or not on_wood:
                continue
            middle = (np.array([column, row]) + 0.5) * cell_px
            angle = features.angle_rad[row, column]
            reach = 0.45 * step * cell_px * sure * np.array([np.cos(angle), np.sin(angle)])
            _line(card, middle - reach, middle + reach, line_px)


def _draw_sapwood(card: Rgb, features: Features, line_px: int) -> None:
    edges = features.sapwood_edges
    if edges is None:
        return
    cell_px = features.cell_mm * features.px_per_mm
    x = (np.arange(features.sapwood.shape[1]) + 0.5) * cell_px
    whole_px = features.sapwood.shape[0] * cell_px
    upper = _outer_edge_cells(features.sapwood) * cell_px
    lower = whole_px - _outer_edge_cells(features.sapwood[::-1]) * cell_px
    for depth_mm, foot, inward in ((edges.upper_mm, upper, 1), (edges.lower_mm, lower, -1)):
        y = foot + inward * features.px_per_mm * depth_mm
        there = depth_mm > 0
        for k in range(0, len(x) - 1, 2):  # every other stretch: a dashed line
            if there[k] and there[k + 1]:
                _line(card, np.array([x[k], y[k]]), np.array([x[k + 1], y[k + 1]]), line_px + 1, _SAP_INK)
        step = max(1, round(_HATCH_MM / features.cell_mm))
        for k in range(0, len(x), step):
            if there[k]:
                lean = 0.5 * (y[k] - foot[k])
                _line(card, np.array([x[k], foot[k]]), np.array([x[k] + lean, y[k]]), 1, _SAP_INK)


def _outer_edge_cells(sapwood: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where (columns,) the uppermost sapwood begins, in cells: the first cell lies partly off the wood."""
    row = (sapwood > 0.02).argmax(axis=0)
    return np.asarray(row + 1 - sapwood[row, np.arange(len(row))])


def _draw_axis(card: Rgb, features: Features, line_px: int) -> None:
    cathedral = features.cathedral
    if cathedral is None:
        return
    axis = cathedral.axis_mm * features.px_per_mm
    for x in np.arange(axis[0, 0], axis[-1, 0], 12 * features.px_per_mm):
        y = np.interp(x, axis[:, 0], axis[:, 1])
        cv2.circle(card, (int(x), int(y)), line_px, _INK, -1, cv2.LINE_AA)
    if cathedral.arches_point:
        size = 5 * features.px_per_mm
        for share in (0.2, 0.5, 0.8):
            tip = np.array([card.shape[1] * share, np.interp(card.shape[1] * share, axis[:, 0], axis[:, 1])])
            for side in (-0.6, 0.6):
                _line(card, tip, tip + size * np.array([-cathedral.arches_point, side]), line_px + 1)


def _draw_mark(card: Rgb, mark: Mark, px_per_mm: float, line_px: int) -> None:
    outline = np.floor(mark.outline_mm * px_per_mm).astype(np.int32)
    cv2.polylines(card, [outline], True, _PAPER, line_px + 2, cv2.LINE_AA)
    cv2.polylines(card, [outline], True, _INK, line_px, cv2.LINE_AA)
    left, top, right, bottom = (v * px_per_mm for v in mark.box_mm)
    if mark.kind == "keep out":
        _line(card, np.array([left, top]), np.array([right, bottom]), line_px)
        _line(card, np.array([left, bottom]), np.array([right, top]), line_px)
    letter = MARK_LETTERS[mark.kind] + ("d" if mark.kind == "knot" and not mark.sound else "")
    scale = max(0.4, 0.16 * px_per_mm)
    at = (round(min(right + 2, card.shape[1] - 20 * scale)), round(max(top, 22 * scale)))
    for colour, thickness in ((_PAPER, 3), (_INK, 1)):
        cv2.putText(card, letter, at, cv2.FONT_HERSHEY_SIMPLEX, scale, colour, thickness, cv2.LINE_AA)


def _line(
    card: Rgb,
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    width_px: int,
    ink: tuple[int, int, int] = _INK,
) -> None:
    """A line with a pale halo, so that it shows on any wood."""
    # OpenCV counts from pixel centres; sixteenths keep a level stroke level.
    a, b = (np.rint((p - 0.5) * 16).astype(int).tolist() for p in (start, end))
    cv2.line(card, a, b, _PAPER, width_px + 2, cv2.LINE_AA, 4)
    cv2.line(card, a, b, ink, width_px, cv2.LINE_AA, 4)
