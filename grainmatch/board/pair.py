"""Show faces with back faces: the same boards, each turned over in place about its long axis.

Turned so, a board keeps its left end, its place in the row and its sizes; its upper edge becomes the
lower one. Pairs follow from order and are checked by size; what does not fit is asked about.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from grainmatch.model import Board, Face, Side

SIZE_NOISE_MM = 0.8
"""Between two photos of one board sizes differ by about this on top of their sigmas (own scenes)."""
LENGTH_NOISE_FRAC = 0.0012
ODD_BACK_DENSITY = 1e-4
"""How likely sizes as far off as seen are when the back is another board's: flat over some 20 mm in
each of three sizes, in units of the noise (own estimate)."""
SURE = 0.9
_OTHER: Mapping[Side, Side] = {"A": "B", "B": "A"}


@dataclass(frozen=True, eq=False)
class PairedBoard:
    """A board with the faces that belong to it; question is what to ask the user, None when clear."""

    board: Board
    confidence: float
    question: str | None = None


def pair_faces(show: Sequence[Board], back: Sequence[Board]) -> list[PairedBoard]:
    """Give each board of the show photo its back face, or ask.

    show, back: one-faced boards in reading order. A back is given only where place in the order and
    size agree; sizes of a pair are joined by their sigmas.
    """
    if not back:
        return [PairedBoard(b, 1.0) for b in show]
    misfit = _misfits(show, back)
    order = _in_order(misfit)
    by_size = dict(zip(*linear_sum_assignment(misfit), strict=True))
    pairs = []
    for i, board in enumerate(show):
        j = order.get(i)
        confidence = 0.0 if j is None else _confidence(misfit[i, j])
        if j is not None and confidence >= SURE:
            pairs.append(PairedBoard(_join(board, back[j], confidence), confidence))
        else:
            pairs.append(PairedBoard(board, confidence, _question(board, i, j, by_size.get(i), misfit)))
    return pairs


def swap_faces(board: Board) -> Board:
    """The same board with the other face as its show face: flipped over, so its left end stays left."""
    faces = tuple(sorted((replace(f, side=_OTHER[f.side]) for f in board.faces), key=lambda f: f.side))
    end = board.end_grain
    if end is not None:
        end = replace(
            end,
            bark_side=end.bark_side and _OTHER[end.bark_side],
            pith_across_mm=-end.pith_across_mm,
            pith_depth_mm=board.thickness_mm - end.pith_depth_mm,
        )
    return replace(
        board,
        faces=faces,
        crook_mm=-board.crook_mm,
        bark_side=board.bark_side and _OTHER[board.bark_side],
        end_grain=end,
    )


def _misfits(show: Sequence[Board], back: Sequence[Board]) -> NDArray[np.float64]:
    """Chi-square (n_show, n_back) of the differences in length and both widths."""
    return np.array([[_misfit(a, b) for b in back] for a in show])


def _misfit(a: Board, b: Board) -> float:
    length = math.hypot(a.sigma_length_mm, b.sigma_length_mm, SIZE_NOISE_MM, LENGTH_NOISE_FRAC * a.length_mm)
    width = math.hypot(a.sigma_width_mm, b.sigma_width_mm, SIZE_NOISE_MM)
    return (
        ((a.length_mm - b.length_mm) / length) ** 2
        + ((a.start_width_mm - b.start_width_mm) / width) ** 2
        + ((a.end_width_mm - b.end_width_mm) / width) ** 2
    )


def _confidence(misfit: float) -> float:
    """Probability that sizes this far apart belong to one board rather than to any other."""
    same = math.exp(-0.5 * misfit)
    return same / (same + ODD_BACK_DENSITY)


def _in_order(misfit: NDArray[np.float64]) -> dict[int, int]:
    """Pairs that keep both orders: all of them when the numbers agree, else the best with some left out.

    Sequence alignment after Needleman and Wunsch, J. Mol. Biol. 48(3), 1970.
    """
    n, m = misfit.shape
    if n == m:
        return {i: i for i in range(n)}
    skip = -2 * math.log(ODD_BACK_DENSITY)
    cost = np.zeros((n + 1, m + 1))
    cost[:, 0], cost[0, :] = skip * np.arange(n + 1), skip * np.arange(m + 1)
    for i in range(1, n + 1):
        for j in range(1, m + 1):
            cost[i, j] = min(
                cost[i - 1, j - 1] + misfit[i - 1, j - 1], cost[i - 1, j] + skip, cost[i, j - 1] + skip
            )
    pairs, i, j = {}, n, m
    while i and j:
        if cost[i, j] == cost[i - 1, j - 1] + misfit[i - 1, j - 1]:
            pairs[i - 1] = j - 1
            i, j = i - 1, j - 1
        elif cost[i, j] == cost[i - 1, j] + skip:
            i -= 1
        else:
            j -= 1
    return pairs


def _question(
    board: Board, place: int, in_order: int | None, by_size: int | None, misfit: NDArray[np.float64]
) -> str:
    fits = by_size is not None and _confidence(float(misfit[place, by_size])) >= SURE
    if fits and by_size != in_order:
        return (
            f"The back of board {board.id} looks like number {(by_size or 0) + 1} in the back photo. Is it?"
        )
    if in_order is None:
        return f"Which is the back of board {board.id}? None in the back photo fits it in order and size."
    number = in_order + 1
    return f"Is number {number} in the back photo the back of board {board.id}? Its length or width differs."


def _join(show: Board, back: Board, confidence: float) -> Board:
    """One board with both faces; sizes weighted by their sigmas."""
    w = _weight(show.sigma_length_mm, back.sigma_length_mm)
    v = _weight(show.sigma_width_mm, back.sigma_width_mm)
    return replace(
        show,
        length_mm=w * show.length_mm + (1 - w) * back.length_mm,
        start_width_mm=v * show.start_width_mm + (1 - v) * back.start_width_mm,
        end_width_mm=v * show.end_width_mm + (1 - v) * back.end_width_mm,
        crook_mm=v * show.crook_mm - (1 - v) * back.crook_mm,  # turned over, it bows the other way
        sigma_length_mm=_joint_sigma(show.sigma_length_mm, back.sigma_length_mm),
        sigma_width_mm=_joint_sigma(show.sigma_width_mm, back.sigma_width_mm),
        faces=(show.faces[0], _as_back(back.faces[0])),
        pair_confidence=confidence,
    )


def _as_back(face: Face) -> Face:
    return replace(face, side="B")


def _weight(a: float, b: float) -> float:
    return b * b / (a * a + b * b) if a > 0 and b > 0 else 0.5


def _joint_sigma(a: float, b: float) -> float:
    """Of the weighted mean; what two photos share (the sheet, the thickness) does not average out.

    Half of the variance is taken as shared (own estimate).
    """
    if a <= 0 or b <= 0:
        return max(a, b)
    alone = 1 / math.sqrt(1 / a**2 + 1 / b**2)
    return math.sqrt(0.5 * alone**2 + 0.5 * min(a, b) ** 2)
