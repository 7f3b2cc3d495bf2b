"""A solid model of a sawn board: growth rings, sapwood and knots in three dimensions.

Frame: x along the board from the left end, y across it from the upper left corner of face A
downward, depth from face A down into the board; all in mm. Growth layers are surfaces of equal
`ring_radius_mm`: cones about a slightly wandering pith that narrow up the tree, with smooth noise
and bulges round knots. Every picture in this package is a cut through this one solid, so its faces
and its ends agree with each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grainmatch.errors import BoardError
from grainmatch.geometry import Points
from grainmatch.model import Side

Field = NDArray[np.floating[Any]]

_BULGE_REACH = 1.6  # width of the bulge round a knot, in knot radii
_BULGE_HEIGHT = 1.3  # its height, in knot radii; reach and height keep the layers from folding over


@dataclass(frozen=True)
class SynthKnot:
    """A branch. Its axis runs straight from the pith through (x_mm, y_mm) on face A, where its
    radius is radius_mm; it is a cone, thinner towards the pith. dark: a dead, dark knot."""

    x_mm: float
    y_mm: float
    radius_mm: float
    dark: bool = False


@dataclass(frozen=True)
class SolidBoard:
    """A board whose wood is known everywhere.

    pith_across_mm, pith_depth_mm: the pith at the left end, as in model.EndGrain. up_tree: +1 when
    the right end was higher in the tree. taper_frac: loss of a layer's radius per mm up the tree.
    sapwood_radius_mm: where sapwood begins, None when the board is all heartwood. end_width_mm is
    the width at the right end. crook_mm bends both long edges towards +y at mid-length (the wood
    itself stays straight). Widths are symmetric about the board's centre line.
    """

    length_mm: float
    width_mm: float
    thickness_mm: float
    pith_across_mm: float
    pith_depth_mm: float
    species: str
    seed: int
    sapwood_radius_mm: float | None = None
    knots: tuple[SynthKnot, ...] = ()
    end_width_mm: float | None = None
    crook_mm: float = 0.0
    up_tree: Literal[-1, 1] = 1
    taper_frac: float = 0.011
    ring_mm: float = 2.8
    wander_mm: float = 1.5
    ripple_mm: float = 0.7
    moisture_pct: float = 8.0
    id: str = ""

    @property
    def bark_side(self) -> Side:
        """The face farther from the pith."""
        return "A" if self.pith_depth_mm > self.thickness_mm / 2 else "B"


def grow_board(
    *,
    seed: int,
    length_mm: float = 1900.0,
    width_mm: float = 140.0,
    thickness_mm: float = 27.0,
    species: str = "cherry",
    pith_across_mm: float | None = None,
    pith_depth_mm: float | None = None,
    sapwood_radius_mm: float | None = None,
    knots: int | tuple[SynthKnot, ...] | None = None,
    end_width_mm: float | None = None,
    crook_mm: float = 0.0,
    up_tree: Literal[-1, 1] | None = None,
    taper_frac: float | None = None,
    ring_mm: float | None = None,
    wander_mm: float = 1.5,
    ripple_mm: float = 0.7,
    moisture_pct: float = 8.0,
    id: str = "",
) -> SolidBoard:
    """A board drawn at random from `seed`; any field given is kept as given.

    knots may be a number of random knots. sapwood_radius_mm=math.inf asks for no sapwood. Raises
    BoardError for an impossible size.
    """
    if not all(math.isfinite(v) and v > 0 for v in (length_mm, width_mm, thickness_mm)):
        raise BoardError("A board needs a length, a width and a thickness.", "Give sizes above zero.")
    rng = np.random.default_rng([seed, 1])
    # All draws are made in a fixed order so that giving one field does not change the others.
    across, off_mid, below = rng.uniform(-0.55, 0.55), rng.uniform(30, 105), rng.random() < 0.5
    up, taper, ring = rng.random() < 0.5, rng.uniform(0.008, 0.015), rng.uniform(2.0, 3.6)
    has_sapwood, sap_share = rng.random() < 0.4, rng.uniform(0.75, 0.97)
    n_random = int(rng.integers(0, 3))
    if pith_across_mm is None:
        pith_across_mm = across * width_mm
    if pith_depth_mm is None:
        pith_depth_mm = thickness_mm / 2 + (off_mid if below else -off_mid)
    if sapwood_radius_mm is None:
        far_mm = math.hypot(abs(pith_across_mm) + width_mm / 2, abs(pith_depth_mm - thickness_mm / 2))
        sapwood_radius_mm = float(far_mm * sap_share) if has_sapwood else None
    elif math.isinf(sapwood_radius_mm):
        sapwood_radius_mm = None
    if not isinstance(knots, tuple):
        n = n_random if knots is None else knots
        knots = tuple(
            SynthKnot(
                float(rng.uniform(0.08, 0.92) * length_mm),
                float(rng.uniform(0.15, 0.85) * width_mm),
                float(rng.uniform(4.0, 11.0)),
                bool(rng.random() < 0.4),
            )
            for _ in range(n)
        )
    return SolidBoard(
        length_mm, width_mm, thickness_mm, float(pith_across_mm), float(pith_depth_mm), species, seed,
        sapwood_radius_mm=sapwood_radius_mm, knots=knots, end_width_mm=end_width_mm, crook_mm=crook_mm,
        up_tree=(1 if up else -1) if up_tree is None else up_tree,
        taper_frac=float(taper) if taper_frac is None else taper_frac,
        ring_mm=float(ring) if ring_mm is None else ring_mm,
        wander_mm=wander_mm, ripple_mm=ripple_mm, moisture_pct=moisture_pct, id=id or f"board {seed}",
    )  # fmt: skip


@lru_cache(maxsize=256)
def _waves(seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Noise on the layers: wave vectors (n, 3) along x, across and in depth, phases (n,)."""
    rng = np.random.default_rng([seed, 2])
    along = rng.uniform(260, 1500, 7) * rng.choice([-1, 1], 7)
    across = rng.uniform(50, 260, (7, 2)) * rng.choice([-1, 1], (7, 2))
    return 2 * np.pi / np.column_stack([along, across]), rng.uniform(0, 2 * np.pi, 7)


