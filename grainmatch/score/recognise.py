"""Recognises boards laid out on the bench by their own grain, and says in words what differs from a layout.

Grain is long along the board and fine across it, so faces are compared on a grid of 4 mm along by 1 mm
across: evened lightness, clipped so that chalk, glare and shadows weigh little, correlated by Fourier
transform over every slide (masked normalised cross-correlation, Padfield 2012, doi 10.1109/TIP.2011.2181402,
equation from memory). A board is named for sure only when its best match stands well above the
second best of all boards, faces and turns.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.optimize import linear_sum_assignment

from grainmatch.colour import srgb_to_lab
from grainmatch.errors import BoardError
from grainmatch.model import Board, Face, Mask, Side

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Spectrum = NDArray[np.complexfloating[Any, Any]]

_ALONG_MM, _ACROSS_MM = 4.0, 1.0
_STRETCHES = (1.0, 0.98, 1.02)  # tried across the board: two photos seldom agree in scale to a millimetre
_SHIFT_ACROSS_MM = 10.0
_SHIFT_ALONG_FRAC = 0.3
_LEAST_OVERLAP = 0.6
_LEAST_SCORE = 0.35
_LEAST_LEAD = 0.12
_SAME_LENGTH_FRAC = 0.02
_CHALK = 3.5  # brighter than the usual spread by this factor: wood has dark lines, seldom bright ones
_REFINED_N = 4


@dataclass(frozen=True)
class Recognition:
    """What one seen face was recognised as.

    board_id is None when nothing fits. turned: end for end against the known face's picture. slide_mm:
    how far the board's left end, as it lies, is to the right of the seen picture's left edge. centre_mm: the
    board's middle along the bench. score is the correlation, lead its distance to the second best of all
    boards and poses; sure when both are clear; confidence is 0..1.
    """

    board_id: str | None
    side: Side = "A"
    turned: bool = False
    slide_mm: float = 0.0
    centre_mm: float = 0.0
    sure: bool = False
    confidence: float = 0.0
    score: float = 0.0
    lead: float = 0.0


@dataclass(frozen=True, eq=False)
class Grain:
    """One face on the comparison grid: evened lightness (0 off the wood) and where it is known."""

    values: Image
    known: Image

    def turned(self) -> Grain:
        return Grain(self.values[::-1, ::-1], self.known[::-1, ::-1])


@dataclass(frozen=True)
class _Pose:
    board_index: int
    side: Side
    turned: bool


def recognise_boards(
    seen: Sequence[Face], boards: Sequence[Board], *, left_mm: Sequence[float] | None = None
) -> list[Recognition]:
    """Match each seen face to the known boards' faces, each side, as they are and turned.

    left_mm gives the place of each seen picture's left edge along the bench (0 when omitted: pictures cut
    from one frame). Each board is given at most once. The answer has the order of `seen`. Raises
    BoardError without known boards.
    """
    if not boards:
        raise BoardError("There are no known boards to compare with.", "Measure the boards first.")
    if not seen:
        return []
    lefts = [0.0] * len(seen) if left_mm is None else list(left_mm)
    faces = [(n, face) for n, board in enumerate(boards) for face in board.faces]
    poses = [_Pose(n, face.side, turned) for n, face in faces for turned in (False, True)]
    score, slide_mm = _compare([read_grain(face) for face in seen], [face for _, face in faces])
    return _settle(seen, boards, poses, score, slide_mm, lefts)


def _compare(looks: Sequence[Grain], faces: Sequence[Face]) -> tuple[Floats, Floats]:
    """Score and slide in mm of each look against each face as it is and turned, (looks, 2 x faces)."""
    grains = []
    for face in faces:
        row = [read_grain(face, stretch=s) for s in _STRETCHES]
        grains += [row, [grain.turned() for grain in row]]
    shape = _common_shape([*looks, *(g for row in grains for g in row)])
    spectra = [_Spectra.of(look, shape) for look in looks]
    score, place = np.zeros((len(looks), len(grains))), np.zeros((len(looks), len(grains), 3), dtype=np.int64)
    for column, row in enumerate(grains):
        for which, grain in enumerate(row):
            known = _Spectra.of(grain, shape)
            for i, spectrum in enumerate(spectra):
                value, down, along = _best_slide(spectrum, known)
                if value > score[i, column]:
                    score[i, column], place[i, column] = value, (which, down, along)
    slide_mm = np.asarray(place[..., 2] * _ALONG_MM, dtype=np.float64)
    for i, look in enumerate(looks):
        for column in np.argsort(-score[i])[:_REFINED_N]:
            which, down, along = (int(v) for v in place[i, column])
            value, cells = _refine(look, grains[column][which], down, along)
            if value > score[i, column]:
                score[i, column], slide_mm[i, column] = value, cells * _ALONG_MM
    return score, slide_mm


def read_grain(face: Face, *, stretch: float = 1.0) -> Grain:
    """A face's lightness on the comparison grid with slow changes taken out, in units of its own spread.

    Left out as unknown: what is off the wood, the edges (they carry shadows), dark background that reaches in
    from the picture's border, and chalk.
    """
    h, w = face.rgb.shape[:2]
    size = (
        max(4, round(w / face.px_per_mm / _ALONG_MM)),
        max(4, round(h / face.px_per_mm / _ACROSS_MM * stretch)),
    )
    inside = face.inside.astype(np.float32)
    light = np.asarray(srgb_to_lab(face.rgb)[..., 0], dtype=np.float32)
    share = np.asarray(cv2.resize(inside, size, interpolation=cv2.INTER_AREA))
    total = np.asarray(cv2.resize(light * inside, size, interpolation=cv2.INTER_AREA))
    mean: Image = (total / np.maximum(share, 1e-3)).astype(np.float32)
    known = _clear_of_edges((share > 0.95) & ~_background(mean, share > 0.95))
    even = mean - _smooth(mean, known, 60, 12)
    usual = 1.48 * float(np.median(np.abs(even[known > 0]))) if known.any() else 1.0
    chalk = cv2.dilate((even > _CHALK * usual).astype(np.uint8), np.ones((3, 3), np.uint8))
    known = known * (1 - np.asarray(chalk, dtype=np.float32))
    even = mean - _smooth(mean, known, 60, 12)
    spread = np.sqrt(_smooth(even * even, known, 120, 25))
    even = np.clip(even / (spread + 0.3 * usual + 0.05), -2.5, 2.5) * known
    return Grain(np.ascontiguousarray(even), np.ascontiguousarray(known))


def _background(light: Image, on_face: Mask) -> Mask:
    """Cells much darker than the wood that hang together with the picture's border."""
    usual = float(np.median(light[on_face])) if on_face.any() else 0.0
    dark = ((light < 0.5 * usual) | ~on_face).astype(np.uint8)
    framed = cv2.copyMakeBorder(dark, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=1)
    _, labels = cv2.connectedComponents(framed, connectivity=4)
    labels = np.asarray(labels)
    return np.asarray(labels == labels[0, 0])[1:-1, 1:-1]


