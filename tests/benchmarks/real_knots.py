"""Labelled knots on photographs of real spruce faces, and how a set of found marks compares to them.

The photographs belong to the VSB-TUO wood surface defects data set (Kodytek, Bodzas & Bilik, F1000Research
10:581, 2021; Zenodo 4694695; CC BY 4.0). They are not part of this project; the folder that holds
them is named by GRAINMATCH_SHARED.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_SLIVER_PX = 3  # what is left of a knot beside a cut and narrower is not told from the cut's edge
Box = tuple[float, float, float, float]
SEEN_TILES = {"100000077_mask": "vsb_board_100000071_14"}
"""Masked tiles that are part of a boxed board."""
OTHER_KINDS = {
    "101500023_mask": {3: "resin"}, "103500046_mask": {2: "resin"},
    "103700022_mask": {1: "crack"}, "104800013_mask": {1: "pith"},
}  # fmt: skip
"""What the numbers in a mask stand for that are no knots, read by eye from the pictures."""
KNOT_LABELS = {"Live_Knot", "Dead_Knot", "knot_with_crack", "Knot_missing"}


@dataclass(frozen=True, eq=False)
class LabelledFace:
    """rgb (h, w, 3), grain along x; boxes (left, top, right, bottom) in pixels, those of other faults by
    kind; mask (h, w) of the knots, or None."""

    name: str
    rgb: NDArray[np.uint8]
    knots: tuple[Box, ...]
    others: dict[str, tuple[Box, ...]]
    mask: NDArray[np.bool_] | None = None


def read_boxed_boards(photos: Path) -> list[LabelledFace]:
    """Long boards with a box round every labelled fault."""
    faces = []
    for path in sorted((photos / "boards").glob("*.json")):
        by_kind: dict[str, list[Box]] = {}
        for defect in json.loads(path.read_text("utf-8"))["defects"]:
            kind = "knot" if defect["label"] in KNOT_LABELS else str(defect["label"]).lower()
            box = tuple(defect["bbox_xyxy"])
            if box[2] - box[0] > _SLIVER_PX:  # two boxes of one pixel are slips
                by_kind.setdefault(kind, []).append(box)
        joined = {kind: join_cut_boxes(boxes) for kind, boxes in by_kind.items()}
        knots = joined.pop("knot", ())
        faces.append(LabelledFace(path.stem, read_rgb(path.with_suffix(".jpg")), knots, joined))
    return faces


def read_masked_tiles(photos: Path) -> list[LabelledFace]:
    """Single tiles with pixel masks, turned so that the grain runs along x.

    A mask numbers the kinds of fault on its tile, like patches alike, without saying which kind a number
    stands for. Those of OTHER_KINDS are no knots.
    """
    faces = []
    for path in sorted((photos / "knot_masks").glob("*_mask.png")):
        labels = np.ascontiguousarray(np.rot90(read_rgb(path)[..., 0]))
        rgb = np.ascontiguousarray(np.rot90(read_rgb(path.with_name(path.name.replace("_mask.png", ".jpg")))))
        kinds = OTHER_KINDS.get(path.stem, {})
        others: dict[str, tuple[Box, ...]] = {}
        for number, kind in kinds.items():
            others[kind] = others.get(kind, ()) + mask_boxes(labels == number)
        mask = (labels > 0) & ~np.isin(labels, list(kinds))
        faces.append(LabelledFace(path.stem, rgb, mask_boxes(mask), others, mask))
    return faces


def mask_boxes(mask: NDArray[np.bool_]) -> tuple[Box, ...]:
    """Box of each patch of a mask."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    return tuple((float(x), float(y), float(x + w), float(y + h)) for x, y, w, h, _ in stats[1:])


def join_cut_boxes(boxes: list[Any], gap_px: float = 4.0) -> tuple[Box, ...]:
    """Join boxes that overlap or touch: a knot cut by the border of two tiles is labelled twice."""
    joined = [tuple(float(v) for v in b) for b in boxes]
    i = 0
    while i < len(joined):
        k = next((k for k in range(i + 1, len(joined)) if _touch(joined[i], joined[k], gap_px)), None)
        if k is None:
            i += 1
            continue
        a, b = joined[i], joined.pop(k)
        joined[i] = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
        i = 0
    return tuple(joined)  # type: ignore[arg-type]


