"""Faces laid on the bench as one picture."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from grainmatch.model import Face
from tests.faces import straight_face


def lay_down(faces: Sequence[Face], lefts_mm: Sequence[float]) -> Face:
    """Faces touching, first on top, each from its place along a dark bench on: one picture, as sharp as the
    least sharp of them. Its left edge lies at 0 mm."""
    px_per_mm = min(f.px_per_mm for f in faces)
    pictures = []
    for face in faces:
        size = [round(n * px_per_mm / face.px_per_mm) for n in face.rgb.shape[1::-1]]
        pictures.append(np.asarray(cv2.resize(face.rgb, size, interpolation=cv2.INTER_AREA)))
    lefts_px = [round(left * px_per_mm) for left in lefts_mm]
    width = max(left + p.shape[1] for left, p in zip(lefts_px, pictures, strict=True))
    whole = np.full((sum(len(p) for p in pictures), width, 3), 15, dtype=np.uint8)
    top = 0
    for left, picture in zip(lefts_px, pictures, strict=True):
        whole[top : top + len(picture), left : left + picture.shape[1]] = picture
        top += len(picture)
    return straight_face(whole, px_per_mm=px_per_mm)