def _clear_of_edges(known: Mask) -> Image:
    framed = cv2.copyMakeBorder(known.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    return np.asarray(cv2.erode(framed, np.ones((7, 5), np.uint8))[1:-1, 1:-1], dtype=np.float32)


def _smooth(field: Image, known: Image, along_mm: float, across_mm: float) -> Image:
    """Gaussian mean of a field over its known cells."""
    along, across = along_mm / _ALONG_MM, across_mm / _ACROSS_MM
    weight = cv2.GaussianBlur(known, (0, 0), sigmaX=along, sigmaY=across) + 1e-4
    return np.asarray(
        cv2.GaussianBlur(field * known, (0, 0), sigmaX=along, sigmaY=across) / weight, dtype=np.float32
    )


@dataclass(frozen=True, eq=False)
class _Spectra:
    """Fourier transforms of a face's values, their squares and where they are known."""

    values: Spectrum
    squares: Spectrum
    known: Spectrum
    area: float
    size: tuple[int, int]
    shape: tuple[int, int]

    @classmethod
    def of(cls, grain: Grain, shape: tuple[int, int]) -> _Spectra:
        values, squares, known = (fft.rfft2(a, s=shape) for a in (grain.values, grain.values**2, grain.known))
        rows, columns = grain.values.shape
        return cls(values, squares, known, float(grain.known.sum()), (rows, columns), shape)


def _common_shape(grains: Sequence[Grain]) -> tuple[int, int]:
    """A transform size in which no slide allowed here wraps round."""
    rows, columns = (max(g.values.shape[k] for g in grains) for k in (0, 1))
    return (
        fft.next_fast_len(rows + math.ceil(_SHIFT_ACROSS_MM / _ACROSS_MM) + 16, real=True),
        fft.next_fast_len(math.ceil(columns * (1 + _SHIFT_ALONG_FRAC)) + 2, real=True),
    )


def _best_slide(seen: _Spectra, known: _Spectra) -> tuple[float, int, int]:
    """The best correlation over slides of the known face on the seen one, and its cells down and along."""
    rows, columns = seen.shape
    products = np.stack(
        [
            seen.values * known.values.conj(),
            seen.squares * known.known.conj(),
            seen.known * known.squares.conj(),
            seen.known * known.known.conj(),
        ]
    )
    cross, seen_energy, known_energy, overlap = fft.irfft2(products, s=seen.shape)
    middle = (seen.size[0] - known.size[0]) / 2
    down = np.arange(math.floor(middle - _SHIFT_ACROSS_MM), math.ceil(middle + _SHIFT_ACROSS_MM) + 1)
    reach = int(_SHIFT_ALONG_FRAC * min(seen.size[1], known.size[1]))
    lowest = min(0, seen.size[1] - known.size[1]) - reach
    along = np.arange(lowest, max(0, seen.size[1] - known.size[1]) + reach + 1)
    pick = np.ix_(down % rows, along % columns)
    energy = np.sqrt(np.maximum(seen_energy[pick] * known_energy[pick], 1e-6))
    enough = overlap[pick] >= _LEAST_OVERLAP * min(seen.area, known.area)
    value = np.where(enough, cross[pick] / energy, -1.0)
    k = np.unravel_index(int(np.argmax(value)), value.shape)
    return float(value[k]), int(down[k[0]]), int(along[k[1]])


def _refine(seen: Grain, known: Grain, down: int, along: int) -> tuple[float, float]:
    """Correlation and slide in cells after an affine fit by enhanced correlation (Evangelidis & Psarakis
    2008), which takes up the last per cent of scale and a slight turn."""
    warp = np.array([[1, 0, -along], [0, 1, -down]], dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 25, 1e-4)
    start = warp.copy()
    try:
        _, fitted = cv2.findTransformECC(
            seen.values, known.values, warp, cv2.MOTION_AFFINE, stop, (known.known * 255).astype(np.uint8), 3
        )
    except cv2.error:  # it did not converge: keep the plain slide
        fitted = start
    fitted = np.asarray(fitted)
    if np.abs(fitted[:, :2] - np.eye(2)).max() > 0.06:
        fitted = start
    size = seen.values.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    value, mask = (cv2.warpAffine(a, fitted, size, flags=flags) for a in (known.values, known.known))
    both = seen.known * np.asarray(mask)
    if both.sum() < _LEAST_OVERLAP * min(seen.known.sum(), known.known.sum()):
        return 0.0, float(along)
    a, b = seen.values, np.asarray(value)
    top = float((a * b * both).sum())
    return top / math.sqrt(float((a * a * both).sum() * (b * b * both).sum()) + 1e-6), -float(fitted[0, 2])


def _settle(
    seen: Sequence[Face],
    boards: Sequence[Board],
    poses: Sequence[_Pose],
    score: NDArray[np.float64],
    slide: NDArray[np.float64],
    lefts: Sequence[float],
) -> list[Recognition]:
    """Give each board to at most one seen face so that the summed scores are highest."""
    of_board = np.array([p.board_index for p in poses])
    per_board = np.stack(
        [score[:, of_board == n].max(axis=1, initial=0.0) for n in range(len(boards))], axis=1
    )
    rows, columns = linear_sum_assignment(-per_board)
    given = dict(zip(rows.tolist(), columns.tolist(), strict=True))
    found = []
    for i, face in enumerate(seen):
        if i not in given or per_board[i, given[i]] < _LEAST_SCORE / 2:
            found.append(Recognition(None, centre_mm=lefts[i] + face.rgb.shape[1] / face.px_per_mm / 2))
            continue
        mine = np.where(of_board == given[i], score[i], -1.0)
        k = int(mine.argmax())
        best, second = float(score[i, k]), float(np.delete(score[i], k).max(initial=0.0))
        slide_mm = _end_slide_mm(face, boards[given[i]], float(slide[i, k]))
        found.append(
            Recognition(
                boards[given[i]].id, poses[k].side, poses[k].turned, slide_mm,
                lefts[i] + slide_mm + boards[given[i]].length_mm / 2,
                sure=best >= _LEAST_SCORE and best - second >= _LEAST_LEAD,
                confidence=_confidence(best, best - second),
                score=best, lead=best - second,
            )
        )  # fmt: skip
    return found


def _end_slide_mm(face: Face, board: Board, grain_slide_mm: float) -> float:
    """The slide, from the ends where the picture holds the whole board, else from the grain."""
    seen_mm = face.rgb.shape[1] / face.px_per_mm
    spare_mm = seen_mm - board.length_mm
    return spare_mm / 2 if abs(spare_mm) <= _SAME_LENGTH_FRAC * board.length_mm else grain_slide_mm


def _confidence(score: float, lead: float) -> float:
    """0..1, one half at the limits of being sure."""
    clear = min((score / _LEAST_SCORE) ** 2, (max(lead, 0.0) / _LEAST_LEAD) ** 2)
    return clear / (1 + clear)
