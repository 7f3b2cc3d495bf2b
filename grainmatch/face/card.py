"""The face card: a picture of a face with what was read from it drawn over it."""

from __future__ import annotations

import cv2
import numpy as np

from grainmatch.model import Features, Rgb

_INK = (20, 20, 20)
_PAPER = (255, 255, 255)


def draw_card(face: Rgb, features: Features) -> Rgb:
    """Copy of the face (h, w, 3) with grain lines, marks and sapwood drawn over it.

    Short strokes follow the grain where it is clear; marks are outlined and named; sapwood is hatched
    and its boundary dashed. Every sign differs by shape as well as colour.
    """
    card = face.copy()
    _draw_grain(card, features)
    _draw_marks(card, features)
    return card


def _draw_grain(card: Rgb, features: Features) -> None:
    cell_px = features.cell_mm * features.px_per_mm
    step = max(1, round(12 / cell_px))
    for row in range(step // 2, features.angle_rad.shape[0], step):
        for column in range(step // 2, features.angle_rad.shape[1], step):
            if features.coherence[row, column] < 0.3:
                continue
            x, y = (column + 0.5) * cell_px, (row + 0.5) * cell_px
            angle = features.angle_rad[row, column]
            reach = 0.4 * step * cell_px
            dx, dy = reach * np.cos(angle), reach * np.sin(angle)
            ends = [(round(x - dx), round(y - dy)), (round(x + dx), round(y + dy))]
            cv2.line(card, ends[0], ends[1], _INK, 1, cv2.LINE_AA)


def _draw_marks(card: Rgb, features: Features) -> None:
    for mark in features.marks:
        outline = np.rint(mark.outline_mm * features.px_per_mm).astype(np.int32)
        cv2.polylines(card, [outline], True, _PAPER, 3, cv2.LINE_AA)
        cv2.polylines(card, [outline], True, _INK, 1, cv2.LINE_AA)
        left, top = outline.min(axis=0)
        cv2.putText(card, mark.kind, (int(left), max(10, int(top) - 4)), 0, 0.4, _INK, 1, cv2.LINE_AA)