@lru_cache(maxsize=256)
def _pith_waves(seed: int) -> NDArray[np.float64]:
    """(2, 2) rows across and depth: wavelength over board length, phase."""
    rng = np.random.default_rng([seed, 3])
    return np.column_stack([rng.uniform(1.1, 2.2, 2), rng.uniform(0, 2 * np.pi, 2)])


def pith_mm(board: SolidBoard, x_mm: ArrayLike) -> tuple[Field, Field]:
    """The pith at places along the board: (y_mm, depth_mm), each shaped like x_mm."""
    x = np.asarray(x_mm)
    offsets = []
    for wavelength, phase in _pith_waves(board.seed):
        turn = 2 * np.pi / (wavelength * board.length_mm)
        # The size is divided by the turn's rate so that the pith leans alike in short and long boards.
        size = board.wander_mm / (turn * 800.0)
        offsets.append(size * (np.sin(turn * x + phase) - math.sin(phase)))
    return (
        board.width_mm / 2 + board.pith_across_mm + offsets[0],
        board.pith_depth_mm + offsets[1],
    )


def ring_radius_mm(board: SolidBoard, x_mm: ArrayLike, y_mm: ArrayLike, depth_mm: ArrayLike) -> Field:
    """The growth layer at places in the solid: its radius at mid-length, noise and bulges removed.

    Equal values are one layer; a ring line on any cut is a level line of this field. Inputs
    broadcast; the result keeps their float type.
    """
    x, y, depth = np.asarray(x_mm), np.asarray(y_mm), np.asarray(depth_mm)
    pith_y, pith_depth = pith_mm(board, x)
    u, v = y - pith_y, depth - pith_depth
    radius = np.hypot(u, v) + board.up_tree * board.taper_frac * (x - board.length_mm / 2)
    vectors, phases = _waves(board.seed)
    for (kx, ku, kv), phase in zip(vectors, phases, strict=True):
        radius = radius + board.ripple_mm / math.sqrt(3.5) * np.sin(kx * x + ku * u + kv * v + phase)
    for knot in _knots_near(board, x):
        from_axis, knot_radius = _knot_distance(board, knot, x, y, depth)
        bulge = np.exp(-0.5 * (from_axis / (_BULGE_REACH * np.maximum(knot_radius, 0.05))) ** 2)
        radius = radius - _BULGE_HEIGHT * knot_radius * bulge
    return radius


def _knots_near(board: SolidBoard, x: Field) -> list[SynthKnot]:
    """The knots that can be felt at these places: within about six of their bulge's widths."""
    low, high = float(x.min()), float(x.max())
    stretch = 10.0 * (1 + board.thickness_mm / 20)  # a branch is thicker on the bark side than on face A
    return [k for k in board.knots if low - stretch * k.radius_mm < k.x_mm < high + stretch * k.radius_mm]


