"""Recognises boards laid out on the bench by their own grain.

Known faces, as they are and turned, are correlated with what is seen by Fourier transform over every
slide; the best few poses are then fitted to the last per cent of scale. A board is named for sure only
when its best match stands well above the second best of all boards, faces and turns.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from grainmatch.errors import BoardError
from grainmatch.model import Board, Face, Side
from grainmatch.score.grain import ACROSS_MM, ALONG_MM, Fit, Grain, Image, fit_on, read_grain

Floats = NDArray[np.float64]

_STRETCHES = (1.0, 0.98, 1.02)  # tried across the board: two photos seldom agree in scale to a millimetre
_SHIFT_ACROSS_MM = 10.0
_SHIFT_ALONG_FRAC = 0.3
_LEAST_SCORE = 0.54
_LEAST_LEAD = 0.2  # strangers with evenly spaced rings reach a score of 0.5; the same board has 0.5 to 0.98
_FAINT_SCORE, _FAINT_LEAD, _FAINT_PLAIN = 0.45, 0.25, 0.4
"""A fainter match is sure too when it leads by more and the plain slide already shows it: bending the scale
can bring a stranger's rings to agree from a slide of 0.2, while chalk and blur dim both alike."""
_LEAST_GUESS = 0.2  # below this not even a guess is given
_REFINED_OF_BOARD_N = 2


@dataclass(frozen=True)
class Recognition:
    """A board found in the picture of a top.

    turned: end for end against the known face's picture. slide_mm: how far the board's left end, as it lies,
    is to the right of the picture's left edge. centre_mm: the board's middle along the bench. score is the
    correlation, lead its distance to the second best of all boards and poses; sure when both are clear;
    confidence is 0..1. across_mm: the board's middle below the picture's upper edge.
    """

    board_id: str
    side: Side
    turned: bool
    slide_mm: float = 0.0
    centre_mm: float = 0.0
    sure: bool = False
    confidence: float = 0.0
    score: float = 0.0
    lead: float = 0.0
    across_mm: float = 0.0


@dataclass(frozen=True)
class _Pose:
    board_index: int
    side: Side
    turned: bool


@dataclass(frozen=True, eq=False)
class _Known:
    """A known face in one pose, at each stretch across."""

    pose: _Pose
    grains: tuple[Grain, ...]


@dataclass(frozen=True)
class _Start:
    """Where a coarse search found a pose: its correlation, which stretch, cells down and along."""

    score: float
    stretch: int
    down: int
    along: int


def recognise_top(picture: Face, boards: Sequence[Board], *, left_mm: float = 0.0) -> list[Recognition]:
    """Find the known boards in one picture of the whole top, boards lying along x, without their outlines.

    Each board is looked for by each face, as it is and turned; where boards touch, their seams need not be
    told. picture.inside should leave out the bench; left_mm is the place of the picture's left edge along it.
    Only boards found are returned, top edge to bottom edge. Raises BoardError without known boards.
    """
    known = _known_faces(boards)
    look = read_grain(picture)
    starts = _search(look, known)
    fits = _refine(look, known, starts, _best_of_each_board(known, starts))
    found: dict[int, Recognition] = {}
    for k in np.argsort([-f.score for f in fits]).tolist():
        fit, pose = fits[k], known[k].pose
        board = boards[pose.board_index]
        reach_mm = 0.35 * board.width_mm
        taken = any(abs(r.across_mm - fit.across_mm) < reach_mm for r in found.values())
        if fit.score < _LEAST_GUESS or pose.board_index in found or taken:
            continue
        # Rivals are the board's own other poses, wherever they fit, and all that would lie in this place.
        second = max(
            (
                f.score
                for j, f in enumerate(fits)
                if j != k
                and (
                    known[j].pose.board_index == pose.board_index
                    or abs(f.across_mm - fit.across_mm) < reach_mm
                )
            ),
            default=0.0,
        )
        slide_mm = fit.along_mm - board.length_mm / 2
        found[pose.board_index] = _recognition(board, pose, fit, second, slide_mm, left_mm)
    return sorted(found.values(), key=lambda r: r.across_mm)


def _best_of_each_board(known: Sequence[_Known], starts: Sequence[_Start]) -> set[int]:
    """The few best poses of each board, worth a closer fit."""
    score = np.array([s.score for s in starts])
    of_board = np.array([k.pose.board_index for k in known])
    chosen: set[int] = set()
    for n in np.unique(of_board):
        mine = np.flatnonzero(of_board == n)
        chosen.update(mine[np.argsort(-score[mine])[:_REFINED_OF_BOARD_N]].tolist())
    return chosen


