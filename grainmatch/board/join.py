"""A long board from two or three photos that overlap, joined on its own grain.

Each part is a measured face whose photo showed only a stretch of the board. The grain of one part's
right stretch is found again in the next part's left stretch (normalised cross-correlation of the
figure with slow changes of light taken out); what several patches disagree about is the join's
uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import BoardError
from grainmatch.geometry import Points
from grainmatch.model import Board, Face

WORK_PX_PER_MM = 1.0
LEAST_OVERLAP_FRAC = 0.12
"""Less than the 15 % asked for, for what the outlines lose at the photos' borders."""
LEAST_LIKENESS = 0.45
PATCHES = 5
Grey = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class JoinedBoard:
    """A board joined from parts. overlap_mm and sigma_mm (n - 1,): how far neighbours overlap and the 1-sigma
    of that; likeness 0..1 is how well the grain agrees there."""

    board: Board
    overlap_mm: tuple[float, ...]
    sigma_mm: tuple[float, ...]
    likeness: tuple[float, ...]


@dataclass(frozen=True)
class _Shift:
    """Where the next part lies on this one: its left end at x_mm, y_mm lower, turned by slope."""

    x_mm: float
    y_mm: float
    slope: float
    sigma_mm: float
    likeness: float


def join_lengthwise(parts: Sequence[Board]) -> JoinedBoard:
    """One board from parts in order from its left end, all with the same face up.

    Length is from the first part's left end to the last part's right one; its sigma joins the parts' own
    with the joins'. Raises BoardError when two neighbours do not show the same grain.
    """
    if len(parts) < 2:
        raise BoardError("A single part cannot be joined.", "Give two or three overlapping photos.")
    board, overlaps, shifts = parts[0], [], []
    for part in parts[1:]:
        shift = _find_shift(board.faces[0], part.faces[0])
        overlaps.append(board.length_mm - shift.x_mm)
        shifts.append(shift)
        board = _append(board, part, shift)
    return JoinedBoard(
        board, tuple(overlaps), tuple(s.sigma_mm for s in shifts), tuple(s.likeness for s in shifts)
    )


def _find_shift(left: Face, right: Face) -> _Shift:
    """Place of the right part on the left one, from patches of its left stretch."""
    a, b = _figure(left), _figure(right)
    shortest = min(a.shape[1], b.shape[1])
    patch = max(24, int(0.06 * shortest))
    reach = int(LEAST_OVERLAP_FRAC * shortest)
    margin = max(4, int(0.12 * b.shape[0]))
    starts = np.linspace(4, max(reach - patch, 5), PATCHES).astype(int)
    found = [_match(a, b[margin:-margin, s : s + patch], s, margin) for s in starts]
    x, y, like = (np.array([f[k] for f in found]) for k in range(3))
    middle = float(np.median(x[like >= np.median(like)]))
    good = (np.abs(x - middle) < 3) & (like > LEAST_LIKENESS * 0.8)
    if good.sum() < 2 or like[good].mean() < LEAST_LIKENESS:
        raise BoardError(
            "Two parts of a long board do not show the same grain.",
            "Let the photos overlap by at least 15 % of the board, and give them from left to right.",
        )
    slope = float(np.polyfit(starts[good], y[good], 1)[0]) if good.sum() >= 3 else 0.0
    slope = slope if abs(slope) < 0.02 else 0.0
    y_at_end = float(np.mean(y[good] - slope * starts[good]))
    noise = float(x[good].std(ddof=1)) / np.sqrt(good.sum())
    sigma = float(np.hypot(noise, 0.15)) / WORK_PX_PER_MM  # a patch is placed to about 0.15 px at best
    return _Shift(
        float(x[good].mean()) / WORK_PX_PER_MM,
        y_at_end / WORK_PX_PER_MM,
        slope,
        sigma,
        float(like[good].mean()),
    )


