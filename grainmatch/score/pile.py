"""What is read once from a pile of boards, before any wish is asked: raw costs by name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import LayoutError
from grainmatch.face.planing import planing_direction
from grainmatch.model import Board, Features, Mark, Pose, Side
from grainmatch.score.seam import price_flow, price_tone_step
from grainmatch.score.straight import straighten_faces
from grainmatch.wood.cup import BoardArc, join_heights, measure_out_of_flat_mm
from grainmatch.wood.moisture import DEFAULT_ROOM
from grainmatch.wood.species import find_species, middling_species
from grainmatch.wood.top import predict_arc_in_pose

Floats = NDArray[np.float64]
FaceFeatures = Mapping[tuple[str, Side], Features]
POSES = (Pose("A", False), Pose("A", True), Pose("B", False), Pose("B", True))
TURN_OF = (1, 0, 3, 2)
_NEAR_SEAM_MM = 12.0
"""A knot this close to a glue line is felt by plane and glue (common practice, no source)."""
_NEAR_END_MM = 80.0
"""A knot this close to an end weakens it and shows (common practice, no source)."""
_BARELY_MM = 1.0
"""An area drawn this far past the end of the top was drawn up to it (a finger is not finer)."""
_NARROW_MM = 50.0
"""Boards narrower than this make a top look like a cutting board (own choice)."""


@dataclass(frozen=True, eq=False)
class Pile:
    """Raw costs of N boards in 4 poses; NaN nowhere, inf nowhere: faces that are missing are not in `can`.

    can (N, 4): the face exists. seams (N, 4, N, 4) and alone (N, 4) by name. lightness (N, 4): L* of the
    face; out_of_flat is in mm, tone in CIEDE2000, the rest 0..1 or so.
    """

    board_ids: tuple[str, ...]
    width_mm: Floats
    length_mm: Floats
    can: NDArray[np.bool_]
    seams: Mapping[str, Floats]
    alone: Mapping[str, Floats]
    lightness: Floats


def read_pile(boards: Sequence[Board], features: FaceFeatures, *, length_mm: float | None = None) -> Pile:
    """Price every seam and every face of the boards. features: one entry a face.

    Raises LayoutError when there are no boards, two share an id, or a face has no features.
    """
    _check(boards, features)
    n = len(boards)
    faces = [(k, face.side) for k, board in enumerate(boards) for face in board.faces]
    of_face = [features[boards[k].id, side] for k, side in faces]
    can = np.zeros((n, 4), dtype=bool)
    for k, side in faces:
        can[k, [p for p in range(4) if POSES[p].side_up == side]] = True
    strips = straighten_faces(boards, length_mm=length_mm)
    spread = _Spread(n, faces)
    seams = {
        "line_flow": spread.seam(price_flow(strips)),
        "tone_match": spread.seam(price_tone_step(strips)),
        "arches": spread.seam(_price_opposed([_arches(f) for f in of_face])),
        "planing": spread.seam(_price_opposed([_planing(f) for f in of_face])),
        "cut": spread.seam(_price_cut(of_face)),
        "knots": spread.seam(_price_seam_knots(boards, faces, of_face)),
        "sapwood": spread.seam(_price_edges(*_edges_sapwood(of_face))),
        "sapwood stripes": spread.seam(_price_sapwood_stripes(of_face)),
    }
    seams["stay_flat"] = _price_out_of_flat(boards)
    alone = {
        "knots": spread.face(
            np.array([_end_knots(boards[k], f) for (k, _), f in zip(faces, of_face, strict=True)])
        ),
        "sapwood": spread.face(
            np.array([float(np.nanmean(f.sapwood)) if f.sapwood.size else 0.0 for f in of_face])
        ),
        "keep out": spread.face(
            np.array(
                [
                    _barred_in_sight(boards[k], side, f, length_mm)
                    for (k, side), f in zip(faces, of_face, strict=True)
                ]
            )
        ),
        "narrow": np.repeat([[float(b.width_mm < _NARROW_MM)] for b in boards], 4, axis=1),
    }
    return Pile(
        tuple(b.id for b in boards),
        np.array([b.width_mm for b in boards]),
        np.array([b.length_mm for b in boards]),
        can,
        seams,
        alone,
        spread.face(np.array([f.mean_lab[0] for f in of_face])),
    )


def _check(boards: Sequence[Board], features: FaceFeatures) -> None:
    if not boards:
        raise LayoutError("There are no boards to arrange.", "Measure some boards first.")
    ids = [b.id for b in boards]
    if len(set(ids)) != len(ids):
        raise LayoutError("Two boards have the same id.", "Give every board its own.")
    for board in boards:
        for face in board.faces:
            if (board.id, face.side) not in features:
                raise LayoutError(
                    f"Face {face.side} of board {board.id} was not read.", "Read its features first."
                )


class _Spread:
    """Lays values of faces out over boards and poses."""

    def __init__(self, boards_n: int, faces: Sequence[tuple[int, Side]]) -> None:
        self.boards_n = boards_n
        index = {face: k for k, face in enumerate(faces)}
        self.face_of: NDArray[np.intp] = np.array(
            [
                [index.get((k, p.side_up), index.get((k, "A"), index.get((k, "B"), 0))) for p in POSES]
                for k in range(boards_n)
            ]
        )
        self.turned: NDArray[np.intp] = np.array([int(p.turned) for p in POSES])

    def face(self, value: Floats) -> Floats:
        """(faces,) to (N, 4)."""
        return np.asarray(value[self.face_of], dtype=np.float64)

    def seam(self, value: Floats) -> Floats:
        """(faces, 2, faces, 2) to (N, 4, N, 4)."""
        first = value[self.face_of, self.turned[None, :]]
        return np.asarray(first[:, :, self.face_of, self.turned[None, :]], dtype=np.float64)


# --- one term each ---------------------------------------------------------------------------


def _arches(features: Features) -> float:
    cathedral = features.cathedral
    return 0.0 if cathedral is None else cathedral.arches_point * cathedral.confidence


def _planing(features: Features) -> float:
    way, sure = planing_direction(features, features.bark_side_up)
    return way * sure


def _price_opposed(way: Sequence[float]) -> Floats:
    """Cost 0..1 of two neighbours whose arrows (-1..1, towards the right) point against each other."""
    signed = np.array(way)[:, None] * np.array([1.0, -1.0])
    return np.asarray(np.maximum(0.0, -signed[:, :, None, None] * signed[None, None]))


def _price_cut(features: Sequence[Features]) -> Floats:
    """1 where a quartersawn face meets a plain one, 0.5 beside rift, 0 for like cuts."""
    place = {"plain": 0.0, "rift": 0.5, "quarter": 1.0, "unclear": np.nan}
    value = np.array([place[f.cut] for f in features])
    step = np.nan_to_num(np.abs(value[:, None] - value[None, :]))
    return np.ascontiguousarray(np.broadcast_to(step[:, None, :, None], (len(value), 2, len(value), 2)))


def _meeting_edges(upper: Floats, lower: Floats) -> tuple[Floats, Floats]:
    """The two edges that meet at a seam, (n, 2, 1, 1) and (1, 1, n, 2), from a value an edge (n,)."""
    above, below = np.stack([lower, upper], axis=1), np.stack([upper, lower], axis=1)
    return above[:, :, None, None], below[None, None]


def _price_edges(upper: Floats, lower: Floats) -> Floats:
    """Sum of the two edges that meet: (n, 2, n, 2) from a value an edge."""
    above, below = _meeting_edges(upper, lower)
    return np.asarray(above + below)


def _price_seam_knots(
    boards: Sequence[Board], faces: Sequence[tuple[int, Side]], features: Sequence[Features]
) -> Floats:
    """Knots and marks cut by or close to a glue line: about 1 for one good-sized knot."""
    upper, lower = np.zeros(len(faces)), np.zeros(len(faces))
    for k, ((index, side), found) in enumerate(zip(faces, features, strict=True)):
        face = boards[index].face(side)
        if face is None:
            continue
        for mark in found.marks:
            left, top, right, bottom = mark.box_mm
            x = (left + right) / 2
            up = float(np.interp(x, face.upper_edge_mm[:, 0], face.upper_edge_mm[:, 1]))
            low = float(np.interp(x, face.lower_edge_mm[:, 0], face.lower_edge_mm[:, 1]))
            weight = _mark_weight(mark)
            upper[k] += weight * max(0.0, 1 - max(0.0, top - up) / _NEAR_SEAM_MM)
            lower[k] += weight * max(0.0, 1 - max(0.0, low - bottom) / _NEAR_SEAM_MM)
    return _price_edges(upper, lower)


def _end_knots(board: Board, features: Features) -> float:
    cost = 0.0
    for mark in features.marks:
        left, _, right, _ = mark.box_mm
        nearest = max(0.0, min(left, board.length_mm - right))
        cost += _mark_weight(mark) * max(0.0, 1 - nearest / _NEAR_END_MM)
    return cost


def _barred_in_sight(board: Board, side: Side, features: Features, length_mm: float | None) -> float:
    """How many areas to be kept out of the top would lie in one of this length, the board lying centred."""
    face = board.face(side)
    boxes = [m.box_mm for m in features.marks if m.kind == "keep out"]
    if face is None or not boxes:
        return 0.0
    start = min(face.upper_edge_mm[0, 0], face.lower_edge_mm[0, 0])
    beyond = 0.0 if length_mm is None else max(0.0, board.length_mm - length_mm) / 2
    first, last = start + beyond + _BARELY_MM, start + board.length_mm - beyond - _BARELY_MM
    return float(sum(right > first and left < last for left, _, right, _ in boxes))


def _mark_weight(mark: Mark) -> float:
    """0..1: how much a mark matters, by its size (30 mm counts full) and how sure it is."""
    if mark.kind in ("pencil", "keep out"):  # one is planed away, the other has a price of its own
        return 0.0
    left, top, right, bottom = mark.box_mm
    return min(1.0, float(np.hypot(right - left, bottom - top)) / 30.0) * mark.confidence


def _edges_sapwood(features: Sequence[Features]) -> tuple[Floats, Floats]:
    """Share of the upper and of the lower edge of each face (faces,) that is sapwood."""
    upper = np.array([_edge_sapwood(f, 0) for f in features])
    lower = np.array([_edge_sapwood(f, -1) for f in features])
    return upper, lower


def _price_sapwood_stripes(features: Sequence[Features]) -> Floats:
    """Sapwood along one side of a seam and not the other. 0..1."""
    above, below = _meeting_edges(*_edges_sapwood(features))
    return np.asarray(np.abs(above - below))


def _edge_sapwood(features: Features, row: int) -> float:
    share = features.sapwood
    if share.size == 0:
        return 0.0
    values = share[row][np.isfinite(share[row])]
    return float(values.mean()) if values.size else 0.0


def _price_out_of_flat(boards: Sequence[Board]) -> Floats:
    """Predicted out-of-flat in mm of every two boards joined, worst season of a heated room; 0 when no bark
    side is known."""
    n = len(boards)
    if not any(b.end_grain or b.bark_side for b in boards):
        return np.zeros((n, 4, n, 4))
    worst = np.zeros((n, 4, n, 4))
    for season in DEFAULT_ROOM.seasons:
        arcs = [
            predict_arc_in_pose(
                b,
                pose,
                species=find_species(b.species) if b.species else middling_species(),
                from_pct=b.moisture_pct if b.moisture_pct is not None else DEFAULT_ROOM.mean_moisture_pct,
                to_pct=season.moisture_pct,
            )
            for b in boards
            for pose in POSES
        ]
        worst = np.maximum(worst, _out_of_flat_pairs(arcs).reshape(n, 4, n, 4))
    return worst


def _out_of_flat_pairs(arcs: Sequence[BoardArc]) -> Floats:
    width = np.array([a.width_mm for a in arcs])
    rise = np.array([a.rise_mm for a in arcs])
    turn = np.array([a.turn_rad for a in arcs])
    m = len(width)
    i, j = np.divmod(np.arange(m * m), m)
    widths = np.stack([width[i], width[j]], axis=1)
    heights = join_heights(widths, np.stack([rise[i], rise[j]], axis=1), np.stack([turn[i], turn[j]], axis=1))
    along = np.linspace(0.0, 1.0, rise.shape[1])
    start = np.stack([np.zeros(m * m), width[i]], axis=1)
    across = start[:, :, None] + along * widths[:, :, None]
    return measure_out_of_flat_mm(across.reshape(m * m, -1), heights.reshape(m * m, -1))


def tone_range_de(lightness: Floats, can: NDArray[np.bool_]) -> float:
    """Half the spread of the faces' lightness, the swing a drift from light to dark can have."""
    values = lightness[can]
    return float((np.percentile(values, 90) - np.percentile(values, 10)) / 2)
