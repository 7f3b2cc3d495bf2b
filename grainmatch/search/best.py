"""The best few layouts of a problem that are truly different choices."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from grainmatch.errors import LayoutError
from grainmatch.model import Layout, Problem, Progress
from grainmatch.search.compare import compare_layouts
from grainmatch.search.evaluate import Floats, Ints, Table, open_table, to_layout
from grainmatch.search.local import search_local
from grainmatch.search.prove import Found, search_proven, search_quickly
from grainmatch.search.sets import MOST_BOARDS_N

MOST_SHARED_FRAC = 0.5
"""A layout that shares more of its seams than this with an earlier one is no choice of its own."""
_PUSHES = (0.1, 0.2, 0.4, 0.8, 1.6)
"""How dear a seam already used is made, against the spread of seam costs, until the layout differs."""


class SearchCancelledError(LayoutError):
    """The search was stopped from outside."""


def search_layouts(
    problem: Problem,
    *,
    n_best: int = 3,
    seed: int = 0,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> list[Layout]:
    """The best layout first, then others that share at most half their seams with those before.

    The first is proven optimal when the pile allows it (`proven_optimal`), else `bound` says how much
    better another could be. Fewer than n_best are returned when there are no other choices. Same seed, same
    answer. Raises LayoutError when no arrangement keeps the rules, and SearchCancelledError when cancelled()
    turns true.
    """
    table = open_table(problem)

    def report(done: int, total: int) -> None:
        if cancelled is not None and cancelled():
            raise SearchCancelledError("The search was stopped.", "Start it again when you are ready.")
        if progress is not None:
            progress(min(done, total), total, "looking for the best arrangement")

    found = search_one(table, seed=seed, report=report)
    if found.top is None:
        raise LayoutError(
            "No arrangement keeps all the rules and makes the asked width.", "Drop a rule or add boards."
        )
    tops = [found.top]
    while len(tops) < n_best:
        other = _search_other(table, tops, seed, report)
        if other is None:
            break
        tops.append(other)
    layouts = [
        to_layout(table, top, proven=found.complete and k == 0, bound=found.bound)
        for k, top in enumerate(tops)
    ]
    others = sorted(layouts[1:], key=lambda x: x.score.total)
    return [layouts[0], *(replace(x, remarks=tuple(compare_layouts(layouts[0], x))) for x in others)]


def search_one(table: Table, *, seed: int = 0, report: Callable[[int, int], None] | None = None) -> Found:
    """The best arrangement, with a proof or a bound."""
    if table.cards.boards_n > MOST_BOARDS_N:
        top, total = search_local(table, seed=seed, report=report)
        return Found(top, total, -np.inf, False)
    return search_proven(table, report=report)


def _search_other(
    table: Table, tops: list[Ints], seed: int, report: Callable[[int, int], None]
) -> Ints | None:
    """The cheapest top found that differs enough from all before."""
    seams = table.cards.seam[np.isfinite(table.cards.seam)]
    if seams.size == 0:
        return None
    spread = float(seams.std()) or 1.0
    used = sum((_used_seams(table, t) for t in tops), np.zeros_like(table.cards.seam))
    for push in _PUSHES:
        dearer = table.cards.seam + used * push * spread
        pushed = replace(table, cards=replace(table.cards, seam=dearer))
        if table.cards.boards_n > MOST_BOARDS_N:
            top, _ = search_local(pushed, seed=seed, start=tops[0], kicks_n=10, report=report)
        else:
            top, _ = search_quickly(pushed, report=report)
        if top is not None and all(shared_frac(table, top, t) <= MOST_SHARED_FRAC for t in tops):
            return top
    return None


def _used_seams(table: Table, top: Ints) -> Floats:
    used = np.zeros_like(table.cards.seam)
    turned = table.cards.turned
    for a, b in pairwise(top):
        used[a, b] = 1.0
        if turned[a] >= 0 and turned[b] >= 0:
            used[turned[b], turned[a]] = 1.0
    return used


def shared_frac(table: Table, top: Ints, other: Ints) -> float:
    """Share of a top's seams that the other has too, walked either way round; 1 for a single board."""
    if len(top) < 2:
        return 1.0
    return float(_used_seams(table, other)[top[:-1], top[1:]].mean())
