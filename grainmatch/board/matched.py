"""A filter across boards that answers to a hairline of shadow and not to the wood's own figure.

Between boards that touch light drops for a pixel or two, in all colours alike. Growth rings and streaks are
as dark, but they are as wide as the photo shows them over and over again, and change colours in ways of
their own. The filter that tells best a known shape from a disturbance of known covariance is the shape
divided by that covariance (the matched filter: Turin, IRE Trans. Inform. Theory 6(3) 311-329, 1960), and
what the figure of these boards is like is read from the picture itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from grainmatch.model import Mask
from grainmatch.ranks import median

Field = NDArray[np.float32]
REACH = 6
"""How many rows above and below a place are looked at."""
HAIRLINE_PX = 0.7
"""1-sigma of the light missing across a hairline, smeared by lens and sampling; photos smear edges by 0.45
to 2 px, and the sharper of them is what figure is least like."""
NOISE = 0.01
"""Log light that is noise in any picture, whatever its own rows say."""
LEAST_PLACES, MOST_PLACES = 400, 16000
ODD = 2.5
"""By how many times the usual a place may differ from its rows and still say how the figure varies."""
CLIP = 2.5
"""What one column may say at most, in sigmas of the figure."""
NEAR_ROWS, NEAR_COLUMNS = 40, 4
STEADY = 0.3
"""Over how many rows and columns to either side the figure's own strength is taken, and the least of it, as
a share of that of the whole picture."""


@dataclass(frozen=True, eq=False)
class Hairlines:
    """say (h, n): how much like a dark hairline each place looks, in sigmas of the figure around it, clipped;
    told (h, n): where wood lies on both sides, elsewhere say is 0.

    per_log_light: say, were it not clipped, of a hairline with 1/e of the light at its middle.
    """

    say: Field
    told: Mask
    per_log_light: float


def look_for_hairlines(looks: Field, wood: Mask) -> Hairlines:
    """The filter's answer over a picture (h, n, 3) of log light, of which wood (h, n) is board."""
    near = np.ones((2 * REACH + 1, 1), np.uint8)
    told: Any = cv2.erode(wood.view(np.uint8), near, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    there = told.astype(bool)
    rows, columns = np.nonzero(there)
    if len(rows) < LEAST_PLACES:
        return Hairlines(np.zeros(wood.shape, np.float32), np.zeros_like(there), 1.0)
    step = -(-len(rows) // MOST_PLACES)
    taps, _, gain = fit_taps(_patches(looks, rows[::step], columns[::step]))
    say: Any = sum(
        cv2.filter2D(plane, cv2.CV_32F, taps[:, k : k + 1], borderType=cv2.BORDER_REPLICATE)
        for k, plane in enumerate(np.ascontiguousarray(looks.transpose(2, 0, 1)))
    )
    return Hairlines(np.clip(_even(say * told, told), -CLIP, CLIP), there, gain)


def _patches(looks: Field, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Field:
    """What lies above and below places (m,), less each colour's mean (m, 2 * REACH + 1, 3)."""
    near = looks[rows[:, None] + np.arange(-REACH, REACH + 1), columns[:, None]]
    return np.asarray(near - near.mean(axis=1, keepdims=True))


def fit_taps(patches: Field) -> tuple[Field, Field, float]:
    """Filters (2 * REACH + 1, 3) for a hairline and for a step in tone, whose answers to the figure have unit
    variance, and the first one's answer to a whole hairline."""
    flat = patches.reshape(len(patches), -1).astype(np.float64)
    size = np.sqrt(np.einsum("mi,mi->m", flat, flat))
    flat *= np.minimum(1.0, ODD * median(size) / np.maximum(size, 1e-9))[:, None]
    cover = flat.T @ flat / len(flat) + NOISE**2 * np.eye(flat.shape[1])
    t = np.arange(-REACH, REACH + 1)
    shapes = np.array([-np.exp(-0.5 * (t / HAIRLINE_PX) ** 2), ndtr(t / HAIRLINE_PX)])
    shapes = np.repeat(shapes - shapes.mean(axis=1, keepdims=True), 3, axis=1)
    taps = np.linalg.solve(cover, shapes.T).T
    gain = np.sqrt(np.einsum("ki,ki->k", taps, shapes))
    taps = (taps / gain[:, None]).reshape(2, -1, 3)
    taps -= taps.mean(axis=1, keepdims=True)
    return taps[0].astype(np.float32), taps[1].astype(np.float32), float(gain[0])


def _even(say: Field, told: NDArray[np.uint8]) -> Field:
    """The answer in sigmas of what it is nearby, for one board's figure is stronger than another's."""
    size = 2 * NEAR_COLUMNS + 1, 2 * NEAR_ROWS + 1
    power: Any = cv2.blur(np.minimum(say * say, 9.0), size)
    share: Any = cv2.blur(told.astype(np.float32), size)
    return np.asarray(say / np.sqrt(power / np.maximum(share, 1e-3) + STEADY**2))
