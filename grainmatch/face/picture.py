"""What a picture must be before this room reads it."""

from __future__ import annotations

import math

import numpy as np

from grainmatch.errors import BoardError
from grainmatch.model import Mask, Rgb


def check_picture(what: str, rgb: Rgb, inside: Mask | None, *, px_per_mm: float, least_px: int) -> None:
    """Raise BoardError unless rgb is (h, w, 3) uint8, at least that high and wide, of a true scale, and
    inside, when given, of its size. what: the picture as the refusal names it, such as `The face`."""
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise BoardError(f"{what} is not an 8-bit colour picture.", "Give (h, w, 3) uint8 pixels.")
    if min(rgb.shape[:2]) < least_px:
        raise BoardError(f"{what} is under {least_px} pixels high or wide.", "Photograph it from nearer.")
    if not (math.isfinite(px_per_mm) and px_per_mm > 0):
        raise BoardError(f"{what} has no scale.", "Give px_per_mm above zero.")
    if inside is not None and inside.shape != rgb.shape[:2]:
        raise BoardError(f"{what} and its mask differ in size.", "Give a mask of the picture's size.")
