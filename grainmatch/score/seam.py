"""How well two edges run into each other, as the eye sees it along a glue line."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import delta_e_2000, srgb_to_lab
from grainmatch.model import Rgb
from grainmatch.score.likeness import price_likeness
from grainmatch.score.running import price_running
from grainmatch.score.straight import Strip
from grainmatch.score.views import Cut, view_strips

Floats = NDArray[np.float64]
_TONE_SPANS_N = 12
INSIDE_GAP_FRAC = 0.30
INSIDE_SHIFTS_FRAC = (-0.07, 0.07)
VOICE_NATS = 0.1
"""What each measure says a standard deviation before the pile has taught better. All have the same voice:
on faces they were not fitted to, fitted weights found fewer seams (tests/benchmarks/bench_voices.py)."""
_TRUST = 100.0
"""How firmly the equal voices are held against what a pile teaches."""
_LEAST_LEARNING_N = 4
"""A smaller pile teaches no weights of its own."""
_NEWTON_STEPS_N = 30


def price_flow(strips: Sequence[Strip]) -> Floats:
    """Continuity of the figure across every seam: (n, 2, n, 2), the first above the second.

    Index 1 and 3 say whether the strip is turned end for end. Lower is better: 1 is what two strips laid
    together by chance cost on average, 0 the best that can be hoped for in this pile. Differences are
    those of a log likelihood. Robust to a different exposure of each strip, and to wood lost to saw and
    jointer: nothing is compared pixel by pixel at the cut.
    """
    n = len(strips)
    if n < 2:
        return np.zeros((n, 2, n, 2))
    learns = n >= _LEAST_LEARNING_N
    measured = measure_seams([s.rgb for s in strips], len(INSIDE_SHIFTS_FRAC) if learns else 0)
    edges, *inside = (np.stack(list(seen.values()), axis=-1) for seen in measured)
    start = np.full(edges.shape[-1], VOICE_NATS)
    weight = adapt_weights(inside, start) if learns else start
    cost = edges @ weight
    cost = (cost + cost[:, ::-1, :, ::-1].transpose(2, 3, 0, 1)) / 2  # the top walked round is the same top
    off = np.sort(cost[_apart(n)])
    hoped = off[: 2 * (n - 1)].mean()  # every seam stands twice: walked from above and from below
    return np.asarray((cost - hoped) / max(off.mean() - hoped, 1e-9))


def measure_seams(pictures: Sequence[Rgb], inside_n: int) -> list[dict[str, Floats]]:
    """All measures (n, 2, n, 2) by name, in standard deviations: of the saw's edges, then of inside_n seams
    that lie uncut inside the strips, where the true follower of each strip is the strip itself."""
    views = view_strips(pictures)
    gap = round(INSIDE_GAP_FRAC * views.rows_n)
    cuts = [views.edge]
    for shift in INSIDE_SHIFTS_FRAC[:inside_n]:
        row = (views.rows_n - gap) // 2 + round(shift * views.rows_n)
        cuts.append(Cut(row + gap, row, inside=True))
    running = price_running(views, cuts)
    return [
        {name: _stand_out(cost) for name, cost in {**price_likeness(views, cut), **seen}.items()}
        for cut, seen in zip(cuts, running, strict=True)
    ]


def adapt_weights(inside: Sequence[Floats], start: Floats) -> Floats:
    """Weights (K,) that also fit this pile's own uncut seams: inside, each (n, 2, n, 2, K).

    Maximum a posteriori of a conditional logit choice (McFadden 1974) with a normal prior about `start`:
    of all edges that could follow one, the strip's own must be singled out.
    """
    n = len(inside[0])
    choices = []
    for cost in inside:
        for i in range(n):
            for p in range(2):
                row = cost[i, p].reshape(2 * n, -1)
                choices.append(row[[2 * i + p, *(c for c in range(2 * n) if c // 2 != i)]])
    choice = np.stack(choices)
    weight = np.asarray(start, dtype=np.float64)
    for _ in range(_NEWTON_STEPS_N):
        moved = _newton_step(choice, weight, start)
        if np.abs(moved - weight).max() < 1e-6:
            break
        weight = moved
    return weight


def _newton_step(choice: Floats, weight: Floats, start: Floats) -> Floats:
    """One step of Newton's method for the weights that are not held at zero: Bertsekas (1982), "Projected
    Newton methods", SIAM J. Control Optim. 20. The prior is firm enough for full steps."""
    utility = -(choice @ weight)
    utility -= utility.max(axis=1, keepdims=True)
    share = np.exp(utility)
    share /= share.sum(axis=1, keepdims=True)
    mean = (share[..., None] * choice).sum(axis=1)
    slope = (choice[:, 0] - mean).sum(axis=0) + 2 * _TRUST * (weight - start)
    spread = np.einsum("rc,rck,rcl->kl", share, choice, choice, optimize=True) - mean.T @ mean
    bend = spread + 2 * _TRUST * np.eye(len(weight))
    free = (weight > 0) | (slope < 0)
    moved = weight.copy()
    moved[free] -= np.linalg.solve(bend[np.ix_(free, free)], slope[free])
    return np.maximum(moved, 0.0)


def _stand_out(cost: Floats) -> Floats:
    """How far a seam is from what its two edges cost with all others, in standard deviations.

    An edge that is unlike everything (a knot, a dark belt) would otherwise count in every comparison.
    """
    n = len(cost)
    apart = _apart(n).reshape(2 * n, 2 * n)
    flat = cost.reshape(2 * n, 2 * n).astype(np.float64)
    known = np.where(apart, flat, 0.0)
    count = 2 * (n - 1)
    rows, columns = known.sum(axis=1, keepdims=True) / count, known.sum(axis=0, keepdims=True) / count
    flat = flat - rows - columns + known.sum() / (2 * n * count)
    return np.asarray((flat / (flat[apart].std() + 1e-12)).reshape(cost.shape))


def price_tone_step(strips: Sequence[Strip]) -> Floats:
    """Colour step across every seam in CIEDE2000, (n, 2, n, 2): mean over spans of the length."""
    top, bottom = [], []
    for strip in strips:
        depth = max(2, len(strip.rgb) // 6)
        top.append(_span_means(_to_lab(strip.rgb[:depth])))
        bottom.append(_span_means(_to_lab(strip.rgb[-depth:])))
    above, below = _in_poses(np.array(bottom), np.array(top))
    return np.asarray(delta_e_2000(above[:, :, None, None], below[None, None]).mean(axis=-1))


def _in_poses(bottom: Floats, top: Floats) -> tuple[Floats, Floats]:
    """Edge profiles (n, w, ...) to (n, 2, w, ...): the lower edges as the strips lie, and the upper ones."""
    above = np.stack([bottom, top[:, ::-1]], axis=1)
    below = np.stack([top, bottom[:, ::-1]], axis=1)
    return above, below


def _to_lab(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    return np.asarray(srgb_to_lab(rgb), dtype=np.float32)


def _span_means(band: NDArray[np.float32]) -> Floats:
    edges = np.linspace(0, band.shape[1], _TONE_SPANS_N + 1).astype(int)
    return np.array([band[:, a:b].mean(axis=(0, 1)) for a, b in pairwise(edges)])


def _apart(n: int) -> NDArray[np.bool_]:
    """True where a cost (n, 2, n, 2) is between two different strips."""
    return np.broadcast_to(~np.eye(n, dtype=bool)[:, None, :, None], (n, 2, n, 2))
