"""The outlines found in each photo, as shapes to be corrected, and what was corrected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from grainmatch.board.correct import (
    AddBoard,
    Correction,
    MoveCorner,
    RemoveBoard,
    correction_from_data,
    correction_to_data,
)
from grainmatch.geometry import Points
from grainmatch.model import Board, Side
from grainmatch.pipeline.drawn import corners_of
from grainmatch.store import Job, Shop
from grainmatch.ui.outline_view import Corner, Shape

_MOVED_PX = 0.05


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


def correct_shapes(faces: Sequence[FoundFace], drawn: Sequence[Shape], scale: float) -> list[Correction]:
    """What was changed from the faces found to the shapes drawn on a picture `scale` times as large.

    Boards are removed before corners are moved, so that a corner moved onto another board's, as when two
    are joined, is not taken for that one's.
    """
    now = {shape.key: shape for shape in drawn}
    before = {face.key: face.as_shape(scale) for face in faces}
    gone = [s for key, s in before.items() if key not in now]
    corrections: list[Correction] = [RemoveBoard(_in_photo(_middle(s), scale)) for s in gone]
    for key, shape in before.items():
        for near, to in zip(shape.corners, now[key].corners if key in now else shape.corners, strict=True):
            if max(abs(near[0] - to[0]), abs(near[1] - to[1])) > _MOVED_PX:
                corrections.append(MoveCorner(_in_photo(near, scale), _in_photo(to, scale)))
    for shape in drawn:
        if shape.key not in before:
            a, b, c, d = (_in_photo(corner, scale) for corner in shape.corners)
            corrections.append(AddBoard((a, b, c, d)))
    return corrections


def _middle(shape: Shape) -> Corner:
    x, y = np.mean(shape.corners, axis=0)
    return float(x), float(y)


def _in_photo(place: Corner, scale: float) -> Corner:
    return place[0] / scale, place[1] / scale


def keep_drawn(shop: Shop, job: Job, sha256: str, corrections: Sequence[Correction]) -> None:
    """Keep what was drawn in a photo with its job, after what was drawn in it before; none forgets it all."""
    kept = dict(job.details.get("drawn", {}))
    if corrections:
        kept[sha256] = [*kept.get(sha256, ()), *map(correction_to_data, corrections)]
    else:
        kept.pop(sha256, None)
    shop.update_job(job.id, details={"drawn": kept})


def read_drawn(job: Job, names: Mapping[str, str]) -> dict[str, tuple[Correction, ...]]:
    """What was drawn by hand in a job's photos, by the names (given by sha256) they are measured under.

    Raises BoardError for a correction that is none.
    """
    kept: Mapping[str, Sequence[Mapping[str, object]]] = job.details.get("drawn", {})
    return {
        names[sha256]: tuple(correction_from_data(c) for c in made)
        for sha256, made in kept.items()
        if sha256 in names
    }
