"""What stands out from the bench and is taken for wood, and what belongs to it though it looks like bench."""

from __future__ import annotations

import cv2
import numpy as np

from grainmatch.board.backdrop import Backdrop
from grainmatch.model import Mask

WIDEST_FLAW_MM = 15.0
SHADE = 0.25
MOST_TINT = 0.5
LEAST_WOOD_MM = 20.0
"""How wide wood of the bench's own colour may be, log light by which a gap is darker than the lit bench, log
colour ratio of wood to wood of one board at the most, and how wide that other wood is at the least (own
estimates; drawn boards reach 0.3)."""


def find_solid(backdrop: Backdrop, px_mm: float, alike: Mask | None = None) -> Mask:
    """What stands out, with the sheets that mostly lie among boards filled in.

    Also filled: narrow stretches inside that look like the lit bench, such as sapwood of its very colour, if
    the wood beside them is not of quite another colour. Between boards they would lie in shade. px_mm: of the
    coarse photo; alike (h, w): where boards of the bench's own colour lie in it.
    """
    solid = backdrop.stands_out & backdrop.known
    lit = backdrop.lightness * np.float32(backdrop.spread[0]) > -SHADE
    if alike is not None:
        solid |= alike & lit & backdrop.known
    wide = 2 * int(WIDEST_FLAW_MM / px_mm / 2) + 1
    # Without the specks first, which would be joined to boards nearby.
    opened = cv2.morphologyEx(solid.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((wide, wide), np.uint8))
    flaws = closed.astype(bool) & lit & backdrop.known & ~solid
    if flaws.any():
        sure = cv2.erode(opened, np.ones((5, 5), np.uint8)).astype(bool)
        wood = (sure & (backdrop.tint < MOST_TINT)).view(np.uint8)
        # Light that boards throw on each other tints the bench in a gap too, in places.
        broad = np.ones((round(LEAST_WOOD_MM / px_mm),) * 2, np.uint8)
        broadly = cv2.morphologyEx(wood, cv2.MORPH_OPEN, broad)
        beside = cv2.dilate(broadly, np.ones((wide + 4, wide + 4), np.uint8))
        solid |= flaws & beside.astype(bool)
    hidden = ~backdrop.known
    for contour in cv2.findContours(hidden.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        x, y, w, h = cv2.boundingRect(contour)
        near = slice(max(y - 4, 0), y + h + 4), slice(max(x - 4, 0), x + w + 4)
        corner = -(near[1].start), -(near[0].start)
        whole = cv2.drawContours(np.zeros_like(hidden[near], np.uint8), [contour], -1, 1, -1, offset=corner)
        ring = (cv2.dilate(whole, np.ones((7, 7), np.uint8)) - whole).astype(bool)
        if solid[near][ring].mean() > 0.12:
            solid[near] |= whole.astype(bool)
    return solid