def _knot_distance(
    board: SolidBoard, knot: SynthKnot, x: Field, y: Field, depth: Field
) -> tuple[Field, Field]:
    """Distance from the branch's axis, and its radius there (0 on the far side of the pith)."""
    pith_y, pith_depth = (float(p) for p in pith_mm(board, knot.x_mm))
    reach = math.hypot(knot.y_mm - pith_y, pith_depth)
    cy, cd = (knot.y_mm - pith_y) / reach, -pith_depth / reach
    along = np.maximum((y - pith_y) * cy + (depth - pith_depth) * cd, 0)
    off = (y - pith_y) * cd - (depth - pith_depth) * cy
    return np.hypot(off, x - knot.x_mm), knot.radius_mm * along / reach


def knot_depth(
    board: SolidBoard, x_mm: ArrayLike, y_mm: ArrayLike, depth_mm: ArrayLike
) -> tuple[Field, NDArray[np.int64]]:
    """How far inside a knot: (distance from the nearest axis over its radius there, index of that knot).

    Below 1 is knot wood. Without knots the first array is infinite.
    """
    x, y, depth = np.broadcast_arrays(x_mm, y_mm, depth_mm)
    best: Field = np.full(x.shape, np.inf)
    which = np.zeros(x.shape, dtype=np.int64)
    near = _knots_near(board, x)
    for index, knot in enumerate(board.knots):
        if knot not in near:
            continue
        from_axis, radius = _knot_distance(board, knot, x, y, depth)
        share = from_axis / np.maximum(radius, 0.05)
        which = np.where(share < best, index, which)
        best = np.minimum(best, share)
    return best, which


def ring_gradient(board: SolidBoard, x_mm: ArrayLike, y_mm: ArrayLike, depth_mm: ArrayLike) -> Field:
    """Gradient (..., 3) of `ring_radius_mm` along x, y and depth, by central differences of 0.02 mm."""
    at = np.stack(np.broadcast_arrays(x_mm, y_mm, depth_mm)).astype(np.float64)
    parts = []
    for axis in range(3):
        step = np.zeros((3,) + (1,) * (at.ndim - 1))
        step[axis] = 0.02
        parts.append((ring_radius_mm(board, *(at + step)) - ring_radius_mm(board, *(at - step))) / 0.04)
    return np.stack(parts, axis=-1)


def planing_direction(board: SolidBoard, side: Side) -> Literal[-1, 1]:
    """The way a face planes with the grain: +1 towards the right end, -1 towards the left.

    Fibres run along the board within the growth layers. A plane should move the way in which they
    rise to the surface, so that they are cut and not lifted. Averaged over the clear wood of the
    face; nothing but the solid's own gradient goes in.
    """
    x, y = np.meshgrid(
        np.linspace(0.02, 0.98, 97) * board.length_mm, np.linspace(0.05, 0.95, 31) * board.width_mm
    )
    depth = np.full(x.shape, 0.0 if side == "A" else board.thickness_mm)
    gradient = ring_gradient(board, x, y, depth)
    clear = knot_depth(board, x, y, depth)[0] > 3
    normal = gradient / np.linalg.norm(gradient, axis=-1, keepdims=True)
    # The +x direction laid into the layer; its depth part is how fast fibres dive.
    dive = -normal[..., 0] * normal[..., 2]
    rise = -dive if side == "A" else dive
    return 1 if float(rise[clear].mean()) > 0 else -1


def edges_mm(board: SolidBoard, x_mm: ArrayLike, *, side: Side = "A") -> tuple[Field, Field]:
    """The upper and lower edge (y in mm) at places along a face, in that face's own frame."""
    x = np.asarray(x_mm)
    t = x / board.length_mm
    end_width = board.width_mm if board.end_width_mm is None else board.end_width_mm
    half = (board.width_mm + (end_width - board.width_mm) * t) / 2
    middle = board.width_mm / 2 + 4 * board.crook_mm * t * (1 - t) * (1 if side == "A" else -1)
    return middle - half, middle + half


def outline_mm(board: SolidBoard, *, side: Side = "A") -> Points:
    """Outline (n, 2) of a face in its own frame from its upper left corner, clockwise on screen.

    Four corners, more along the edges when they are crooked.
    """
    x = np.linspace(0, board.length_mm, 2 if board.crook_mm == 0 else 17)
    upper, lower = edges_mm(board, x, side=side)
    return np.concatenate([np.column_stack([x, upper]), np.column_stack([x, lower])[::-1]])
