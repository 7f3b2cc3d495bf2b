"""Score an arrangement changed by hand, with boards slid or ripped where no pose foresaw it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from grainmatch.face.reading import read_face
from grainmatch.glueup.spare import cut_spare_board
from grainmatch.model import Board, Features, Placement, Pose, Problem, Score, Side, SparePiece, Wishes
from grainmatch.score.problem import build_problem
from grainmatch.score.top import find_cards, score_layout

_MOVED_MM = 0.5
_LEAST_LENGTH_MM = 100.0
_PAIRS_KEPT = 500


class HandScorer:
    """Scores one job's arrangements. Seams of boards that were slid or ripped are priced from the wood that
    then meets, once each; everything else comes from the problem."""

    def __init__(self, boards: Sequence[Board], wishes: Wishes) -> None:
        self._boards = {b.id: b for b in boards}
        self._wishes = replace(wishes, rules=())
        self._pairs: OrderedDict[tuple[Placement, Placement], Problem] = OrderedDict()

    def score(
        self, problem: Problem, placements: Sequence[Placement]
    ) -> tuple[Score, list[dict[str, float]]]:
        """The score, and for every seam the shares of its cost by name.

        Raises LayoutError for a board that is not in the problem, BoardError for one cut to nothing.
        """
        score = score_layout(problem, placements)
        terms, looks = dict(score.terms), list(score.seams)
        shares = []
        for k, (above, below) in enumerate(pairwise(placements)):
            share = seam_shares(problem, above, below)
            if _is_moved(above, below):
                pair = self._price(above, below)
                lying = [_unmoved(p) for p in (above, below)]
                fresh = seam_shares(pair, *lying)
                for name in share.keys() | fresh.keys():
                    terms[name] = terms.get(name, 0.0) + fresh.get(name, 0.0) - share.get(name, 0.0)
                looks[k] = score_layout(pair, lying).seams[0]
                share = fresh
            shares.append(share)
        return Score(terms, float(sum(terms.values())), tuple(looks)), shares

    def _price(self, above: Placement, below: Placement) -> Problem:
        key = (above, below)
        if key not in self._pairs:
            boards = [cut_as_laid(self._boards[p.board_id], p) for p in key]
            features: dict[tuple[str, Side], Features] = {
                (b.id, f.side): read_face(f.rgb, px_per_mm=f.px_per_mm, inside=f.inside)
                for b in boards
                for f in b.faces
            }
            self._pairs[key] = build_problem(boards, features, wishes=self._wishes)
            while len(self._pairs) > _PAIRS_KEPT:
                self._pairs.popitem(last=False)
        return self._pairs[key]


def seam_shares(problem: Problem, above: Placement, below: Placement) -> dict[str, float]:
    """What the seam between two boards costs, by name. Raises LayoutError for a board not in the problem."""
    board, pose = find_cards(problem, (above, below))
    at = board[0], pose[0], board[1], pose[1]
    found: Mapping[str, float] = {name: float(cost[at]) for name, cost in problem.seam_terms.items()}
    return {name: value for name, value in found.items() if value}


def cut_as_laid(board: Board, placement: Placement) -> Board:
    """The board with only the face that is up, ripped, and cut so that the middle of the top is its middle.

    Raises BoardError when nothing is left of it.
    """
    pose, (rip_upper, rip_lower) = placement.pose, placement.rip_mm
    upside = pose.turned != (pose.side_up == "B")
    off_left = max(0.0, -2 * pose.slide_mm)
    off_right = max(0.0, 2 * pose.slide_mm)
    spare = board.length_mm - _LEAST_LENGTH_MM
    off_left, off_right = min(off_left, spare), min(off_right, spare)
    piece = SparePiece(
        board_id=board.id,
        kind="whole board",
        length_mm=board.length_mm - off_left - off_right,
        width_mm=board.width_mm - rip_upper - rip_lower,
        thickness_mm=board.thickness_mm,
        from_left_mm=off_right if pose.turned else off_left,
        from_upper_mm=rip_lower if upside else rip_upper,
        keep=True,
    )
    cut = cut_spare_board(board, piece, new_id=board.id)
    return replace(cut, faces=tuple(f for f in cut.faces if f.side == pose.side_up))


def _is_moved(above: Placement, below: Placement) -> bool:
    """Whether other wood meets at the seam than where the boards lie centred and whole."""
    slid = max(abs(above.pose.slide_mm), abs(below.pose.slide_mm)) > _MOVED_MM
    return slid or above.rip_mm[1] > _MOVED_MM or below.rip_mm[0] > _MOVED_MM


def _unmoved(placement: Placement) -> Placement:
    """The same board, face and direction, centred and whole."""
    return Placement(placement.board_id, Pose(placement.pose.side_up, placement.pose.turned))
