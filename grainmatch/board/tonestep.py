"""Whether a line is a hairline of shadow or the border of something darker, and where such a border runs."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from grainmatch.model import Mask
from grainmatch.ranks import median

Floats = NDArray[np.floating[Any]]
FLANK_SHARE = 0.5
"""From how far out, of what is looked at on both sides, the light beside a line is read."""
LEAST_DARKER, STEP_SHARE = 0.01, 0.1
"""Log light by which a hairline is darker than the darker of its boards, and as a share of what sets them
apart, so that no blurred border looks like one."""
TONE_STEP = (0.25, 2.0)
"""Log light by which boards must differ for their border to be followed, and by which they can: maple and
walnut differ by 1.6, a board and the dark of a gap by more."""
LEAST_TINT = 0.25
"""How differently in one colour and another; light in shade changes in all alike."""
WEAK = 0.3
LEAST_PLACES, LEAST_TOLD = 8, 0.8
STRAIGHT_SHARE, STRAIGHT_PX = 0.8, 0.5
"""A place's own step that is too weak to follow, as a share of the usual one; how many places must tell, and
what share; and what share of those must lie how near to one straight line: the border of sapwood wanders."""


def is_darkest(profile: Floats, *, step_share: float = STEP_SHARE) -> bool:
    """Whether the middle of a profile (2 r + 1,) of log light across a line is darker than both its sides, by
    a share of what sets them apart."""
    r = len(profile) // 2
    flank = round(r * FLANK_SHARE)
    sides = profile[: r - flank + 1].mean(), profile[r + flank :].mean()
    near = max(1, r // 4)
    middle = profile[r - near : r + near + 1].min()
    return bool(middle < min(sides) - LEAST_DARKER - step_share * abs(sides[0] - sides[1]))


def differs_in_colour(step: Floats) -> bool:
    """Whether a change of log light (3,) is one of colour, as between woods, and not of shade."""
    return bool(np.ptp(step) > LEAST_TINT * np.abs(step).mean())


def follow_step(profiles: Floats, x: Floats, base: Floats, *, px: float = 1.0) -> tuple[float, float] | None:
    """(place at x = 0, slope) of the straight line along which tone changes, None where it wanders.

    profiles (m, 2 r + 1) of log light across, at places x (m,) along; base (m,): where each one's middle is,
    in samples, which are px of the photo apart.
    """
    r = profiles.shape[1] // 2
    flank = max(2, r // 2)
    above, below = (
        profiles[:, part].mean(axis=1, keepdims=True) for part in (slice(0, flank), slice(-flank, None))
    )
    step = (below - above)[:, 0]
    usual = float(median(step))
    if len(x) < LEAST_PLACES or not TONE_STEP[0] < abs(usual) < TONE_STEP[1]:
        return None
    plain: Mask = step * np.sign(usual) > WEAK * abs(usual)
    share = (profiles - above) / np.where(plain, step, np.inf)[:, None]
    past = share > 0.5
    past[:, 0] = False
    k, each = past.argmax(axis=1).clip(1, None), np.arange(len(x))
    before, after = share[each, k - 1], share[each, k]
    told = plain & past.any(axis=1)
    if told.mean() < LEAST_TOLD:
        return None
    place = base + k - 1 + (0.5 - before) / np.maximum(after - before, 1e-3) - r
    x, place = x[told], place[told]
    i, j = np.triu_indices(len(x), len(x) // 3)
    slope = float(median((place[j] - place[i]) / (x[j] - x[i])))
    rest = place - slope * x
    start = float(median(rest))
    if np.percentile(np.abs(rest - start), 100 * STRAIGHT_SHARE) * px > STRAIGHT_PX:
        return None
    return start, slope
