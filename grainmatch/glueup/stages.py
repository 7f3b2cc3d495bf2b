"""Which boards are glued together when.

No published rule was found. Gluing in stages follows from the time glue stays open and from hands: few
seams at a time (five boards as three and two, joined the next day: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

Parts = tuple[tuple[int, ...], ...]
"""Boards, or panels of boards, side by side; numbers count the boards from the top."""

DAY_COST = 0.5
PANEL_SEAM_COST = 1.2
OVER_PLANER_COST, OVER_LIFT_COST, UNEVEN_COST = 1.25, 0.5, 0.2
"""Against one more glue-up (1.0): one more day; one more seam at once when panels, unwieldy and already flat,
are being joined; a panel that the planer does not take; one too heavy to lift; panels of uneven width (own
weights)."""
_SPARE_PANELS_N = 4


@dataclass(frozen=True)
class StageLimits:
    """What one glue-up may be. fits(parts) says whether those parts can be glued in one go."""

    fits: Callable[[Parts], bool]
    planer_width_mm: float | None
    lift_kg: float


def choose_rounds(
    width_mm: Sequence[float], weight_kg: Sequence[float], limits: StageLimits
) -> tuple[tuple[Parts, ...], ...]:
    """Rounds of glue-ups, each a group of neighbouring parts; the last round makes the whole panel.

    Few glue-ups and few days first, one seam at a time between panels, then panels the planer takes and one
    person lifts, then even widths. Rounds stand a day apart. A single board needs none.
    """
    boards: Parts = tuple((k,) for k in range(len(width_mm)))
    return _plan(boards, _Sizes(tuple(width_mm), tuple(weight_kg)), limits)[1]


@dataclass(frozen=True)
class _Sizes:
    width_mm: tuple[float, ...]
    weight_kg: tuple[float, ...]

    def width(self, parts: Parts) -> float:
        return sum(self.width_mm[k] for part in parts for k in part)

    def weight(self, parts: Parts) -> float:
        return sum(self.weight_kg[k] for part in parts for k in part)


def _plan(parts: Parts, sizes: _Sizes, limits: StageLimits) -> tuple[float, tuple[tuple[Parts, ...], ...]]:
    """Cost and rounds to join these parts into one."""
    if len(parts) <= 1:
        return 0.0, ()
    best: tuple[float, tuple[tuple[Parts, ...], ...]] | None = None
    # two parts can always be joined, whatever the clock says
    if len(parts) == 2 or limits.fits(parts):
        best = DAY_COST + _glue_cost(parts), ((parts,),)
        if best[0] <= DAY_COST + 1.0:
            return best
    tried = 0
    for panels in range(2, len(parts)):
        groups = _split(parts, panels, sizes, limits)
        if groups is None:
            continue
        joined: Parts = tuple(tuple(k for part in group for k in part) for group in groups)
        cost, later = _plan(joined, sizes, limits)
        cost += DAY_COST + sum(_group_cost(group, sizes, limits) for group in groups)
        if best is None or cost < best[0] - 1e-9:
            best = cost, (tuple(g for g in groups if len(g) > 1), *later)
        tried += 1
        if tried == _SPARE_PANELS_N:
            break
    if best is None:  # not even two seams fit: pair by pair
        return _plan_pairwise(parts, sizes, limits)
    return best


def _plan_pairwise(
    parts: Parts, sizes: _Sizes, limits: StageLimits
) -> tuple[float, tuple[tuple[Parts, ...], ...]]:
    groups = [parts[k : k + 2] for k in range(0, len(parts), 2)]
    joined: Parts = tuple(tuple(k for part in group for k in part) for group in groups)
    cost, later = _plan(joined, sizes, limits)
    return cost + DAY_COST + len(groups), (tuple(g for g in groups if len(g) > 1), *later)


def _split(parts: Parts, panels: int, sizes: _Sizes, limits: StageLimits) -> list[Parts] | None:
    """The cheapest split into that many neighbouring groups that each fit, by dynamic programme."""
    count = len(parts)
    best: list[list[tuple[float, int] | None]] = [[None] * (count + 1) for _ in range(panels + 1)]
    best[0][0] = (0.0, 0)
    for used in range(1, panels + 1):
        for end in range(used, count + 1):
            for start in range(end - 1, used - 2, -1):
                before, group = best[used - 1][start], parts[start:end]
                if len(group) > 2 and not limits.fits(group):
                    break  # a longer one takes longer still
                if before is None:
                    continue
                cost, known = before[0] + _group_cost(group, sizes, limits), best[used][end]
                if known is None or cost < known[0] - 1e-12:
                    best[used][end] = (cost, start)
    groups: list[Parts] = []
    end = count
    for used in range(panels, 0, -1):
        step = best[used][end]
        if step is None:
            return None
        groups.append(parts[step[1] : end])
        end = step[1]
    return groups[::-1]


def _group_cost(group: Parts, sizes: _Sizes, limits: StageLimits) -> float:
    width = sizes.width(group)
    uneven = UNEVEN_COST * (width / sum(sizes.width_mm)) ** 2
    if len(group) == 1:
        return uneven
    planer = limits.planer_width_mm
    # a planer too narrow for any two boards is no reason to glue them otherwise
    over_planer = planer is not None and 2 * min(sizes.width_mm) <= planer < width
    over_lift = sizes.weight(group) > limits.lift_kg
    return _glue_cost(group) + OVER_PLANER_COST * over_planer + OVER_LIFT_COST * over_lift + uneven


def _glue_cost(parts: Parts) -> float:
    any_panel = any(len(part) > 1 for part in parts)
    return 1.0 + PANEL_SEAM_COST * (len(parts) - 2) * any_panel
