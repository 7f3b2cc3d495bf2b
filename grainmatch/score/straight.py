"""Faces laid straight: every board as a picture of one length and scale, its glued edges level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import BoardError
from grainmatch.model import Board, Face, Rgb, Side

ACROSS_PX_PER_MM = 1.2
ALONG_PX_PER_MM = 0.7
"""Finer detail does not help to match a seam and costs time; figure is drawn out along the board."""
LONGEST_PX = 2400
_INSET_MM = 1.0
"""Edges are taken so far inside the outline, where saw marks and shadows end (own choice)."""


@dataclass(frozen=True, eq=False)
class Strip:
    """One face between its two glue lines. rgb (h, w, 3): row 0 lies along the upper edge.

    px_per_mm is the scale along the board; across it the scale may be finer.
    """

    board_id: str
    side: Side
    rgb: Rgb
    px_per_mm: float


def straighten_faces(boards: Sequence[Board], *, length_mm: float | None = None) -> list[Strip]:
    """Every face of every board as a strip; all strips have one width in pixels.

    The strips show the length_mm about the middle of each board, or the shortest board's length. Boards
    of uneven width are shown as they will be ripped: parallel, at their narrower width.
    """
    if not boards:
        return []
    common_mm = min([b.length_mm for b in boards] + ([length_mm] if length_mm else []))
    finest = min(f.px_per_mm for b in boards for f in b.faces)
    along = min(ALONG_PX_PER_MM, finest, LONGEST_PX / common_mm)
    across = min(ACROSS_PX_PER_MM, finest)
    width_px = max(16, int(common_mm * along))
    strips = []
    for board in boards:
        height_px = max(6, round((board.width_mm - 2 * _INSET_MM) * across))
        for face in board.faces:
            rgb = _straighten(face, width_px, height_px, along, across)
            strips.append(Strip(board.id, face.side, rgb, along))
    return strips


def _straighten(face: Face, width_px: int, height_px: int, along: float, across: float) -> Rgb:
    upper, lower = face.upper_edge_mm, face.lower_edge_mm
    if len(upper) < 2 or len(lower) < 2:
        raise BoardError("A face has no edges.", "Measure the photo again.")
    left, right = max(upper[0, 0], lower[0, 0]), min(upper[-1, 0], lower[-1, 0])
    x = (left + right) / 2 + (np.arange(width_px) + 0.5 - width_px / 2) / along
    middle = (_line_through(upper, x) + _line_through(lower, x)) / 2
    y = middle[None, :] + ((np.arange(height_px) + 0.5 - height_px / 2) / across)[:, None]
    map_x = np.broadcast_to(x * face.px_per_mm - 0.5, y.shape).astype(np.float32)
    map_y = (y * face.px_per_mm - 0.5).astype(np.float32)
    source: NDArray[Any] = face.rgb
    shrink_x, shrink_y = face.px_per_mm / along, face.px_per_mm / across
    if shrink_x > 1.5:  # remap alone would pick single pixels
        source = cv2.GaussianBlur(source, (0, 0), sigmaX=0.4 * shrink_x, sigmaY=max(0.4 * shrink_y, 0.1))
    flat = cv2.remap(source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, dtype=np.uint8)


def _line_through(edge_mm: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The straight line an edge will be jointed to, at x."""
    slope, offset = np.polyfit(edge_mm[:, 0], edge_mm[:, 1], 1)
    return np.asarray(offset + slope * x)
