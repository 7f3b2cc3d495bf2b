"""How a board's cross-section changes shape when its moisture changes.

Every piece of wood shrinks more along the rings than across them. A free section takes this up
without stress by the polar map r' = r (1 - s_R), phi' = phi (1 - s_T) / (1 - s_R) about the pith (our
own derivation; the same idea as Mitchell 2016, BioResources 11(3) 6416-6425). It is checked against
finite elements in the tests. All shapes here are unrestrained upper figures: battens, fastenings and
the weight of the top hold most of it. Balodis (1972, CSIRO Tech. Paper 63) found cup linear in
moisture below 20 % and negligible for pine boards whose face lies more than 60 mm from the pith.

The cross-section's frame: y across the board from its upper edge to its lower one, z up out of the
face that lies up, both in mm; angles from +y towards +z.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import WoodError
from grainmatch.wood.shrinkage import across_strain, check_size, strains, to_species
from grainmatch.wood.species import Species

Floats = NDArray[np.float64]
STATIONS_N = 9
"""How many points along a board's width its shape is given at."""


@dataclass(frozen=True)
class Rings:
    """Where the pith lies, for a board as it lies on the bench.

    across_mm: from the board's centre line towards the lower edge. depth_mm: below the face that lies
    up, negative when the pith lies above it. Both may lie outside the board.
    """

    across_mm: float
    depth_mm: float

    def turned(self) -> Rings:
        """The same board turned end for end."""
        return Rings(-self.across_mm, self.depth_mm)

    def flipped(self, thickness_mm: float) -> Rings:
        """The same board flipped to its other face."""
        return Rings(-self.across_mm, thickness_mm - self.depth_mm)

    def ripped(self, upper_mm: float, lower_mm: float) -> Rings:
        """The same board with that much taken off its two edges."""
        return Rings(self.across_mm - (upper_mm - lower_mm) / 2, self.depth_mm)


@dataclass(frozen=True, eq=False)
class BoardArc:
    """The shape one board takes, in the form that lets boards be joined cheaply.

    Seen in a frame that stands on the board's upper edge: there the glue face stays upright and the
    middle of the thickness at height 0. rise_mm (k,) is the height of the middle of the thickness at k
    even stations from upper to lower edge; lift_mm (k,) is half the growth in thickness there, to add
    for the face that lies up (and to take off for the one below). turn_rad is how far the lower glue
    face has turned against the upper one. width_mm is the new width.

    Joining is linear: a board laid at height z0 and tilt a0 has heights z0 + a0 y + rise, and hands
    z0 + a0 width + rise[-1] and a0 + turn on to the next (see `join_arcs`).
    """

    width_mm: float
    rise_mm: Floats
    lift_mm: Floats
    turn_rad: float


def predict_cup_mm(
    *,
    width_mm: float,
    pith_depth_mm: float,
    species: Species | str,
    from_pct: float,
    to_pct: float,
    pith_across_mm: float = 0.0,
    thickness_mm: float = 0.0,
) -> float:
    """How far a face's edges rise over its middle, in mm; negative when the face bulges.

    pith_depth_mm: distance of the pith below this face (negative: above it), pith_across_mm from the
    board's centre line. On drying the face on the bark side goes hollow (positive). For a pith on the
    centre line this is Δs (w/2) arctan(w/2h), Δs = s_T - s_R, to first order. With a thickness the figure is
    that of the middle of the board, halfway between its two faces. Raises WoodError for an unknown wood or an
    impossible number.
    """
    check_size(width_mm)
    radial, tangential = strains(to_species(species), from_pct=from_pct, to_pct=to_pct)
    y = np.linspace(-width_mm / 2, width_mm / 2, 201)
    if not all(math.isfinite(v) for v in (pith_depth_mm, pith_across_mm, thickness_mm)):
        raise WoodError("The place of the pith is no number.", "Give its depth and its offset in mm.")
    height = np.full_like(y, pith_depth_mm - thickness_mm / 2)
    mapped_y, mapped_z = _map_free(y - pith_across_mm, height, radial, tangential)
    along = (mapped_y - mapped_y[0]) / (mapped_y[-1] - mapped_y[0])
    gap = mapped_z[0] + along * (mapped_z[-1] - mapped_z[0]) - mapped_z
    return float(gap[np.abs(gap).argmax()])


def predict_one_sided_cup_mm(
    *,
    width_mm: float,
    thickness_mm: float,
    species: Species | str,
    from_pct: float,
    face_pct: float,
    back_pct: float,
) -> float:
    """Cup of a plain-sawn board whose face and back differ in moisture, in mm, face's edges over its middle.

    A top finished on one face only, or lying flat on a bench, dries and wets on one side first. The
    moisture is taken to run straight from face to back (steady flow), so the board bends to a circle
    of curvature (strain of the back - strain of the face) / thickness. The drier face goes hollow.
    """
    check_size(width_mm)
    check_size(thickness_mm)
    wood = to_species(species)
    face, back = (
        across_strain(wood, from_pct=from_pct, to_pct=to_pct, ring_angle_deg=0.0)
        for to_pct in (face_pct, back_pct)
    )
    return (back - face) / thickness_mm * width_mm**2 / 8


