"""Marks drawn by a test, and what it asks of them."""

from __future__ import annotations

import numpy as np

from grainmatch.geometry import Points, polygon_area
from grainmatch.model import Features, Mark


def box(left: float, top: float, right: float, bottom: float) -> Points:
    """An upright rectangle (4, 2) in face millimetres."""
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def read_with(*marks: Mark) -> Features:
    """Features in which these marks were read, and nothing else."""
    none = np.zeros((1, 1))
    return Features(1.0, 6.0, none, none, np.zeros((1, 1, 3)), none, none, np.zeros(3), 0.0, marks)


def knot_area_mm2(features: Features) -> float:
    """Summed area of the knots and holes."""
    return sum(abs(polygon_area(m.outline_mm)) for m in features.marks if m.kind in ("knot", "hole"))
