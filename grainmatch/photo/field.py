"""The light's smooth field over the bench, fitted to what is common within all surfaces.

In the logarithm of linear light this is a linear model but for the lamp: every surface has its own
tone, the field is common (the idea of intrinsic images, Barrow & Tenenbaum 1978, with the surfaces known
beforehand). Solved by robust least squares with Gaussian expectations, once for brightness and once for
each of two colour ratios.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grainmatch.geometry import Points
from grainmatch.photo.lamp import Lamp, fit_lamp
from grainmatch.photo.surfaces import UNMIX, Surface

Floats = NDArray[np.float64]

# Expected 1-sigma sizes in the logarithm, for brightness and then two colour ratios: of how a colour
# follows the lamp's share, of what departs from the lamp in linear, quadratic and cubic terms over the
# half span; the same without a lamp; of a surface's tone from cell to cell; of a board's profile
# across; and, at least, of the bench's patches.
_FIELD_SIGMA = ((0.01, 0.4, 0.4), (0.08, 0.04, 0.04), (0.05, 0.02, 0.02), (0.03, 0.01, 0.01))
_NO_LAMP_SIGMA = ((0.01, 0.01, 0.01), (0.6, 0.2, 0.2), (0.4, 0.1, 0.1), (0.2, 0.05, 0.05))
_TERMS_EACH = (1, 2, 3, 4)
_TERMS = 10
_TONE_SIGMA = (0.04, 0.015, 0.02)
_PROFILE_SIGMA = (0.08, 0.03, 0.04)
_PATCH_SIGMA = (0.01, 0.004, 0.004)
_ROUNDS = 5
_BIWEIGHT = 4.685  # Tukey's, 95 % efficient on Gaussian noise
_LAMP_ROWS = 1500


@dataclass(frozen=True, eq=False)
class Field:
    """Mixed log white over the bench: a lamp's, and what departs from it as a cubic.

    coefficients (3, 11): for brightness and two colour ratios the constant, how they follow the lamp's
    share of the light, and nine terms of the cubic in (x, y) over reach_mm from middle_mm.
    """

    middle_mm: Points
    reach_mm: float
    lamp: Lamp | None
    coefficients: Floats

    def terms(self, places_mm: Points) -> Floats:
        """(n, 10): what the coefficients after the constant multiply."""
        x, y = ((places_mm - self.middle_mm) / self.reach_mm).T
        share = np.zeros_like(x) if self.lamp is None else self.lamp.log_light_by_share(places_mm)
        return np.column_stack([share, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])

    def base(self, places_mm: Points, k: int) -> Floats:
        """What the lamp alone makes of the k-th mixed log: all of the brightness, none of the colour."""
        if self.lamp is None or k > 0:
            return np.zeros(len(places_mm))
        return self.lamp.log_light(places_mm)

    def log_white(self, places_mm: Points) -> Floats:
        """Log of the linear light (n, 3) of a perfect white at places (n, 2)."""
        mixed = self.coefficients[:, 0] + self.terms(places_mm) @ self.coefficients[:, 1:].T
        mixed[:, 0] += self.base(places_mm, 0)
        return np.asarray(mixed @ UNMIX.T)


def fit_field(surfaces: Sequence[Surface], middle_mm: Points, reach_mm: float) -> Field:
    """The field common to all surfaces; its constants are 0, for nothing here says what is white.

    Each surface has its own tone; boards a profile across them too (heartwood and sapwood run along a
    board, light does not), the bench patches, whose spread is learnt on the way. Cells that do not fit
    (knots, shadows, things lying about) lose their weight. Assumes matt surfaces.
    """
    field = Field(middle_mm, reach_mm, None, np.zeros((3, _TERMS + 1)))
    plain = _Model.of(surfaces, field, 0, _NO_LAMP_SIGMA).solve()
    field = replace(field, lamp=_fit_lamp(plain, field))
    solved = [_Model.of(surfaces, field, k, _FIELD_SIGMA).solve() for k in range(3)]
    return replace(field, coefficients=np.array([np.append(0.0, m.solution[:_TERMS]) for m in solved]))


@dataclass(frozen=True, eq=False)
class _Model:
    """The linear model of one mixed log.

    design (n, unknowns) and tones (n,); which (n,): surface of each row; first: where each surface's
    unknowns (tone, then bins) start after the field's terms; prior: inverse variances of the unknowns;
    weight: inverse variances of the rows, doubtful ones less.
    """

    surfaces: Sequence[Surface]
    k: int
    places_mm: Points
    design: Floats
    tones: Floats
    which: NDArray[np.int64]
    first: NDArray[np.int64]
    prior: Floats
    weight: Floats
    solution: Floats

    @classmethod
    def of(
        cls, surfaces: Sequence[Surface], field: Field, k: int, sigma: tuple[tuple[float, ...], ...]
    ) -> _Model:
        places = np.concatenate([s.places_mm for s in surfaces])
        which = np.repeat(np.arange(len(surfaces)), [len(s.tones) for s in surfaces])
        first = _TERMS + np.concatenate([[0], np.cumsum([2 + s.bins.max() for s in surfaces])]).astype(
            np.int64
        )
        every = np.arange(len(which))
        design = np.zeros((len(which), int(first[-1])))
        design[:, :_TERMS] = field.terms(places)
        design[every, first[which]] = 1.0
        design[every, first[which] + 1 + np.concatenate([s.bins for s in surfaces])] = 1.0
        prior = np.full(design.shape[1], _PROFILE_SIGMA[k] ** -2)
        prior[first[:-1]] = 1e-6
        prior[:_TERMS] = np.repeat([row[k] for row in sigma], _TERMS_EACH) ** -2.0
        tones = np.concatenate([s.tones[:, k] for s in surfaces]) - field.base(places, k)
        worth = np.array([s.worth / len(s.tones) for s in surfaces])[which] / _TONE_SIGMA[k] ** 2
        return cls(surfaces, k, places, design, tones, which, first, prior, worth, np.zeros(design.shape[1]))

    def solve(self) -> _Model:
        """Iteratively reweighted least squares; prior and weight come out as they were last used."""
        prior, worth = self.prior.copy(), self.weight.copy()
        trust = np.ones(len(worth))
        solution = self.solution
        for _ in range(_ROUNDS):
            w = trust * worth
            normal = self.design.T @ (self.design * w[:, None]) + np.diag(prior)
            solution = np.asarray(np.linalg.solve(normal, self.design.T @ (w * self.tones)), dtype=np.float64)
            left = self.tones - self.design @ solution
            limit = np.zeros(len(left))
            for i, surface in enumerate(self.surfaces):
                mine = self.which == i
                spread = _robust_sigma(left[mine])
                limit[mine] = _BIWEIGHT * max(spread, 0.3 * _TONE_SIGMA[self.k])
                if surface.blotchy:
                    patches = slice(int(self.first[i]) + 1, int(self.first[i + 1]))
                    apart = _robust_sigma(solution[patches] + _bin_means(left[mine], surface.bins))
                    prior[patches] = max(apart, _PATCH_SIGMA[self.k]) ** -2.0
                    worth[mine] = surface.worth / mine.sum() / max(spread, _PATCH_SIGMA[self.k]) ** 2
            trust = np.clip(1 - (left / limit) ** 2, 0.0, None) ** 2
        return replace(self, prior=prior, weight=trust * worth, solution=solution)


def _fit_lamp(plain: _Model, field: Field) -> Lamp:
    """The lamp that explains the brightness of all surfaces best, their own tones being free.

    plain: solved without a lamp, for its weights. Only some rows are used; neighbours say the same.
    """
    thin = max(1, len(plain.tones) // _LAMP_ROWS)
    rows = slice(None, None, thin)
    root = np.sqrt(plain.weight[rows] * thin)
    prior = plain.prior.copy()
    prior[:_TERMS] = np.repeat([row[0] for row in _FIELD_SIGMA], _TERMS_EACH) ** -2.0
    scaled = plain.design[rows] * root[:, None]
    solve = np.linalg.solve(scaled.T @ scaled + np.diag(prior), scaled.T)
    tones = plain.tones[rows]

    def misfit(log_light: Floats) -> Floats:
        rest = root * (tones - log_light)
        own = solve @ rest
        return np.concatenate([rest - scaled @ own, np.sqrt(prior) * own])

    return fit_lamp(plain.places_mm[rows], field.middle_mm, misfit)


def _robust_sigma(values: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(values)))


def _bin_means(values: Floats, bins: NDArray[np.int64]) -> Floats:
    """Mean of the values in each bin, 0 in empty ones."""
    return np.bincount(bins, values) / np.maximum(np.bincount(bins), 1)
