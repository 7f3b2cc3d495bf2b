"""An independent solution of the cross-section: plane-strain finite elements (scikit-fem).

Each board is linear elastic and orthotropic along its own growth rings, swells or shrinks in polar
axes about its own pith, and is bonded to its neighbours. Nothing here uses the program's formulas.
Stiffness ratios are those of a typical hardwood (E_R : E_T : G_RT = 1000 : 550 : 180 MPa, nu_RT 0.6;
from memory); the result hardly depends on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skfem import Basis, BilinearForm, ElementQuad2, ElementVector, LinearForm, MeshQuad, condense, solve

Floats = NDArray[np.float64]
Pair = tuple[Floats, Floats]
Triple = tuple[Floats, Floats, Floats]
_E_R, _E_T, _G_RT, _NU_RT = 1000.0, 550.0, 180.0, 0.6
_STIFF = np.linalg.inv(np.array([[1 / _E_R, -_NU_RT / _E_R], [-_NU_RT / _E_R, 1 / _E_T]]))


@dataclass(frozen=True)
class SectionBoard:
    """width, pith from the board's centre line and below its upper face, strains (growth positive);
    gradient is added to both strains over the thickness, from -1/2 below to +1/2 above."""

    width_mm: float
    pith_across_mm: float
    pith_depth_mm: float
    radial: float
    tangential: float
    gradient: float = 0.0


def solve_face(
    boards: list[SectionBoard], thickness_mm: float, cells_per_mm: float = 0.2
) -> tuple[Floats, Floats]:
    """Height of the upper face (across_mm, rise_mm) of the bonded boards after their moisture change."""
    edges = np.concatenate(([0.0], np.cumsum([b.width_mm for b in boards])))
    steps = [max(4, round(b.width_mm * cells_per_mm)) for b in boards]
    across = np.concatenate(
        [np.linspace(a, a + b.width_mm, n + 1)[:-1] for a, b, n in zip(edges, boards, steps, strict=False)]
    )
    up = np.linspace(-thickness_mm, 0.0, max(4, round(thickness_mm * cells_per_mm)) + 1)
    mesh = MeshQuad.init_tensor(np.append(across, edges[-1]), up)
    basis = Basis(mesh, ElementVector(ElementQuad2()), intorder=5)
    radial_axis, free = _material(np.asarray(basis.global_coordinates()), boards, edges, thickness_mm)

    @BilinearForm
    def work(u, v, _w):  # type: ignore[no-untyped-def]
        strain = (u.grad[0, 0], u.grad[1, 1], (u.grad[0, 1] + u.grad[1, 0]) / 2)
        return _power(_stress(strain, radial_axis), v)

    @LinearForm
    def load(v, _w):  # type: ignore[no-untyped-def]
        return _power(_stress(free, radial_axis), v)

    # the left corner held in both directions and the right one kept level: no restraint
    left, right = (
        np.flatnonzero((basis.doflocs[0] == y) & (basis.doflocs[1] == 0)) for y in (0.0, edges[-1])
    )
    held = np.append(left, right[1])
    moved = solve(*condense(work.assemble(basis), load.assemble(basis), D=held))
    face = basis.get_dofs(lambda x: x[1] == 0).all(["u^2"])
    face = face[np.argsort(basis.doflocs[0, face])]
    return basis.doflocs[0, face], moved[face]


def _material(
    x: Floats, boards: list[SectionBoard], edges: Floats, thickness_mm: float
) -> tuple[Pair, Triple]:
    """The radial axis (y, z) and the free strains (yy, zz, yz) at points x (2, elements, points)."""
    which = np.clip(np.searchsorted(edges, x[0].mean(axis=-1)) - 1, 0, len(boards) - 1)
    table = np.array(
        [[b.pith_across_mm, b.pith_depth_mm, b.radial, b.tangential, b.gradient] for b in boards]
    )
    across, depth, s_r, s_t, gradient = table[which].T[:, :, None]
    y = x[0] - ((edges[:-1] + edges[1:]) / 2)[which][:, None] - across
    z = x[1] + depth
    n_y, n_z = y / np.hypot(y, z), z / np.hypot(y, z)
    extra = gradient * (x[1] / thickness_mm + 0.5)
    s_r, s_t = s_r + extra, s_t + extra
    return (n_y, n_z), (s_r * n_y**2 + s_t * n_z**2, s_r * n_z**2 + s_t * n_y**2, (s_r - s_t) * n_y * n_z)


def _stress(strain: Triple, radial_axis: Pair) -> Triple:
    n_y, n_z = radial_axis  # the tangential axis is (-n_z, n_y)
    yy, zz, yz = strain
    rr = yy * n_y**2 + zz * n_z**2 + 2 * yz * n_y * n_z
    tt = yy * n_z**2 + zz * n_y**2 - 2 * yz * n_y * n_z
    rt = (zz - yy) * n_y * n_z + yz * (n_y**2 - n_z**2)
    s_rr, s_tt = _STIFF[0, 0] * rr + _STIFF[0, 1] * tt, _STIFF[1, 0] * rr + _STIFF[1, 1] * tt
    s_rt = 2 * _G_RT * rt
    return (
        s_rr * n_y**2 + s_tt * n_z**2 - 2 * s_rt * n_y * n_z,
        s_rr * n_z**2 + s_tt * n_y**2 + 2 * s_rt * n_y * n_z,
        (s_rr - s_tt) * n_y * n_z + s_rt * (n_y**2 - n_z**2),
    )


def _power(stress: Triple, v: Any) -> Any:
    return stress[0] * v.grad[0, 0] + stress[1] * v.grad[1, 1] + stress[2] * (v.grad[0, 1] + v.grad[1, 0])
