"""What boards mirror of the lamp: colourless light on top of their own colour.

A glossy or planed surface sends back its own colour and, unchanged, some of the lamp's light (the dichromatic
model, Shafer 1985, Color Res. Appl. 10:210). Where it does, wood pales in a way that coloured light cannot
explain, for bench and paper beside it do not change their colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from grainmatch.geometry import Points
from grainmatch.photo.field import Field, Model
from grainmatch.photo.surfaces import MIX, UNMIX, Surface
from grainmatch.ranks import median

Floats = NDArray[np.float64]

_TERMS = 2
_SIGMA = 0.1  # of each term over the half span, as a share of a perfect white's light
_PLAIN = 25.0  # squared sigmas over all terms beyond which boards are said to shine
_ROUNDS = 3
_LEAST_LINEAR = 0.01


@dataclass(frozen=True, eq=False)
class Shine:
    """Mirrored light over the bench as a share of what a perfect white would send back there.

    A quadratic along the boards (unit vector `along`) over reach_mm from middle_mm, floor being its least on
    them: what a board mirrors alike all along cannot be told from its own colour.
    """

    along: Points
    middle_mm: Points
    reach_mm: float
    coefficients: Floats
    floor: float

    def share(self, places_mm: Points) -> Floats:
        """(n,) at places (n, 2)."""
        return np.maximum(_terms(self, places_mm) @ self.coefficients - self.floor, 0.0)


def fit_shine(surfaces: Sequence[Surface], field: Field, models: Sequence[Model]) -> Shine | None:
    """The shine that boards show by paling, or None when nothing plain speaks for it.

    `field` must know its white; `models` are those of its colour ratios. Joint robust least squares over both
    ratios of all surfaces: coloured light acts on all of them, shine on boards alone, and on each the more
    the darker its colour.
    """
    shine = Shine(_along_boards(surfaces), field.middle_mm, field.reach_mm, np.zeros(_TERMS), 0.0)
    solved = [cho_factor(m.design.normal(m.weight) + np.diag(m.prior)) for m in models]
    tones = [np.concatenate([s.tones[:, k] for s in surfaces]) for k in (1, 2)]
    for _ in range(_ROUNDS):
        # The models' own unknowns eliminated (Schur's complement), the shine's terms are left.
        certain, told = _SIGMA**-2.0 * np.eye(_TERMS), np.zeros(_TERMS)
        for k, model, factor, tone in zip((1, 2), models, solved, tones, strict=True):
            paling = _paling(surfaces, field, shine, k)
            weighted = model.weight[:, None] * paling
            own = cho_solve(factor, model.design.gather(weighted))
            certain += paling.T @ weighted - model.design.gather(weighted).T @ own
            told += weighted.T @ tone - own.T @ model.design.gather(model.weight * tone)
        terms = np.linalg.solve(certain, told)
        if terms @ certain @ terms < _PLAIN:
            return None
        shine = _on_boards(replace(shine, coefficients=terms), surfaces)
    return shine


def without_shine(surfaces: Sequence[Surface], field: Field, shine: Shine) -> list[Surface]:
    """The surfaces as matt ones would have been seen."""
    matt = []
    for surface in surfaces:
        if surface.shines:
            seen = _seen(surface, field)
            share = shine.share(surface.places_mm)[:, None]
            own = np.maximum(seen - share, 0.2 * seen)
            surface = replace(surface, tones=surface.tones - np.log(seen / own) @ MIX.T)
        matt.append(surface)
    return matt


def _terms(shine: Shine, places_mm: Points) -> Floats:
    x = (places_mm - shine.middle_mm) @ shine.along / shine.reach_mm
    return np.column_stack([x, x * x])


def _seen(surface: Surface, field: Field) -> Floats:
    """Linear light (n, 3) over a perfect white's at the same place."""
    return np.exp(surface.tones @ UNMIX.T - field.log_white(surface.places_mm))


def _paling(surfaces: Sequence[Surface], field: Field, shine: Shine, k: int) -> Floats:
    """What each of the shine's terms does to the k-th mixed log (n, terms), at about the present share."""
    rows = []
    for surface in surfaces:
        if not surface.shines:
            rows.append(np.zeros((len(surface.tones), _TERMS)))
            continue
        share = np.maximum(shine.share(surface.places_mm), 1e-6)[:, None]
        own = np.maximum(median(_seen(surface, field) - share, axis=0), _LEAST_LINEAR)
        by_share = (np.log1p(share / own) / share) @ MIX[k]
        rows.append(by_share[:, None] * _terms(shine, surface.places_mm))
    return np.concatenate(rows)


def _along_boards(surfaces: Sequence[Surface]) -> Points:
    """The direction in which the boards are longest."""
    centred = [s.places_mm - s.places_mm.mean(axis=0) for s in surfaces if s.shines]
    _, vectors = np.linalg.eigh(sum(c.T @ c for c in centred))
    return np.asarray(vectors[:, -1], dtype=np.float64)


def _on_boards(shine: Shine, surfaces: Sequence[Surface]) -> Shine:
    """The same shine counted from where the boards show least of it."""
    places = np.concatenate([s.places_mm for s in surfaces if s.shines])
    return replace(shine, floor=float(np.percentile(_terms(shine, places) @ shine.coefficients, 2)))
