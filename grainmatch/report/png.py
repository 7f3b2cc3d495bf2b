"""Pictures to PNG bytes."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import LayoutError
from grainmatch.model import Face

# For wood, runs alone compress as well as zlib's search for repeats, in half the time; and differences from
# the pixel before as well as the best filter for each row, which takes as long again to find and to undo.
_HOW = [
    cv2.IMWRITE_PNG_COMPRESSION, 1,
    cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE,
    cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_SUB,
]  # fmt: skip


def encode_png(pixels: NDArray[np.uint8]) -> bytes:
    """(h, w, 3) RGB or (h, w) grey -> PNG, lossless. Raises LayoutError for a picture without pixels."""
    swapped = pixels[..., ::-1] if pixels.ndim == 3 else pixels
    if not swapped.size:
        raise LayoutError("A picture without pixels cannot be saved.", "Measure the photo again.")
    _, data = cv2.imencode(".png", np.ascontiguousarray(swapped), _HOW)
    return data.tobytes()


@dataclass(frozen=True, eq=False)
class FacePngs:
    """A face's picture and the mask of its wood, each as the bytes (n,) of a PNG file."""

    rgb: NDArray[np.uint8]
    inside: NDArray[np.uint8]


def encode_face(face: Face) -> FacePngs:
    """The two files of a face. Raises LayoutError for a face without pixels."""
    files = (encode_png(face.rgb), encode_png(face.inside.view(np.uint8) * 255))
    return FacePngs(*(np.frombuffer(data, dtype=np.uint8) for data in files))