def _known_faces(boards: Sequence[Board]) -> list[_Known]:
    if not boards:
        raise BoardError("There are no known boards to compare with.", "Measure the boards first.")
    known = []
    for n, board in enumerate(boards):
        for face in board.faces:
            plain = read_grain(face)
            for turned in (False, True):
                grain = plain.turned() if turned else plain
                stretched = tuple(grain.stretched(s) for s in _STRETCHES)
                known.append(_Known(_Pose(n, face.side, turned), stretched))
    return known


def _search(look: Grain, known: Sequence[_Known]) -> list[_Start]:
    """The best place of each known pose anywhere on the look."""
    shape = _common_shape([look, *(g for k in known for g in k.grains)])
    seen = fft.rfft2(look.values, s=shape)
    found = [_Start(-1.0, 0, 0, 0)] * len(known)
    for k, one in enumerate(known):
        for stretch, grain in enumerate(one.grains):
            cross = fft.irfft2(seen * fft.rfft2(grain.values, s=shape).conj(), s=shape)
            score, down, along = _best_slide(look, grain, cross)
            if score > found[k].score:
                found[k] = _Start(score, stretch, down, along)
    return found


def _common_shape(grains: Sequence[Grain]) -> tuple[int, int]:
    """A transform size in which no slide allowed here wraps round."""
    rows, columns = (max(g.values.shape[k] for g in grains) for k in (0, 1))
    return (
        fft.next_fast_len(rows + 2 * math.ceil(_SHIFT_ACROSS_MM / ACROSS_MM) + 16, real=True),
        fft.next_fast_len(math.ceil(columns * (1 + _SHIFT_ALONG_FRAC)) + 2, real=True),
    )


def _best_slide(seen: Grain, known: Grain, cross: Image) -> tuple[float, int, int]:
    """The best correlation over slides of the known face on the seen one, and its cells down and along.

    cross is their circular cross-correlation.
    """
    rows, columns = cross.shape
    (h_seen, w_seen), (h_known, w_known) = seen.values.shape, known.values.shape
    spare, reach = h_seen - h_known, int(_SHIFT_ALONG_FRAC * min(w_seen, w_known))
    low, high = min(0, spare) - _SHIFT_ACROSS_MM, max(0, spare) + _SHIFT_ACROSS_MM
    down = np.arange(math.floor(low), math.ceil(high) + 1)
    along = np.arange(min(0, w_seen - w_known) - reach, max(0, w_seen - w_known) + reach + 1)
    allowed = cross[np.ix_(down % rows, along % columns)]
    k = np.unravel_index(int(np.argmax(allowed)), allowed.shape)
    smaller = min(seen.area, known.area)  # a covered part of either face must not count against the match
    energy = seen.rms * known.rms * smaller
    return float(allowed[k]) / (energy + 1e-6), int(down[k[0]]), int(along[k[1]])


def _refine(look: Grain, known: Sequence[_Known], starts: Sequence[_Start], chosen: set[int]) -> list[Fit]:
    """Fits of the chosen poses; the others keep what the search gave."""
    fits = []
    for k, (one, start) in enumerate(zip(known, starts, strict=True)):
        grain = one.grains[start.stretch]
        if k in chosen:
            fits.append(replace(fit_on(look, grain, start.down, start.along), plain=start.score))
        else:
            h, w = grain.values.shape
            middle = ((start.along + w / 2) * ALONG_MM, (start.down + h / 2) * ACROSS_MM)
            fits.append(Fit(start.score, *middle, plain=start.score))
    return fits


def _recognition(
    board: Board, pose: _Pose, fit: Fit, second: float, slide_mm: float, left_mm: float
) -> Recognition:
    lead = fit.score - second
    clear = min((fit.score / _LEAST_SCORE) ** 2, (max(lead, 0.0) / _LEAST_LEAD) ** 2)
    if fit.plain >= _FAINT_PLAIN:
        faint = min((fit.score / _FAINT_SCORE) ** 2, (max(lead, 0.0) / _FAINT_LEAD) ** 2)
        clear = max(clear, faint)
    return Recognition(
        board.id, pose.side, pose.turned, slide_mm, left_mm + slide_mm + board.length_mm / 2,
        sure=clear >= 1,
        confidence=clear / (1 + clear),  # one half at the limits of being sure
        score=fit.score, lead=lead, across_mm=fit.across_mm,
    )  # fmt: skip
