"""What the user says about marks, kept apart from what was read so that it survives a new reading.

An `Edits` record grows by `add_mark` and `remove_mark`; `apply_edits` lays it over any Features of the
same face.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from grainmatch.geometry import Points, polygon_area, polygon_mask
from grainmatch.model import Features, Mark, MarkKind

_SAME_MARK = 0.3  # shared area over joined area from which two outlines are the same mark


@dataclass(frozen=True, eq=False)
class Edits:
    """added: marks the user drew, areas to keep out of the top among them. removed: outlines the user says
    are no marks."""

    added: tuple[Mark, ...] = ()
    removed: tuple[Mark, ...] = ()


def add_mark(edits: Edits, kind: MarkKind, outline_mm: Points) -> Edits:
    """Edits with one more mark; outline_mm (n >= 3, 2) in face millimetres. kind 'keep out' bars an area."""
    outline = np.asarray(outline_mm, dtype=np.float64)
    return replace(edits, added=(*edits.added, Mark(kind, outline, confidence=1.0)))


def remove_mark(edits: Edits, mark: Mark) -> Edits:
    """Edits without this mark: one the user added goes away, one that was read is put aside."""
    if any(m is mark for m in edits.added):
        return replace(edits, added=tuple(m for m in edits.added if m is not mark))
    return replace(edits, removed=(*edits.removed, mark))


def apply_edits(features: Features, edits: Edits) -> Features:
    """Features with the user's marks in place of those read where they disagree."""
    kept = [
        m
        for m in features.marks
        if not any(share_of_area(m, other) >= _SAME_MARK for other in (*edits.removed, *edits.added))
    ]
    return replace(features, marks=(*kept, *edits.added))


def share_of_area(first: Mark, second: Mark) -> float:
    """Intersection over union of two marks' areas, on a raster of about 200 points a side."""
    boxes = np.array([first.box_mm, second.box_mm])
    if (boxes[:, :2].max(axis=0) >= boxes[:, 2:].min(axis=0)).any():
        return 0.0
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    scale = 200.0 / max(float((high - low).max()), 1e-6)
    width, height = (np.ceil((high - low) * scale) + 1).astype(int)
    masks = [polygon_mask((m.outline_mm - low) * scale, (int(height), int(width))) for m in (first, second)]
    joined = int((masks[0] | masks[1]).sum())
    return float((masks[0] & masks[1]).sum() / joined) if joined else 0.0


def marked_area_mm2(features: Features, kinds: tuple[MarkKind, ...] = ("knot", "hole")) -> float:
    """Summed area of the marks of these kinds."""
    return float(sum(abs(polygon_area(m.outline_mm)) for m in features.marks if m.kind in kinds))
