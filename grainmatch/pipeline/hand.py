"""Score an arrangement changed by hand, with boards slid or ripped where no pose foresaw it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from grainmatch.errors import BoardError
from grainmatch.geometry import Points
from grainmatch.model import Board, EndGrain, Face, Features, Placement, Pose, Problem, Score, Side, Wishes
from grainmatch.score.pile import read_pile
from grainmatch.score.problem import price_pile
from grainmatch.score.top import find_cards, score_layout

_MOVED_MM = 0.5
_LEAST_LENGTH_MM = 100.0
_LEAST_WIDTH_MM = 5.0
_SEAMS_KEPT = 500
FaceFeatures = Mapping[tuple[str, Side], Features]


class HandScorer:
    """Scores one job's arrangements. What a slide or a rip changes at a seam is priced from the wood that
    then meets, once each; everything else comes from the problem. Nothing is read anew from the faces."""

    def __init__(self, boards: Sequence[Board], features: FaceFeatures, wishes: Wishes) -> None:
        self._boards = {b.id: b for b in boards}
        self._features = features
        self._wishes = replace(wishes, rules=())
        self._changes: OrderedDict[object, tuple[dict[str, float], float]] = OrderedDict()

    def score(
        self, problem: Problem, placements: Sequence[Placement]
    ) -> tuple[Score, list[dict[str, float]]]:
        """The score, and for every seam the shares of its cost by name.

        Raises LayoutError for a board that is not in the problem, BoardError for one cut to nothing.
        """
        score = score_layout(problem, placements)
        terms, looks, reasons = dict(score.terms), list(score.seams), list(score.seam_reasons)
        shares = []
        for k, (above, below) in enumerate(pairwise(placements)):
            share = seam_shares(problem, above, below)
            if _is_moved(above, below):
                change, look = self._change(problem, above, below)
                for name, value in change.items():
                    terms[name] = terms.get(name, 0.0) + value
                    share[name] = share.get(name, 0.0) + value
                looks[k] = max(0.0, looks[k] + look)
                reasons[k : k + 1] = [max(share, key=share.__getitem__, default="")]
            shares.append(share)
        return Score(terms, float(sum(terms.values())), tuple(looks), tuple(reasons)), shares

    def _change(self, problem: Problem, above: Placement, below: Placement) -> tuple[dict[str, float], float]:
        """What moving costs a seam, by name, and what it does to its look.

        The seam is priced as laid and as it was before, in one small pile, so that both have one scale and
        a small slide changes little.
        """
        length_mm = problem.top_mm[0] if problem.top_mm else None
        key = (above, below, length_mm)
        if key not in self._changes:
            self._changes[key] = self._price_change(above, below, length_mm)
            while len(self._changes) > _SEAMS_KEPT:
                self._changes.popitem(last=False)
        return self._changes[key]

    def _price_change(
        self, above: Placement, below: Placement, length_mm: float | None
    ) -> tuple[dict[str, float], float]:
        ripped = any(above.rip_mm + below.rip_mm)
        pieces: dict[Placement, Board] = {}
        features: dict[tuple[str, Side], Features] = {}
        for placement in (above, below, _unmoved(above), _unmoved(below)):
            if placement not in pieces:
                name = str(len(pieces))
                cut, read = self._cut(placement)
                # A slide changes no cup, and without end grain none is worked out.
                pieces[placement] = replace(cut, id=name) if ripped else _without_cup(cut, name)
                features[name, placement.pose.side_up] = read
        pile = read_pile(list(pieces.values()), features, length_mm=length_mm)
        pair = price_pile(pile, top_mm=None, wishes=self._wishes)
        lying = [_in_pair(p, pieces[p].id) for p in (above, below)]
        plain = [_in_pair(p, pieces[_unmoved(p)].id) for p in (above, below)]
        now, before = seam_shares(pair, *lying), seam_shares(pair, *plain)
        change = {name: now.get(name, 0.0) - before.get(name, 0.0) for name in now.keys() | before.keys()}
        return change, score_layout(pair, lying).seams[0] - score_layout(pair, plain).seams[0]

    def _cut(self, placement: Placement) -> tuple[Board, Features]:
        board = self._boards[placement.board_id]
        side = placement.pose.side_up
        piece, before = cut_as_laid(board, placement), board.face(side)
        read = self._features[board.id, side]
        return piece, cut_features(read, piece.faces[0], before) if before else read


def seam_shares(problem: Problem, above: Placement, below: Placement) -> dict[str, float]:
    """What the seam between two boards costs, by name. Raises LayoutError for a board not in the problem."""
    board, pose = find_cards(problem, (above, below))
    at = board[0], pose[0], board[1], pose[1]
    found: Mapping[str, float] = {name: float(cost[at]) for name, cost in problem.seam_terms.items()}
    return {name: value for name, value in found.items() if value}


def cut_as_laid(board: Board, placement: Placement) -> Board:
    """The board with only the face that is up, ripped, and cut so that the middle of the top is its middle.

    No pixel is copied: the face keeps its picture, and its edges say which part of it is left. Raises
    BoardError when nothing is left, or when the face was never photographed.
    """
    pose, (rip_upper, rip_lower) = placement.pose, placement.rip_mm
    face = board.face(pose.side_up)
    if face is None:
        raise BoardError(f"Face {pose.side_up} of board {board.id} was never photographed.", "Flip it back.")
    if board.width_mm - rip_upper - rip_lower < _LEAST_WIDTH_MM:
        raise BoardError(f"Nothing is left of board {board.id}.", "Rip less off it.")
    spare = max(0.0, board.length_mm - _LEAST_LENGTH_MM)
    off_left, off_right = (min(spare, max(0.0, way * 2 * pose.slide_mm)) for way in (-1, 1))
    if pose.turned:
        off_left, off_right, rip_upper, rip_lower = off_right, off_left, rip_lower, rip_upper
    left = min(face.upper_edge_mm[0, 0], face.lower_edge_mm[0, 0]) + off_left
    right = max(face.upper_edge_mm[-1, 0], face.lower_edge_mm[-1, 0]) - off_right
    cut = replace(
        face,
        upper_edge_mm=_cut_edge(face.upper_edge_mm, left, right, lower_mm=rip_upper),
        lower_edge_mm=_cut_edge(face.lower_edge_mm, left, right, lower_mm=-rip_lower),
        outline_px=None,
    )
    return replace(
        board,
        length_mm=board.length_mm - off_left - off_right,
        start_width_mm=board.start_width_mm - rip_upper - rip_lower,
        end_width_mm=board.end_width_mm - rip_upper - rip_lower,
        faces=(cut,),
        end_grain=_move_pith(board, rip_upper - rip_lower if pose.side_up == "A" else rip_lower - rip_upper),
    )


def _cut_edge(edge_mm: Points, left_mm: float, right_mm: float, *, lower_mm: float) -> Points:
    """The part of an edge between two places along it, moved down the face."""
    x, y = edge_mm[:, 0], edge_mm[:, 1] + lower_mm
    ends = np.array([left_mm, right_mm])
    inner = x[(x > ends[0]) & (x < ends[1])]
    kept = np.concatenate([ends[:1], inner, ends[1:]])
    return np.column_stack([kept, np.interp(kept, x, y)])


def _move_pith(board: Board, off_upper_mm: float) -> EndGrain | None:
    """Rings seen from the middle of what is left; off_upper_mm: what face A lost more above than below."""
    grain = board.end_grain
    return grain and replace(grain, pith_across_mm=grain.pith_across_mm - off_upper_mm / 2)


def cut_features(read: Features, face: Face, before: Face) -> Features:
    """What was read from a face, for the part of it that `cut_as_laid` left."""
    left, right = face.upper_edge_mm[[0, -1], 0]
    upper, lower = _level(face.upper_edge_mm, left, right), _level(face.lower_edge_mm, left, right)
    marks = tuple(m for m in read.marks if _touches(m.box_mm, (left, upper, right, lower)))
    off = upper - _level(before.upper_edge_mm, left, right), _level(before.lower_edge_mm, left, right) - lower
    first, last = (round(mm / read.cell_mm) for mm in off)
    rows = len(read.sapwood)
    kept = slice(min(first, rows - 1), max(rows - last, first + 1)) if rows else slice(None)
    return replace(read, marks=marks, sapwood=read.sapwood[kept])


def _level(edge_mm: Points, left_mm: float, right_mm: float) -> float:
    """Mean height of an edge between two places along it."""
    return float(np.interp(np.linspace(left_mm, right_mm, 32), *edge_mm.T).mean())


def _touches(box: tuple[float, float, float, float], part: tuple[float, float, float, float]) -> bool:
    return box[0] < part[2] and part[0] < box[2] and box[1] < part[3] and part[1] < box[3]


def _is_moved(above: Placement, below: Placement) -> bool:
    """Whether other wood meets at the seam than where the boards lie centred and whole."""
    slid = max(abs(above.pose.slide_mm), abs(below.pose.slide_mm)) > _MOVED_MM
    return slid or above.rip_mm[1] > _MOVED_MM or below.rip_mm[0] > _MOVED_MM


def _unmoved(placement: Placement) -> Placement:
    """The same board, face and direction, centred and whole."""
    return Placement(placement.board_id, Pose(placement.pose.side_up, placement.pose.turned))


def _without_cup(board: Board, name: str) -> Board:
    return replace(board, id=name, end_grain=None, bark_side=None)


def _in_pair(placement: Placement, name: str) -> Placement:
    """A piece in the small pile, which knows it by another name."""
    return replace(_unmoved(placement), board_id=name)
