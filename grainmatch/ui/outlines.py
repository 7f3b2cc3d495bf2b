"""The outlines found in each photo, as shapes to be corrected."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from grainmatch.geometry import Points
from grainmatch.model import Board, Side
from grainmatch.pipeline.drawn import corners_of
from grainmatch.ui.outline_view import Shape


@dataclass(frozen=True, eq=False)
class FoundFace:
    """A board's face as it lies in a photo."""

    board_id: str
    side: Side
    outline_px: Points

    @property
    def key(self) -> str:
        """A name for it that is unique within the job."""
        return f"{self.board_id}/{self.side}"

    def as_shape(self, scale: float) -> Shape:
        """Its four corners on a picture `scale` times as large as the photo."""
        a, b, c, d = ((float(x), float(y)) for x, y in corners_of(self.outline_px) * scale)
        return Shape(self.key, (a, b, c, d), f"{self.board_id} {self.side}")


def faces_by_photo(boards: Iterable[Board]) -> dict[str, list[FoundFace]]:
    """Every face that has an outline, by the name of the photo it was read from."""
    found: dict[str, list[FoundFace]] = {}
    for board in boards:
        for face in board.faces:
            if face.outline_px is not None and len(face.outline_px) >= 4:
                found.setdefault(face.photo, []).append(FoundFace(board.id, face.side, face.outline_px))
    return found