def _figure(face: Face) -> Grey:
    """The face's figure at the working scale: log light with slow changes taken out."""
    scale = WORK_PX_PER_MM / face.px_per_mm
    grey = cv2.cvtColor(face.rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    size = (max(8, round(grey.shape[1] * scale)), max(8, round(grey.shape[0] * scale)))
    small = np.log(cv2.resize(grey, size, interpolation=cv2.INTER_AREA) + 8)
    return np.asarray(
        cv2.GaussianBlur(small, (0, 0), 0.7) - cv2.GaussianBlur(small, (0, 0), 9.0), dtype=np.float32
    )


def _match(a: Grey, patch: Grey, start: int, margin: int) -> tuple[float, float, float]:
    """(x, y) of the right part's corner on the left part by one patch, and the patch's likeness."""
    if a.shape[0] < patch.shape[0] or a.shape[1] < patch.shape[1]:
        return 0.0, 0.0, 0.0
    score: Any = cv2.matchTemplate(a, patch, cv2.TM_CCOEFF_NORMED)
    row, column = (int(v) for v in np.unravel_index(int(score.argmax()), score.shape))
    x = column + _peak_offset(score[row], column)
    y = row + _peak_offset(score[:, column], row)
    return x - start, y - margin, float(score[row, column])


def _peak_offset(line: Grey, at: int) -> float:
    if not 0 < at < len(line) - 1:
        return 0.0
    a, b, c = (float(v) for v in line[at - 1 : at + 2])
    bend = a - 2 * b + c
    return 0.5 * (a - c) / bend if bend < -1e-9 else 0.0


def _append(left: Board, right: Board, shift: _Shift) -> Board:
    face, moved = left.faces[0], _move_edges(right.faces[0], shift)
    cut = shift.x_mm + 0.5 * (left.length_mm - shift.x_mm)
    upper = _splice(face.upper_edge_mm, moved[0], cut)
    lower = _splice(face.lower_edge_mm, moved[1], cut)
    lift = max(0.0, -float(min(upper[:, 1].min(), lower[:, 1].min())))
    down = np.array([0.0, lift])
    upper, lower = upper + down, lower + down
    rgb, inside = _stitch(face, right.faces[0], shift, lift, float(lower[:, 1].max()))
    joined = Face("A", rgb, inside, face.px_per_mm, upper, lower, face.photo)
    middle_x = np.linspace(5, shift.x_mm + right.length_mm - 5, 65)
    middle = 0.5 * (np.interp(middle_x, *upper.T) + np.interp(middle_x, *lower.T))
    bow = middle - np.interp(middle_x, [middle_x[0], middle_x[-1]], [middle[0], middle[-1]])
    return replace(
        left,
        length_mm=shift.x_mm + right.length_mm,
        end_width_mm=right.end_width_mm,
        crook_mm=float(bow[np.abs(bow).argmax()]),
        faces=(joined,),
        sigma_length_mm=float(
            np.sqrt(left.sigma_length_mm**2 + right.sigma_length_mm**2 + shift.sigma_mm**2)
        ),
        sigma_width_mm=max(left.sigma_width_mm, right.sigma_width_mm),
    )


def _move_edges(face: Face, shift: _Shift) -> tuple[Points, Points]:
    def move(edge: Points) -> Points:
        x, y = edge.T
        return np.column_stack([x + shift.x_mm - shift.slope * y, y + shift.y_mm + shift.slope * x])

    return move(face.upper_edge_mm), move(face.lower_edge_mm)


def _splice(a: Points, b: Points, cut_mm: float) -> Points:
    return np.vstack([a[a[:, 0] < cut_mm], b[b[:, 0] >= cut_mm]])


def _stitch(
    left: Face, right: Face, shift: _Shift, lift_mm: float, height_mm: float
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Both pictures on one canvas, blended over the overlap."""
    s = left.px_per_mm
    width = int(np.ceil(shift.x_mm * s + right.rgb.shape[1] * s / right.px_per_mm))
    size = (width, int(np.ceil(height_mm * s)))
    k = s / right.px_per_mm
    place_left = np.array([[1.0, 0, 0], [0, 1.0, lift_mm * s]])
    place_right = np.array(
        [
            [k, -k * shift.slope, shift.x_mm * s + 0.5 * k - 0.5],
            [k * shift.slope, k, (shift.y_mm + lift_mm) * s + 0.5 * k - 0.5],
        ]
    )
    pictures, masks = [], []
    for face, place in ((left, place_left), (right, place_right)):
        pictures.append(
            cv2.warpAffine(face.rgb, place, size, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
        )
        masks.append(cv2.warpAffine(face.inside.astype(np.uint8), place, size) > 0)
    start, stop = shift.x_mm * s, left.rgb.shape[1]
    share = np.clip((np.arange(width) - start - 3) / max(stop - start - 6, 1), 0, 1).astype(np.float32)
    rgb = pictures[0] * (1 - share)[None, :, None] + pictures[1] * share[None, :, None]
    inside = np.where(share[None, :] < 0.5, masks[0], masks[1])
    return np.rint(rgb).clip(0, 255).astype(np.uint8), inside
