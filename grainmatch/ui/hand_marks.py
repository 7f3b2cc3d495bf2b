"""The marks that the maker corrected on the faces of a job's boards, kept with the job."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from grainmatch.face.edits import Edits, add_mark, edits_from_data, edits_to_data
from grainmatch.model import Features, Side
from grainmatch.pipeline.features import correct_features
from grainmatch.store import Job, Shop

_OTHER: Mapping[Side, Side] = {"A": "B", "B": "A"}


def edits_of(said: Mapping[str, Any]) -> dict[Side, Edits]:
    """What is corrected on each face of a board, from what is said of it in the job's details.

    Jobs of the first release kept areas only, under `keep_out`. Raises BoardError for what makes no sense.
    """
    found: dict[Side, Edits] = {}
    for side, data in said.get("marks", {}).items():
        found[_side(side)] = edits_from_data(data)
    for side, areas in said.get("keep_out", {}).items():
        edits = found.get(_side(side), Edits())
        for outline in (area for area in areas if len(area) >= 3):
            edits = add_mark(edits, "keep out", np.asarray(outline, dtype=np.float64))
        found[_side(side)] = edits
    return found


def with_edits(said: Mapping[str, Any], edits: Mapping[Side, Edits]) -> dict[str, Any]:
    """What is said of a board, with these corrections in place of those it held."""
    kept = {key: value for key, value in said.items() if key not in ("marks", "keep_out")}
    marks = {side: edits_to_data(of_face) for side, of_face in edits.items() if of_face}
    return {**kept, "marks": marks} if marks else kept


def swap_sides(edits: Mapping[Side, Edits]) -> dict[Side, Edits]:
    """The same corrections once the other face is the show face; its picture stays as it was."""
    return {_OTHER[side]: of_face for side, of_face in edits.items()}


def keep_edits(shop: Shop, job_id: str, board_id: str, side: Side, edits: Edits) -> Job:
    """Keep what is corrected on a face with its job."""
    said: dict[str, Any] = dict(shop.read_job(job_id).details.get("boards", {}))
    mine: Mapping[str, Any] = said.get(board_id, {})
    said[board_id] = with_edits(mine, {**edits_of(mine), side: edits})
    return shop.update_job(job_id, details={"boards": said})


def corrected(features: Mapping[tuple[str, Side], Features], job: Job) -> dict[tuple[str, Side], Features]:
    """What was read from a job's faces, as the maker corrected it."""
    edits: dict[tuple[str, Side], Edits] = {}
    for board_id, said in job.details.get("boards", {}).items():
        edits |= {(board_id, side): of_face for side, of_face in edits_of(said).items()}
    return correct_features(features, edits)


def _side(side: str) -> Side:
    return "B" if side == "B" else "A"
