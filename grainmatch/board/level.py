"""How boards lie in a frame that is about right, by the lines that run straight along them."""

from __future__ import annotations

import cv2
import numpy as np

from grainmatch.board.backdrop import BLACK
from grainmatch.board.edge import LINEAR
from grainmatch.board.frame import Frame, look_through
from grainmatch.board.lines import sum_along_lines
from grainmatch.geometry import Points
from grainmatch.model import Bench, Mask

COLUMNS, SUB = 128, 4
MOST_SLOPE = 0.03
CLIP = 0.15
LEAST_COLUMNS = 32
"""How far from level lines are looked for, the log light by which a column can at most speak for a change of
it, and of how many columns a line must have some (own choices)."""


def level_frame(
    bench: Bench, frame: Frame, corners_mm: tuple[Points, Points], mask: Mask, scale: float
) -> Frame:
    """The frame turned so that light changes along as few of its rows as can be, and much along those.

    corners_mm: u and v between which to look; mask (h, w), of the photo at a scale: where. Seams, edges and
    their shadows are straight over a board's length and all level with each other; growth rings are not. Of
    all ways lines may run, the one counts for which the fourth powers of the mean changes across its lines
    add up to most: a few lines all along the boards outweigh many that are a little alike.
    """
    low, high = corners_mm
    rows = int((high[1] - low[1]) * bench.px_per_mm)
    u = low[0] + (np.arange(COLUMNS * SUB) + 0.5) / (COLUMNS * SUB) * (high[0] - low[0])
    v = low[1] + (np.arange(rows) + 0.5) / bench.px_per_mm
    seen = cv2.LUT(look_through(bench, bench.photo.rgb, frame, u, v), LINEAR)
    mean = np.asarray(cv2.resize(seen, (COLUMNS, rows), interpolation=cv2.INTER_AREA)).mean(axis=2)
    light = np.log(mean + np.float32(BLACK))
    there = look_through(bench, mask.view(np.uint8), frame, u[::SUB], v, scale).astype(np.float32)
    change = np.clip(np.diff(light, axis=0, prepend=light[:1]), -CLIP, CLIP) * there
    length_rows = (high[0] - low[0]) * bench.px_per_mm
    most_drop = int(MOST_SLOPE * length_rows)
    total, drops = sum_along_lines(change.astype(np.float32), most_drop=most_drop)
    count, _ = sum_along_lines(there, most_drop=most_drop)
    mean_change = np.where(count >= LEAST_COLUMNS, total / np.maximum(count, 1), 0.0)
    drop = float(drops[int((mean_change**4).sum(axis=1).argmax())])
    return Frame(frame.origin_mm, frame.angle_rad + float(np.arctan(drop / length_rows)))
