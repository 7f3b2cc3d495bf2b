"""What may be wrong with outlines though nothing in the photo says it: told, never acted on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from grainmatch.board.outline import EDGE_SIGMA_PX, UNSEEN_SIGMA_MM, BoardOutline
from grainmatch.geometry import plane_to_pixels
from grainmatch.model import Bench

MAY_BE_TWO = "may be two boards"
ALIKE = "of the bench's own colour"
MAY_BE_MORE = "other boards may lie unseen"
RUNS_OUT = "{} end runs out of the picture"
ASKEW = "{} end far out of square"
UNEVEN = "{} end no one straight cut"
TAPERED = "far narrower at one end"
UNSEEN = "{} edge hardly shows"
BY_HAND = "by hand"
WIDER_FRAC = 1.7
WIDE_MM = 200.0
"""Two boards of a pile together are about twice as wide as the others; single ones over 200 mm are uncommon
(common practice, no source)."""
RIM_FRAC = 0.004
"""How near to the picture's rim, in shares of its long side, both corners of an end that is cut off lie."""
ASKEW_DEG = 10.0
"""Boards are docked squarer than this (common practice, no source)."""
UNEVEN_MM = 0.4
"""1-sigma from its own unevenness of an end that is one saw cut, at the most: twice that of the worst of 358
drawn ones. Where two boards make one outline, or bench was taken for wood, it is more."""
CHECK = "check every outline, or lay the boards on a cloth of another colour and take the photo again."
SEVERAL = 3
"""So many outlines with uneven ends are told in one sentence, of the bench."""
LEAST_NARROW_FRAC = 0.75
"""Boards for one top are edged about parallel, and those left as the tree grew taper less than this over the
length of a table (common practice, no source); part of a board, cut off along a growth ring, may not be."""
DOUBTED = 0.5
End = Literal["left", "right"]
ENDS: tuple[tuple[End, int], ...] = (("left", 0), ("right", -1))
EDGES = (("upper", 0), ("lower", 1))


def doubt_widths(outlines: Sequence[BoardOutline]) -> tuple[BoardOutline, ...]:
    """The outlines of one photo, with a note and less confidence where a seam may have been missed.

    A seam between boards of one tree that touch can be fainter than growth rings, which are no seam; what
    remains is a board far wider than the others.
    """
    widths = np.array([_width_mm(o) for o in outlines])
    told = []
    for n, outline in enumerate(outlines):
        others = np.delete(widths, n)
        wide = len(others) > 0 and widths[n] > max(WIDE_MM, WIDER_FRAC * float(np.median(others)))
        noted = replace(outline, confidence=DOUBTED, notes=(*outline.notes, MAY_BE_TWO))
        told.append(noted if wide else outline)
    return tuple(told)


def doubt_shapes(bench: Bench, outlines: Sequence[BoardOutline]) -> tuple[BoardOutline, ...]:
    """The outlines of one photo, with a note and less confidence where a long edge hardly shows, the picture
    cuts an end off, or one is no one straight cut, far out of square or far narrower than the other."""
    told = []
    for outline in outlines:
        cut = [RUNS_OUT.format(end) for end, k in ENDS if _at_rim(bench, outline, k)]
        askew = [ASKEW.format(end) for end, k in ENDS if _askew_deg(outline, k) > ASKEW_DEG]
        uneven = [UNEVEN.format(end) for end, k in ENDS if _uneven_mm(bench, outline, k) > UNEVEN_MM]
        tapered = [TAPERED] if _narrow_frac(outline) < LEAST_NARROW_FRAC else []
        unseen = [UNSEEN.format(edge) for edge, k in EDGES if outline.sigma_mm[k] >= UNSEEN_SIGMA_MM]
        notes = (*cut, *askew, *uneven, *tapered, *unseen)
        if notes:
            outline = replace(outline, confidence=DOUBTED, notes=(*outline.notes, *notes))
        told.append(outline)
    return tuple(told)


def has_sure_edges(outline: BoardOutline) -> bool:
    """Whether nothing speaks against where its edges and ends lie, or someone looked at them."""
    doubts = [note.format(edge) for note in (UNSEEN, UNEVEN) for edge in ("upper", "lower", "left", "right")]
    return _is_by_hand(outline) or not any(note in (*doubts, TAPERED) for note in outline.notes)


def tell_doubts(outlines: Sequence[BoardOutline], *, whole: bool = True) -> tuple[str, ...]:
    """The doubts of one photo's outlines, in reading order, in words; none of boards corrected by hand.

    whole: whether the photo should show all of its boards, and not a part of a long one.
    """
    ragged = _are_mostly_uneven([o for o in outlines if not _is_by_hand(o)])
    words = _tell_of_bench(outlines, ragged)
    for n, outline in enumerate(outlines, 1):
        if not _is_by_hand(outline):
            words += _tell_of_board(n, outline, ragged, whole)
    return tuple(words)


