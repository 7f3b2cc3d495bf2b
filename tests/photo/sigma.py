"""How surely a fitted camera knows a number."""

from __future__ import annotations

import math
from collections.abc import Callable

from grainmatch.geometry import Camera
from grainmatch.photo.camera import CameraFit


def sigma_of(fit: CameraFit, measure: Callable[[Camera], float]) -> float:
    """1-sigma of a number measured by the camera: half differences along the fit's independent directions."""
    return math.sqrt(sum(((measure(a) - measure(b)) / 2) ** 2 for a, b in fit.spread))
