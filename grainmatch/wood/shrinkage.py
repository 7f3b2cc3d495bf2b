"""How wide and how thick a board becomes when its moisture changes.

Wood Handbook eq. 13-2 within 6 to 14 % moisture and eq. 13-3 outside, with the plane strain
transformation for rings that lie at an angle to the face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from grainmatch.errors import WoodError
from grainmatch.wood.species import Species, find_species

LINEAR_RANGE_PCT = (6.0, 14.0)
"""Where eq. 13-2 holds (Wood Handbook, text at eq. 13-2)."""

LOW_SHARE, HIGH_SHARE = 0.70, 1.15
"""How far real boards lie from the equation. The American Hardwood Information Center lists the movement
of 12 in. boards from 10 to 5 % for 13 woods: 0.70 (hickory) to 1.15 (quartered oak) of what the handbook
coefficients give. The handbook warns in the same sense that its procedure 'will probably overestimate
width shrinkage and underestimate thickness shrinkage' (p. 13-17)."""

LENGTHWISE_GREEN_TO_DRY_PCT = (0.1, 0.2)
"""Shrinkage along the grain of normal wood, green to oven-dry (AWC; FPL 1093 says 0.1 to 0.3)."""


@dataclass(frozen=True)
class Movement:
    """A change of size, positive when the wood grows.

    change_mm is the equation's figure; low_mm and high_mm are the range to expect of real boards
    (low_mm <= high_mm). assumptions says what was not known.
    """

    change_mm: float
    low_mm: float
    high_mm: float
    assumptions: tuple[str, ...] = ()


def predict_width_change_mm(
    *,
    width_mm: float,
    species: Species | str,
    from_pct: float,
    to_pct: float,
    ring_angle_deg: float = 0.0,
) -> float:
    """Change of a board's width, in mm, positive when it grows.

    ring_angle_deg: angle between the growth rings and the board's face; 0 is plain-sawn (the default:
    the widest movement), 90 quartersawn. Moisture above fibre saturation changes nothing. Raises
    WoodError for an unknown wood or an impossible number. See `predict_width_movement` for the range.
    """
    wood = to_species(species)
    check_size(width_mm)
    return width_mm * across_strain(wood, from_pct=from_pct, to_pct=to_pct, ring_angle_deg=ring_angle_deg)


def predict_thickness_change_mm(
    *,
    thickness_mm: float,
    species: Species | str,
    from_pct: float,
    to_pct: float,
    ring_angle_deg: float = 0.0,
) -> float:
    """Change of a board's thickness, in mm: as the width's, with radial and tangential exchanged."""
    return predict_width_change_mm(
        width_mm=thickness_mm,
        species=species,
        from_pct=from_pct,
        to_pct=to_pct,
        ring_angle_deg=90.0 - ring_angle_deg,
    )


def predict_width_movement(
    *,
    width_mm: float,
    species: Species | str,
    from_pct: float,
    to_pct: float,
    ring_angle_deg: float | None = None,
) -> Movement:
    """Change of width with the range real boards show; None for a ring angle nobody knows.

    Without a ring angle the plain-sawn figure is given and the range reaches down to quartersawn.
    """
    wood = to_species(species)

    def change_mm(angle_deg: float) -> float:
        return predict_width_change_mm(
            width_mm=width_mm, species=wood, from_pct=from_pct, to_pct=to_pct, ring_angle_deg=angle_deg
        )

    least, most = change_mm(90.0), change_mm(0.0)
    assumptions: tuple[str, ...] = ("Ring angle not known: counted as plain-sawn, the widest movement.",)
    if ring_angle_deg is not None:
        least = most = change_mm(ring_angle_deg)
        assumptions = ()
    low, high = sorted((LOW_SHARE * least, HIGH_SHARE * most))
    return Movement(most, low, high, assumptions + wood.cautions)


def predict_thickness_movement(
    *,
    thickness_mm: float,
    species: Species | str,
    from_pct: float,
    to_pct: float,
    ring_angle_deg: float | None = None,
) -> Movement:
    """Change of thickness with its range; without a ring angle the plain-sawn figure, up to quartersawn."""
    wood = to_species(species)
    as_width = {"width_mm": thickness_mm, "from_pct": from_pct, "to_pct": to_pct}
    if ring_angle_deg is not None:
        return predict_width_movement(species=wood, ring_angle_deg=90.0 - ring_angle_deg, **as_width)
    unknown = predict_width_movement(species=wood, **as_width)
    plain = predict_width_change_mm(species=wood, ring_angle_deg=90.0, **as_width)
    return Movement(plain, unknown.low_mm, unknown.high_mm, unknown.assumptions)