def _tell_of_bench(outlines: Sequence[BoardOutline], ragged: bool) -> list[str]:
    """What the bench's likeness to the wood makes doubtful; ragged: whether most boards seem to have ends
    that are no one straight cut."""
    words = []
    if ragged:
        words.append(
            f"Most boards seem to have ragged ends, so the bench may look too much like the wood; {CHECK}"
        )
    alike = [str(n) for n, o in enumerate(outlines, 1) if ALIKE in o.notes and not _is_by_hand(o)]
    if len(alike) == 1:
        words.append(f"Board {alike[0]} hardly differs from the bench, so its size may be off; {CHECK}")
    elif alike:
        which = f"{', '.join(alike[:-1])} and {alike[-1]}"
        words.append(f"Boards {which} hardly differ from the bench, so their sizes may be off; {CHECK}")
    if any(MAY_BE_MORE in o.notes for o in outlines if not _is_by_hand(o)):
        words.append(
            "Boards of the bench's own colour seem to lie on it that have no outline, or only in part; "
            f"{CHECK}"
        )
    return words


def _tell_of_board(n: int, outline: BoardOutline, ragged: bool, whole: bool) -> list[str]:
    """The doubts about board n alone; ragged, whole: see `_tell_of_bench` and `tell_doubts`."""
    words = []
    if MAY_BE_TWO in outline.notes:
        words.append(
            f"Board {n}, {_width_mm(outline):.0f} mm wide, may be two boards that touch; "
            "look at its picture and split it if so."
        )
    if TAPERED in outline.notes and not ragged:
        words.append(
            f"Board {n} is far narrower at one end than at the other, so part of it may be missing from "
            "its outline; look at its picture and move the corners if so."
        )
    for edge, _ in EDGES:
        if UNSEEN.format(edge) in outline.notes:
            words.append(
                f"The {edge} edge of board {n} hardly shows, so its width may be far off; look at its "
                "picture and move the corners."
            )
    for end, k in ENDS:
        if RUNS_OUT.format(end) in outline.notes:  # where the picture's rim cuts it, it may well be askew
            if whole:
                words.append(
                    f"The {end} end of board {n} runs out of the picture, so its length is not all "
                    "of it; take the photo again with all ends in it."
                )
        elif UNEVEN.format(end) in outline.notes:
            if MAY_BE_TWO not in outline.notes and not ragged:
                words.append(
                    f"The {end} end of board {n} is no one straight cut, so it may be two boards or "
                    "partly bench; look at its picture and split it or move the corners."
                )
        elif ASKEW.format(end) in outline.notes:
            words.append(
                f"The {end} end of board {n} looks {_askew_deg(outline, k):.0f} degrees out of square; "
                "look at its picture and move the corner if it is not."
            )
    return words


def _is_by_hand(outline: BoardOutline) -> bool:
    """Whether the maker looked at it and corrected it."""
    return any(note.endswith(BY_HAND) for note in outline.notes)


def _are_mostly_uneven(outlines: Sequence[BoardOutline]) -> bool:
    """Whether most of several outlines have an end that is no one straight cut."""
    uneven = [any(UNEVEN.format(end) in o.notes for end, _ in ENDS) for o in outlines]
    return len(uneven) >= SEVERAL and sum(uneven) > len(uneven) / 2


def _at_rim(bench: Bench, outline: BoardOutline, end: int) -> bool:
    """Whether both corners of an end (0 or -1) lie along one side of the picture."""
    corners = np.array([outline.upper_mm[end], outline.lower_mm[end]])
    seen = plane_to_pixels(bench.camera, corners, bench.face_height_mm)
    size = np.array(bench.photo.rgb.shape[1::-1])
    rim = RIM_FRAC * size.max()
    return bool(((seen < rim).all(axis=0) | (seen > size - rim).all(axis=0)).any())


def _uneven_mm(bench: Bench, outline: BoardOutline, end: int) -> float:
    """1-sigma of an end (0 or -1) without what any edge may be off by."""
    sigma = outline.sigma_mm[2] if end == 0 else outline.sigma_mm[3]
    return float(np.sqrt(max(sigma**2 - (EDGE_SIGMA_PX / bench.px_per_mm) ** 2, 0.0)))


def _askew_deg(outline: BoardOutline, end: int) -> float:
    """How far an end (0 or -1) is from square to the board's middle line."""
    middle = (outline.upper_mm[[0, -1]] + outline.lower_mm[[0, -1]]) / 2
    along, across = middle[1] - middle[0], outline.lower_mm[end] - outline.upper_mm[end]
    square = along[0] * across[1] - along[1] * across[0]
    return float(np.degrees(np.arctan2(abs(along @ across), abs(square))))


def _narrow_frac(outline: BoardOutline) -> float:
    """Width of the narrower end, as a share of the wider one's."""
    left, right = (float(np.hypot(*(outline.lower_mm[k] - outline.upper_mm[k]))) for _, k in ENDS)
    return min(left, right) / max(left, right, 1e-6)


def _width_mm(outline: BoardOutline) -> float:
    """Between the middles of the long edges."""
    return float(np.hypot(*(outline.lower_mm.mean(axis=0) - outline.upper_mm.mean(axis=0))))
