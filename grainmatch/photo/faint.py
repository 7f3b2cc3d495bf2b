"""Reference sheets so coarse or aslant in a photo that no marker's bits can be read one by one.

The paper is still a bright quadrilateral, and all squares and markers of its pattern together still look like
one of the few sheets there are, lying one way round.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Points
from grainmatch.model import Mask, Photo, Sheet
from grainmatch.photo.paper import find_quadrilaterals, refine_quadrilateral
from grainmatch.photo.sheet import (
    MARKER_MM,
    PAPER_MM,
    PATTERN_MM,
    PATTERN_TOP_MM,
    SHEETS_N,
    SQUARE_MM,
    SQUARES,
    lay_flat,
    pattern_left_mm,
    pattern_picture,
    refine_sheet,
)

PLAN = round(PATTERN_MM[0]), round(PATTERN_MM[1])
"""Patterns are compared at a pixel a millimetre, which is finer than such a photo."""
BLURS_MM = (1.0, 1.5, 2.0, 3.0)
"""How blurred a drawing is compared: a marker's cell is 3.1 mm, of which such a photo shows two pixels."""
ANY_COLOUR = 256
"""What is printed tells a sheet, so that its paper may be as yellow as a lamp makes it."""
LEAST_LIKE_A_BOARD = 0.7
"""Correlation with the whole pattern, placed by the paper's rim, from which it is worth a closer look."""
LEAST_LIKE, LEAST_AHEAD = 0.85, 0.2
"""Correlation of the markers alone with a sheet's, and how far ahead of every other sheet's and of the same
turned round: another sheet's reach 0.55, the sheet's own 0.98 in drawn photos with cells of two pixels."""
LEAST_CORNERS = 12
"""Half of them: a sheet of which less is seen is not told from so little."""
HALF_TURN = np.array([[-1.0, 0.0, PATTERN_MM[0]], [0.0, -1.0, PATTERN_MM[1]], [0.0, 0.0, 1.0]])

Picture = NDArray[np.float32]


def find_faint_sheets(photo: Photo) -> tuple[Sheet, ...]:
    """Every reference sheet whose whole paper is seen, by number, though no marker can be read.

    Slow (as long as `find_sheets` itself takes to find nothing), so for photos in which that found none.
    Every bright quadrilateral is tried as the paper of either size, all ways round; what best looks like a
    sheet is refined as any sheet is, and taken when its markers are then plainly those of one sheet lying
    one way.
    """
    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    found: dict[int, Sheet] = {}
    for rough_px, _ in find_quadrilaterals(photo, ANY_COLOUR):
        paper_px = refine_quadrilateral(photo, rough_px)
        sheet = None if paper_px is None else _read_paper(photo, grey, paper_px)
        if sheet is not None:
            found.setdefault(sheet.number, sheet)
    return tuple(found[number] for number in sorted(found))


def _read_paper(photo: Photo, grey: NDArray[np.uint8], paper_px: Points) -> Sheet | None:
    """The sheet printed on a paper with these corners (4, 2); None when it is none."""
    maps = [_place_pattern(paper_px, paper, turns) for paper, turns in product(PAPER_MM, range(4))]
    alike = np.array([_compare(grey, to_px, np.ones(PLAN[::-1], dtype=bool)) for to_px in maps])
    which, number = (int(k) for k in np.unravel_index(int(alike.argmax()), alike.shape))
    if alike[which, number] < LEAST_LIKE_A_BOARD:
        return None
    placed = refine_sheet(photo, grey, number, maps[which])
    if placed is None or len(placed[0].corners_px) < LEAST_CORNERS:
        return None
    # The chessboard is the same lying either way and on every sheet; the markers tell.
    both_ways = placed[1], placed[1] @ HALF_TURN
    alike = np.array([_compare(grey, to_px, _marker_places()) for to_px in both_ways])
    which, number = (int(k) for k in np.unravel_index(int(alike.argmax()), alike.shape))
    second, best = np.sort(alike.ravel())[-2:]
    if best < LEAST_LIKE or best - second < LEAST_AHEAD:
        return None
    placed = refine_sheet(photo, grey, number, both_ways[which])
    return None if placed is None or len(placed[0].corners_px) < LEAST_CORNERS else placed[0]


def _place_pattern(paper_px: Points, paper: str, turns: int) -> Points:
    """Plane map (3, 3) of pattern mm to pixels of a paper whose corner number `turns` is its top-left one."""
    (width, height), left = PAPER_MM[paper], pattern_left_mm(PAPER_MM[paper])
    corners_mm = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - [left, PATTERN_TOP_MM]
    to_px = cv2.getPerspectiveTransform(
        corners_mm.astype(np.float32), np.roll(paper_px, -turns, axis=0).astype(np.float32)
    )
    return np.asarray(to_px, dtype=np.float64)


def _compare(grey: NDArray[np.uint8], to_px: Points, places: Mask) -> NDArray[np.float64]:
    """How well what is seen at places (h, w) of the pattern correlates with every sheet's (SHEETS_N,), each
    drawing blurred as suits it best."""
    seen = lay_flat(grey, to_px, PLAN)[places]
    seen = seen - seen.mean()
    seen /= max(float(np.linalg.norm(seen)), 1e-6)
    likenesses = []
    for drawing in _drawings():
        blurred = [np.asarray(cv2.GaussianBlur(drawing, (0, 0), blur))[places] for blur in BLURS_MM]
        flat = np.array(blurred) - np.mean(blurred, axis=1, keepdims=True)
        likenesses.append(float((flat @ seen / np.linalg.norm(flat, axis=1)).max()))
    return np.array(likenesses)


@lru_cache(maxsize=1)
def _drawings() -> tuple[Picture, ...]:
    """Every sheet's pattern at a pixel a millimetre, black 0 and white 1."""
    return tuple(
        np.asarray(cv2.resize(pattern_picture(n), PLAN, interpolation=cv2.INTER_AREA), np.float32)
        / np.float32(255)
        for n in range(SHEETS_N)
    )


def _marker_places() -> Mask:
    """Where the markers are, with the white rim (h, w) around each."""
    side, rim = round(SQUARE_MM), round((SQUARE_MM - MARKER_MM) / 4)
    places = np.zeros(PLAN[::-1], dtype=bool)
    for row, column in product(range(SQUARES[1]), range(SQUARES[0])):
        if (row + column) % 2:
            top, left = row * side, column * side
            places[top + rim : top + side - rim, left + rim : left + side - rim] = True
    return places