def predict_length_range_mm(*, length_mm: float, from_pct: float, to_pct: float) -> tuple[float, float]:
    """Change along the grain of normal wood (least, most) in mm, a share of LENGTHWISE_GREEN_TO_DRY_PCT."""
    check_size(length_mm)
    share = (min(to_pct, 30.0) - min(from_pct, 30.0)) / 30.0
    low, high = sorted(length_mm * pct / 100 * share for pct in LENGTHWISE_GREEN_TO_DRY_PCT)
    return low, high


def strains(species: Species, *, from_pct: float, to_pct: float) -> tuple[float, float]:
    """Fractional change of size (radial, tangential), positive when the wood grows."""
    for moisture in (from_pct, to_pct):
        if not (math.isfinite(moisture) and 0 <= moisture <= 300):
            raise WoodError(f"A moisture of {moisture:g} % is impossible.", "Give one from 0 to 300 %.")
    start = min(from_pct, species.fibre_saturation_pct)
    end = min(to_pct, species.fibre_saturation_pct)
    low, high = LINEAR_RANGE_PCT
    if low <= start <= high and low <= end <= high:
        # eq. 13-2
        return species.radial_per_pct * (end - start), species.tangential_per_pct * (end - start)
    fsp = species.fibre_saturation_pct
    # eq. 13-3, with the fibre saturation point of the wood in place of 30 (as ICC-400 writes it)
    radial, tangential = (
        (end - start) / (fsp * 100 / shrinkage - fsp + start) for shrinkage in total_shrinkage_pct(species)
    )
    return radial, tangential


def across_strain(species: Species, *, from_pct: float, to_pct: float, ring_angle_deg: float) -> float:
    """Fractional change across the face for rings at that angle to it.

    Plane strain transformation C_T cos^2 + C_R sin^2, exact for small strain (from memory; the case is
    the one of MacLean, FPL Report R1473, 1945, whose formula page could not be read).
    """
    radial, tangential = strains(species, from_pct=from_pct, to_pct=to_pct)
    sine = math.sin(math.radians(ring_angle_deg))
    return tangential + (radial - tangential) * sine**2


def total_shrinkage_pct(species: Species) -> tuple[float, float]:
    """Shrinkage green to oven-dry (radial, tangential), in per cent.

    The table's own, where it and the coefficients come from the same data; otherwise what the
    coefficients imply.
    """
    own = (species.radial_shrinkage_pct, species.tangential_shrinkage_pct)
    coefficients = (species.radial_per_pct, species.tangential_per_pct)
    use_own = species.kind == "species"
    radial, tangential = (
        s if use_own and s is not None else shrinkage_from_coefficient_pct(c, species.fibre_saturation_pct)
        for s, c in zip(own, coefficients, strict=True)
    )
    return radial, tangential


def coefficient_from_shrinkage(shrinkage_pct: float, fibre_saturation_pct: float = 30.0) -> float:
    """The coefficient of eq. 13-2 that a total shrinkage implies.

    Straight-line shrinkage from fibre saturation, referred to the size at 10 % moisture. Reproduces
    Table 13-5 from Table 4-3 to 1e-5 for every single species.
    """
    share = shrinkage_pct / 100
    return share / fibre_saturation_pct / (1 - share * (fibre_saturation_pct - 10) / fibre_saturation_pct)


def shrinkage_from_coefficient_pct(per_pct: float, fibre_saturation_pct: float = 30.0) -> float:
    """Inverse of `coefficient_from_shrinkage`."""
    return 100 * per_pct * fibre_saturation_pct / (1 + per_pct * (fibre_saturation_pct - 10))


def to_species(species: Species | str) -> Species:
    """The wood itself, or the one of that name."""
    return species if isinstance(species, Species) else find_species(species)


def check_size(size_mm: float) -> None:
    """Raises WoodError unless that can be a size of wood."""
    if not (math.isfinite(size_mm) and 0 < size_mm <= 100_000):
        raise WoodError(f"A size of {size_mm:g} mm is impossible.", "Give a size above zero and under 100 m.")
