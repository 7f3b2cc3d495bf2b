"""Would weights fitted to known seams beat equal voices? Each face is judged by weights it had no part in.

Strips are sawn from real faces and from drawn ones, with kerf, uneven exposure, blur and noise. The fitted
weights are those of a conditional logit choice (McFadden 1974): of all edges that could follow an edge, how
well do the measures single out the true one. Run: python -m tests.benchmarks.bench_voices
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from grainmatch.model import Pose, Problem
from grainmatch.score.seam import INSIDE_SHIFTS_FRAC, VOICE_NATS, adapt_weights, measure_seams
from grainmatch.search.best import search_layouts
from tests.benchmarks.bench_strips import found_frac
from tests.benchmarks.shared import shared_photos
from tests.benchmarks.strip_faces import cut_strips, load_faces

Floats = NDArray[np.float64]
KERFS_FRAC = (0.03, 0.06)
SEEDS = (1, 2)
_RIDGE = 10.0


@dataclass(frozen=True, eq=False)
class Sawn:
    """Strips of one face. edges and each of inside (n, 2, n, 2, K); places: (place, turned) of each strip."""

    group: str
    face: str
    kerf_frac: float
    places: list[tuple[int, bool]]
    edges: Floats
    inside: list[Floats]


def saw_faces() -> list[Sawn]:
    """All faces measured."""
    sawn = []
    for group, name, face in load_faces(for_fitting=True):
        face_name = name.removesuffix(" small").removesuffix(" part")
        for kerf in KERFS_FRAC:
            for seed in SEEDS:
                strips, places = cut_strips(face, kerf_frac=kerf, seed=seed)
                seen = measure_seams(strips, len(INSIDE_SHIFTS_FRAC))
                edges, *inside = (np.stack(list(costs.values()), axis=-1) for costs in seen)
                sawn.append(Sawn(group, face_name, kerf, places, edges, inside))
    return sawn


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


def fit(choices: Floats) -> Floats:
    """Non-negative weights (K,) of least penalised surprise."""

    def surprise(w: Floats) -> tuple[float, Floats]:
        utility = -(choices @ w)
        utility -= utility.max(axis=1, keepdims=True)
        share = np.exp(utility)
        share /= share.sum(axis=1, keepdims=True)
        slope = choices[:, 0] - (share[..., None] * choices).sum(axis=1)
        return float(-np.log(share[:, 0]).sum() + _RIDGE * (w**2).sum()), slope.sum(axis=0) + 2 * _RIDGE * w

    k = choices.shape[2]
    found = minimize(surprise, np.full(k, 0.05), jac=True, method="L-BFGS-B", bounds=[(0, None)] * k)
    return np.asarray(found.x)


def found_with(sawn: Sawn, weight: Floats) -> float:
    """Share of true seams found with these weights, adapted to the pile."""
    n = len(sawn.places)
    cost = sawn.edges @ adapt_weights(sawn.inside, weight)
    cost = cost + cost[:, ::-1, :, ::-1].transpose(2, 3, 0, 1)
    poses = (Pose("A", False), Pose("A", True))
    ids = tuple(str(k) for k in range(n))
    problem = Problem(ids, poses, np.ones(n), np.zeros((n, 2)), cost, n_pick=n, turn_of=(1, 0))
    best = search_layouts(problem, n_best=1)[0]
    return found_frac([(int(p.board_id), p.pose.turned) for p in best.placements], sawn.places)


def main() -> None:
    """Print the share of true seams found, group by group."""
    if shared_photos() is None:
        print("skipped: the folder of shared photos is absent (set GRAINMATCH_SHARED)")
        return
    sawn = saw_faces()
    size = sawn[0].edges.shape[-1]
    choices = {id(s): true_choices(s.edges, s.places) for s in sawn}
    found: dict[tuple[str, float], list[tuple[float, float]]] = defaultdict(list)
    for face in sorted({s.face for s in sawn}):
        fitted = fit(np.concatenate([choices[id(s)] for s in sawn if s.face != face]))
        for one in (s for s in sawn if s.face == face):
            both = found_with(one, np.full(size, VOICE_NATS)), found_with(one, fitted)
            found[one.group, one.kerf_frac].append(both)
    print("group     kerf   equal voices   fitted to the other faces")
    for (group, kerf), shares in sorted(found.items()):
        equal, fitted_share = np.mean(shares, axis=0)
        print(f"{group:8s}  {kerf:.2f}  {equal:13.2f}  {fitted_share:13.2f}")


if __name__ == "__main__":
    main()
