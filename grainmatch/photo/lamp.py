"""How light falls off over a bench: one main lamp or window, and light from all around."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from grainmatch.geometry import Points

Floats = NDArray[np.float64]

# A lamp hangs about this high, give or take a factor of e^0.4, and anywhere within some metres.
USUAL_HEIGHT_MM = 1800.0
_LOG_HEIGHT_SIGMA = 0.6
_ASIDE_SIGMA_MM = 2500.0
_LOGIT_SIGMA = 1.5


@dataclass(frozen=True)
class Lamp:
    """A small lamp over the plane of the boards' faces, and even light from all around.

    x_mm, y_mm, height_mm: where it is over the plane. around_frac: share of the light at `middle_mm` that
    comes from all around.
    """

    x_mm: float
    y_mm: float
    height_mm: float
    around_frac: float
    middle_mm: tuple[float, float]

    def direct(self, places_mm: Points) -> Floats:
        """The lamp's own light (n,) at places (n, 2), 1 in the middle.

        Inverse square times the cosine at the plane, that is 1 / r^3 (Lambert 1760; any text on photometry).
        """
        from_lamp = places_mm - (self.x_mm, self.y_mm)
        middle = np.asarray(self.middle_mm) - (self.x_mm, self.y_mm)
        squared = np.einsum("ni,ni->n", from_lamp, from_lamp) + self.height_mm**2
        nearer = (middle @ middle + self.height_mm**2) / squared
        return np.asarray(nearer * np.sqrt(nearer))  # a power takes ten times as long

    def log_light(self, places_mm: Points) -> Floats:
        """Logarithm of all light (n,), 0 in the middle."""
        return np.log(self.around_frac + (1 - self.around_frac) * self.direct(places_mm))

    def log_light_by_share(self, places_mm: Points) -> Floats:
        """Change of `log_light` with the share from all around (n,): how a colour of light spreads whose
        lamp and surroundings differ in it."""
        direct = self.direct(places_mm)
        return np.asarray((1 - direct) / (self.around_frac + (1 - self.around_frac) * direct))

    def log_light_slopes(self, places_mm: Points) -> Floats:
        """Derivatives of `log_light` (n, 4) by x_mm, y_mm, height_mm and around_frac."""
        at = np.array([self.x_mm, self.y_mm, self.height_mm])
        here = at - np.column_stack([places_mm, np.zeros(len(places_mm))])
        middle = at - (*self.middle_mm, 0.0)
        direct = self.direct(places_mm)
        by_direct = (1 - self.around_frac) / (self.around_frac + (1 - self.around_frac) * direct)
        nearer = middle / (middle @ middle) - here / np.einsum("ni,ni->n", here, here)[:, None]
        by_place = (3 * by_direct * direct)[:, None] * nearer
        return np.column_stack([by_place, self.log_light_by_share(places_mm)])


def fit_lamp(
    places_mm: Points, middle_mm: Points, seen: Floats, unexplained: Callable[[Floats], Floats]
) -> Lamp:
    """The lamp whose light leaves least unexplained.

    seen: log light (n,) at `places_mm` (n, 2). unexplained: linear, takes logs (n,) or (n, k) to weighted
    residuals, everything else that is unknown already solved for. What is usual enters as an observation.
    Starts from the best of a ring of lamps, since the sides look alike from far off.
    """
    middle = (float(middle_mm[0]), float(middle_mm[1]))

    def lamp_of(state: Floats) -> Lamp:
        x, y = (_ASIDE_SIGMA_MM * state[:2] + middle).tolist()
        height = USUAL_HEIGHT_MM * math.exp(_LOG_HEIGHT_SIGMA * state[2])
        return Lamp(x, y, height, 1 / (1 + math.exp(-_LOGIT_SIGMA * state[3])), middle)

    def residuals(state: Floats) -> Floats:
        return np.concatenate([unexplained(seen - lamp_of(state).log_light(places_mm)), state])

    def slopes(state: Floats) -> Floats:
        lamp = lamp_of(state)
        by_share = _LOGIT_SIGMA * lamp.around_frac * (1 - lamp.around_frac)
        steps = np.array([_ASIDE_SIGMA_MM, _ASIDE_SIGMA_MM, _LOG_HEIGHT_SIGMA * lamp.height_mm, by_share])
        return np.concatenate([unexplained(-lamp.log_light_slopes(places_mm) * steps), np.eye(4)])

    ring = [(0.0, 0.0), *((math.cos(a), math.sin(a)) for a in np.arange(8) * math.pi / 4)]
    starts = [np.array([0.7 * x, 0.7 * y, h, 0.0]) for x, y in ring for h in (-0.7, 0.7)]
    best = min(starts, key=lambda s: float((residuals(s) ** 2).sum()))
    bounds = ([-3.0, -3.0, -1.3, -3.0], [3.0, 3.0, 2.5, 3.0])
    found = least_squares(residuals, best, jac=slopes, bounds=bounds, max_nfev=25, xtol=1e-4, ftol=1e-4)
    return lamp_of(found.x)