def predict_board_arc(
    *,
    width_mm: float,
    thickness_mm: float,
    rings: Rings | None,
    species: Species | str,
    from_pct: float,
    to_pct: float,
) -> BoardArc:
    """The shape of one board, ready to be joined. rings None: rings not known, the board stays straight."""
    check_size(width_mm)
    check_size(thickness_mm)
    wood = to_species(species)
    radial, tangential = strains(wood, from_pct=from_pct, to_pct=to_pct)
    y = np.linspace(0.0, width_mm, STATIONS_N)
    if rings is not None:
        return _arc_of_section(y, thickness_mm, rings, radial, tangential)
    return BoardArc(
        width_mm * (1 + tangential), np.zeros_like(y), np.full_like(y, thickness_mm / 2 * radial), 0.0
    )


def join_arcs(arcs: Sequence[BoardArc]) -> tuple[Floats, Floats]:
    """The face of a top glued from boards in that order: across_mm (m,) and rise_mm (m,).

    Boards glued edge to edge keep their glue faces together, so each board starts with the tilt at
    which the one before it ended. The drawn faces meet at an angle there where the one board's corner
    is out of square and the other's is not: a bonded seam holds the glue faces, not the face slopes
    (against finite elements of the whole top in the tests: out-of-flat within 1 to 8 %).
    """
    width = np.array([arc.width_mm for arc in arcs])
    rise = np.array([arc.rise_mm for arc in arcs])
    turn = np.array([arc.turn_rad for arc in arcs])
    height = join_heights(width, rise, turn) + np.array([arc.lift_mm for arc in arcs])
    start = np.concatenate(([0.0], np.cumsum(width)[:-1]))
    across = start[:, None] + np.linspace(0.0, 1.0, rise.shape[-1]) * width[:, None]
    return across.ravel(), height.ravel()


def join_heights(width_mm: Floats, rise_mm: Floats, turn_rad: Floats) -> Floats:
    """Heights (..., n, k) of n joined boards, for any number of arrangements at once.

    width_mm (..., n), rise_mm (..., n, k), turn_rad (..., n) in the order of the top; see `BoardArc`.
    """
    tilt = np.cumsum(turn_rad, axis=-1) - turn_rad
    step = tilt * width_mm + rise_mm[..., -1]
    start = np.cumsum(step, axis=-1) - step
    along = np.linspace(0.0, 1.0, rise_mm.shape[-1])
    return np.asarray(start[..., None] + (tilt * width_mm)[..., None] * along + rise_mm, dtype=np.float64)


def measure_out_of_flat_mm(across_mm: Floats, rise_mm: Floats) -> Floats:
    """Highest minus lowest of a curve, measured from its own least-squares line; shape (...).

    The peak-to-valley straightness deviation about the least-squares reference line (ISO 12780-1, from
    memory). across_mm and rise_mm (..., m).
    """
    y = across_mm - across_mm.mean(axis=-1, keepdims=True)
    z = rise_mm - rise_mm.mean(axis=-1, keepdims=True)
    slope = (y * z).sum(axis=-1, keepdims=True) / (y * y).sum(axis=-1, keepdims=True)
    return np.asarray(np.ptp(z - slope * y, axis=-1), dtype=np.float64)


def ring_angle_deg(rings: Rings, *, width_mm: float, thickness_mm: float) -> float:
    """The one ring angle that moves the board's width as its curved rings do: 0 plain, 90 quartersawn."""
    height = rings.depth_mm - thickness_mm / 2
    lower = math.atan2(width_mm / 2 - rings.across_mm, abs(height))
    upper = math.atan2(-width_mm / 2 - rings.across_mm, abs(height))
    # the free map moves the edges apart by s_R w + Δs |h| (phi_lower - phi_upper): see the module's head
    plain_share = min(1.0, abs(height) * (lower - upper) / width_mm)
    return math.degrees(math.acos(math.sqrt(plain_share)))


def _map_free(y: Floats, height: Floats, radial: float, tangential: float) -> tuple[Floats, Floats]:
    """The free polar map. y and height are measured from the pith; strains are growth, so -s."""
    side = -1.0 if height.mean() < 0 else 1.0  # the pith may lie above: mirror it below and back
    radius = np.hypot(y, height) * (1 + radial)
    angle = np.arctan2(y, height * side) * ((1 + tangential) / (1 + radial))
    return radius * np.sin(angle), side * radius * np.cos(angle)


def _arc_of_section(
    y: Floats, thickness_mm: float, rings: Rings, radial: float, tangential: float
) -> BoardArc:
    """The free map to first order, so that a mirrored board has exactly the mirrored shape."""
    from_pith = y - (y[-1] / 2 + rings.across_mm)
    height = rings.depth_mm - thickness_mm * np.array([[0.0], [0.5], [1.0]])  # face up, middle, face down
    if height[1, 0] == 0:  # the pith in the very middle: choose the side its crack runs to
        height = height + 1e-9
    side = math.copysign(1.0, height[1, 0])
    angle = np.arctan2(from_pith, height * side) * side
    moved_y = radial * from_pith + (tangential - radial) * height * angle
    moved_z = radial * height - (tangential - radial) * from_pith * angle
    tilt = (moved_y[2] - moved_y[0]) / thickness_mm
    width = y[-1] + moved_y[1, -1] - moved_y[1, 0]
    rise = moved_z[1] - moved_z[1, 0] - tilt[0] * y * (width / y[-1])
    return BoardArc(float(width), rise, (moved_z[0] - moved_z[2]) / 2, float(tilt[-1] - tilt[0]))
