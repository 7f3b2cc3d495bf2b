"""The light's smooth field over the bench, fitted to what is common within all surfaces.

In the logarithm of linear light this is a linear model but for the lamp: every surface has its own
tone, the field is common (the idea of intrinsic images, Barrow & Tenenbaum 1978, with the surfaces known
beforehand). Solved by robust least squares with Gaussian expectations, once for brightness and once for
each of two colour ratios.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array

from grainmatch.geometry import Points
from grainmatch.photo.lamp import Lamp, fit_lamp
from grainmatch.photo.surfaces import UNMIX, Surface
from grainmatch.ranks import median

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
_FREE = 1e-6  # inverse variance of what nothing is expected of
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
        return np.column_stack([share, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y])

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


def fit_field(
    surfaces: Sequence[Surface], middle_mm: Points, reach_mm: float
) -> tuple[Field, tuple[Model, Model]]:
    """The field common to all surfaces, and the solved models of its two colour ratios.

    The field's constants are 0, for nothing here says what is white.

    Each surface has its own tone; boards a profile across them too (heartwood and sapwood run along a
    board, light does not), the bench patches, whose spread is learnt on the way. Cells that do not fit
    (knots, shadows, things lying about) lose their weight. Assumes matt surfaces.
    """
    field = Field(middle_mm, reach_mm, None, np.zeros((3, _TERMS + 1)))
    places = np.concatenate([s.places_mm for s in surfaces])
    design = _design(field.terms(places), surfaces)
    plain = Model.of(surfaces, field, design, 0, _NO_LAMP_SIGMA).solve()
    field = replace(field, lamp=_fit_lamp(plain, field))
    design = replace(design, terms=field.terms(places))
    solved = [Model.of(surfaces, field, design, k, _FIELD_SIGMA).solve() for k in range(3)]
    coefficients = np.array([np.append(0.0, m.solution[:_TERMS]) for m in solved])
    return replace(field, coefficients=coefficients), (solved[1], solved[2])


@dataclass(frozen=True, eq=False)
class Design:
    """What the unknowns do to each row.

    terms (n, 10) of the field; bins (n, bins; sparse): a 1 for the bin of the row's surface; own (bins,
    unknowns - 10): a 1 for the tone of the bin's surface and one for the bin's departure from it.
    """

    terms: Floats
    bins: Any
    own: Floats

    def __matmul__(self, unknowns: Floats) -> Floats:
        """The rows (n,) that unknowns make."""
        return np.asarray(self.terms @ unknowns[:_TERMS] + self.bins @ (self.own @ unknowns[_TERMS:]))

    def gather(self, values: Floats) -> Floats:
        """The transpose times values (n,) or (n, k)."""
        return np.concatenate([self.terms.T @ values, self.own.T @ (self.bins.T @ values)])

    def normal(self, weight: Floats) -> Floats:
        """Matrix (unknowns, unknowns) of the weighted normal equations."""
        weighted = self.terms * weight[:, None]
        crossed = self.own.T @ (self.bins.T @ weighted)
        own = (self.own.T * (self.bins.T @ weight)) @ self.own
        return np.block([[self.terms.T @ weighted, crossed.T], [crossed, own]])

    def few(self, step: int) -> Floats:
        """Every step-th row, as a plain matrix."""
        return np.hstack([self.terms[::step], self.bins[::step] @ self.own])


@dataclass(frozen=True, eq=False)
class Model:
    """The linear model of one mixed log.

    design (n rows of unknowns) and tones (n,); rows: each surface's; groups: the unknowns of each
    surface's bins; prior: inverse variances of the unknowns; weight: inverse variances of the rows,
    doubtful ones less. Unknowns: the field's terms, then surface by surface its tone and its bins'
    departures from it.
    """

    surfaces: Sequence[Surface]
    k: int
    places_mm: Points
    design: Design
    tones: Floats
    rows: Sequence[slice]
    groups: Sequence[slice]
    prior: Floats
    weight: Floats
    solution: Floats

    @classmethod
    def of(
        cls,
        surfaces: Sequence[Surface],
        field: Field,
        design: Design,
        k: int,
        sigma: tuple[tuple[float, ...], ...],
    ) -> Model:
        places = np.concatenate([s.places_mm for s in surfaces])
        row_ends = np.cumsum([0, *(len(s.tones) for s in surfaces)]).tolist()
        unknown_ends = _unknown_ends(surfaces)
        prior = np.full(unknown_ends[-1], _PROFILE_SIGMA[k] ** -2.0)
        prior[:_TERMS] = np.repeat([row[k] for row in sigma], _TERMS_EACH) ** -2.0
        prior[unknown_ends[:-1]] = _FREE
        weight = np.concatenate([np.full(len(s.tones), s.worth / len(s.tones)) for s in surfaces])
        return cls(
            surfaces=surfaces,
            k=k,
            places_mm=places,
            design=design,
            tones=np.concatenate([s.tones[:, k] for s in surfaces]) - field.base(places, k),
            rows=[slice(a, b) for a, b in pairwise(row_ends)],
            groups=[slice(a + 1, b) for a, b in pairwise(unknown_ends)],
            prior=prior,
            weight=weight / _TONE_SIGMA[k] ** 2,
            solution=np.zeros(len(prior)),
        )

    def solve(self) -> Model:
        """Iteratively reweighted least squares; prior and weight come out as they were last used."""
        prior, worth = self.prior.copy(), self.weight.copy()
        trust = np.ones(len(worth))
        solution = self.solution
        for _ in range(_ROUNDS):
            w = trust * worth
            factor = cho_factor(self.design.normal(w) + np.diag(prior))
            solution = cho_solve(factor, self.design.gather(w * self.tones))
            left = self.tones - self.design @ solution
            for surface, rows, group in zip(self.surfaces, self.rows, self.groups, strict=True):
                spread = _robust_sigma(left[rows])
                limit = _BIWEIGHT * max(spread, 0.3 * _TONE_SIGMA[self.k])
                trust[rows] = np.clip(1 - (left[rows] / limit) ** 2, 0.0, None) ** 2
                if surface.blotchy:
                    apart = _robust_sigma(solution[group] + _bin_means(left[rows], surface.bins))
                    prior[group] = max(apart, _PATCH_SIGMA[self.k]) ** -2.0
                    worth[rows] = surface.worth / len(left[rows]) / max(spread, _PATCH_SIGMA[self.k]) ** 2
        return replace(self, prior=prior, weight=trust * worth, solution=solution)


def _unknown_ends(surfaces: Sequence[Surface]) -> list[int]:
    """Where the unknowns of each surface begin, and where the last one's end."""
    ends: list[int] = (_TERMS + np.cumsum([0, *(2 + int(s.bins.max()) for s in surfaces)])).tolist()
    return ends