def cut_face(face: LabelledFace, at_px: NDArray[np.float64]) -> list[LabelledFace]:
    """The pieces of a face cut across at these places, each with what of the knots lies on it."""
    ends = [0, *(round(float(x)) for x in at_px), face.rgb.shape[1]]
    pieces = []
    for left, right in pairwise(ends):
        pieces.append(
            LabelledFace(
                f"{face.name} from {left}",
                np.ascontiguousarray(face.rgb[:, left:right]),
                _cut_boxes(face.knots, left, right),
                {kind: _cut_boxes(boxes, left, right) for kind, boxes in face.others.items()},
                None if face.mask is None else np.ascontiguousarray(face.mask[:, left:right]),
            )
        )
    return pieces


def _cut_boxes(boxes: tuple[Box, ...], left: int, right: int) -> tuple[Box, ...]:
    """What of the boxes lies between two columns, slivers left out."""
    cut = [(max(b[0], left) - left, b[1], min(b[2], right) - left, b[3]) for b in boxes]
    return tuple(b for b in cut if b[2] - b[0] > _SLIVER_PX)


def overlap(a: Box, b: Box) -> float:
    """Intersection over union of two boxes."""
    w, h = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    if w <= 0 or h <= 0:
        return 0.0
    return w * h / ((a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - w * h)


def length_overlap(a: Box, b: Box) -> float:
    """Intersection over union of two boxes' extents along the board, 0 when they do not meet across it."""
    if min(a[3], b[3]) < max(a[1], b[1]):
        return 0.0
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) / (max(a[2], b[2]) - min(a[0], b[0]))


def count_lines(found: list[Box], true: tuple[Box, ...]) -> NDArray[np.int64]:
    """(labelled lines found, labelled lines, finds on no label): labels are loose and a line may be found in
    pieces, so one is found when a mark lies on it and their lengths share at least 0.3 of what both cover."""
    hit = sum(max((length_overlap(f, t) for f in found), default=0.0) >= 0.3 for t in true)
    false = sum(max((length_overlap(f, t) for t in true), default=0.0) == 0 for f in found)
    return np.array([hit, len(true), false])


def count_matches(found: list[Box], true: tuple[Box, ...], *, least_px: float) -> NDArray[np.int64]:
    """(true knots found, true knots, false finds), one to one at IoU >= 0.3, best overlap first.

    Knots under `least_px` across do not count, neither as missed nor as false.
    """
    pairs = sorted(
        ((overlap(f, t), i, j) for i, f in enumerate(found) for j, t in enumerate(true)), reverse=True
    )
    used_found: set[int] = set()
    used_true: set[int] = set()
    for value, i, j in pairs:
        if value >= 0.3 and i not in used_found and j not in used_true:
            used_found.add(i)
            used_true.add(j)
    large = [max(t[2] - t[0], t[3] - t[1]) >= least_px for t in true]
    false = [
        f for i, f in enumerate(found) if i not in used_found and max(f[2] - f[0], f[3] - f[1]) >= least_px
    ]
    return np.array([sum(large[j] for j in used_true), sum(large), len(false)])


def _touch(a: tuple[float, ...], b: tuple[float, ...], gap: float) -> bool:
    across = min(a[3], b[3]) - max(a[1], b[1])
    along = min(a[2], b[2]) - max(a[0], b[0])
    side_by_side = along > -gap and across > 0.5 * min(a[3] - a[1], b[3] - b[1])
    stacked = across > -gap and along > 0.5 * min(a[2] - a[0], b[2] - b[0])
    return side_by_side or stacked


def read_rgb(path: Path) -> NDArray[np.uint8]:
    """A picture file as (h, w, 3) sRGB."""
    picture = cv2.imread(str(path))
    if picture is None:
        raise FileNotFoundError(path)
    return np.ascontiguousarray(picture[..., ::-1], dtype=np.uint8)


def scale_box(box: Box, factor: float) -> Box:
    """A box with every number times `factor`."""
    left, top, right, bottom = (v * factor for v in box)
    return left, top, right, bottom
