"""The outlines found, drawn on the photo they were found in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from grainmatch.geometry import Points
from grainmatch.model import Board, Rgb, Side

_LINE = (20, 110, 190)
_HALO = (255, 255, 255)


@dataclass(frozen=True, eq=False)
class FoundFace:
    """A board's face as it lies in a photo."""

    board_id: str
    side: Side
    outline_px: Points


def faces_by_photo(boards: Iterable[Board]) -> dict[str, list[FoundFace]]:
    """Every face that has an outline, by the name of the photo it was read from."""
    found: dict[str, list[FoundFace]] = {}
    for board in boards:
        for face in board.faces:
            if face.outline_px is not None and len(face.outline_px) >= 3:
                found.setdefault(face.photo, []).append(FoundFace(board.id, face.side, face.outline_px))
    return found


def draw_outlines(rgb: Rgb, faces: Iterable[FoundFace], *, longest_px: int = 1400) -> Rgb:
    """The photo, no larger than longest_px, with each outline and the board's name on it."""
    scale = min(1.0, longest_px / max(rgb.shape[:2]))
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    picture = np.ascontiguousarray(small, dtype=np.uint8)
    for face in faces:
        corners = np.rint(face.outline_px * scale).astype(np.int32).reshape(-1, 1, 2)
        for colour, width in ((_HALO, 5), (_LINE, 2)):
            cv2.polylines(picture, [corners], True, colour, width, cv2.LINE_AA)
        _draw_name(picture, f"{face.board_id} {face.side}", face.outline_px.mean(axis=0) * scale)
    return picture


def _draw_name(picture: Rgb, words: str, at: Points) -> None:
    font, size = cv2.FONT_HERSHEY_SIMPLEX, picture.shape[1] / 1400
    (width, height), _ = cv2.getTextSize(words, font, size, 2)
    x, y = int(at[0] - width / 2), int(at[1] + height / 2)
    cv2.rectangle(picture, (x - 6, y - height - 6), (x + width + 6, y + 6), _HALO, cv2.FILLED)
    cv2.putText(picture, words, (x, y), font, size, (20, 20, 20), 2, cv2.LINE_AA)
