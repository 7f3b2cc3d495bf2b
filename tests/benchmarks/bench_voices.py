"""Fit the starting weights of grainmatch/score/weights.py to seams whose truth is known.

Strips are sawn from real faces and from drawn ones, with kerf, uneven exposure, blur and noise. The
weights are those of a conditional logit choice (McFadden 1974): of all edges that could follow an edge,
how well do the measures single out the true one. Run: python -m tests.benchmarks.fit_seam
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from grainmatch.score.seam import EDGE_ONLY, measure_seams
from tests.benchmarks.strip_faces import cut_strips, load_faces, shared_folder

Floats = NDArray[np.float64]
KERFS_FRAC = (0.03, 0.06)
SEED = 7
_RIDGE = 10.0
_HARD_WEIGHT = 2.0


def true_choices(cost: Floats, places: list[tuple[int, bool]]) -> Floats:
    """Rows (choices, candidates, K), the true follower first, from measures (n, 2, n, 2, K)."""
    n = len(places)
    strip_at = {slot: (k, int(turned)) for k, (slot, turned) in enumerate(places)}
    rows = []
    for slot in range(n - 1):
        (i, p), (j, q) = strip_at[slot], strip_at[slot + 1]
        for first, a, then, b in ((i, p, j, q), (j, 1 - q, i, 1 - p)):
            flat = cost[first, a].reshape(2 * n, -1)
            others = [c for c in range(2 * n) if c // 2 != first and c != 2 * then + b]
            rows.append(flat[[2 * then + b, *others]])
    return np.stack(rows)


def fit(choices: Floats, weight: Floats) -> Floats:
    """Non-negative weights (K,) of least penalised surprise."""

    def surprise(w: Floats) -> tuple[float, Floats]:
        utility = -(choices @ w)
        utility -= utility.max(axis=1, keepdims=True)
        share = np.exp(utility)
        share /= share.sum(axis=1, keepdims=True)
        slope = choices[:, 0] - (share[..., None] * choices).sum(axis=1)
        loss = -(weight * np.log(share[:, 0])).sum() + _RIDGE * (w**2).sum()
        return float(loss), (weight[:, None] * slope).sum(axis=0) + 2 * _RIDGE * w

    k = choices.shape[2]
    found = minimize(surprise, np.full(k, 0.05), jac=True, method="L-BFGS-B", bounds=[(0, None)] * k)
    return np.asarray(found.x)


def main() -> None:
    """Print the table for grainmatch/score/weights.py."""
    if shared_folder() is None:
        print("skipped: the folder of shared photos is absent (set GRAINMATCH_SHARED)")
        return
    faces = load_faces(for_fitting=True)
    groups = [group for group, _, _ in faces]
    rows, weights, names = [], [], []
    for group, _, face in faces:
        for kerf in KERFS_FRAC:
            strips, places = cut_strips(face, kerf_frac=kerf, seed=SEED)
            measured = measure_seams(strips, EDGE_ONLY)[0]
            names = list(measured)
            choices = true_choices(np.stack(list(measured.values()), axis=-1), places)
            rows.append(choices)
            weights.append(
                np.full(len(choices), (1.0 if group != "hard" else _HARD_WEIGHT) * 16 / groups.count(group))
            )
    found = fit(np.concatenate(rows), np.concatenate(weights))
    for name, value in zip(names, found, strict=True):
        print(f'    "{name}": {value:.3f},')


if __name__ == "__main__":
    main()