def _design(terms: Floats, surfaces: Sequence[Surface]) -> Design:
    unknown_ends = _unknown_ends(surfaces)
    n, bins_n = len(terms), [int(s.bins.max()) + 1 for s in surfaces]
    first = np.cumsum([0, *bins_n])
    column = np.repeat(first[:-1], [len(s.tones) for s in surfaces]) + np.concatenate(
        [s.bins for s in surfaces]
    )
    own = np.zeros((first[-1], unknown_ends[-1] - _TERMS))
    tone = np.repeat(unknown_ends[:-1], bins_n) - _TERMS
    each = np.arange(first[-1])
    own[each, tone] = own[each, tone + 1 + each - np.repeat(first[:-1], bins_n)] = 1.0
    return Design(terms, csr_array((np.ones(n), column, np.arange(n + 1)), shape=(n, len(own))), own)


def _fit_lamp(plain: Model, field: Field) -> Lamp:
    """The lamp that explains the brightness of all surfaces best, their own tones being free.

    plain: solved without a lamp, for its weights. Only some rows are used; neighbours say the same.
    """
    thin = max(1, len(plain.tones) // _LAMP_ROWS)
    root = np.sqrt(plain.weight[::thin] * thin)
    prior = plain.prior.copy()
    prior[:_TERMS] = np.repeat([row[0] for row in _FIELD_SIGMA], _TERMS_EACH) ** -2.0
    design = plain.design.few(thin)
    weighted = design * root[:, None]
    to_own = cho_solve(cho_factor(weighted.T @ weighted + np.diag(prior)), weighted.T)

    def unexplained(logs: Floats) -> Floats:
        rest = (root * logs.T).T
        own = to_own @ rest
        return np.concatenate([rest - weighted @ own, (np.sqrt(prior) * own.T).T])

    return fit_lamp(plain.places_mm[::thin], field.middle_mm, plain.tones[::thin], unexplained)


def _robust_sigma(values: Floats) -> float:
    return 1.4826 * float(median(np.abs(values)))


def _bin_means(values: Floats, bins: NDArray[np.int64]) -> Floats:
    """Mean of the values in each bin, 0 in empty ones."""
    return np.bincount(bins, values) / np.maximum(np.bincount(bins), 1)
