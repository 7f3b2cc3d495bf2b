"""The best arrangement with its proof: bounds first, a narrow front for a good top, then a wider one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from grainmatch.search.bound import Bound, Prices, bound_tops, free_prices
from grainmatch.search.evaluate import Ints, Table
from grainmatch.search.exact import count_states, search_exact
from grainmatch.search.narrow import search_narrow
from grainmatch.search.task import Task, list_tasks

_TINY_N = 60_000
"""Entries of the plain programme below which it is quicker than any bound."""
_TINY_BALANCED_N = 250_000
"""The same with a balance, which makes bounds dearer."""
_PLAIN_N = 12_000_000
"""Entries below which the plain programme is quick when the bounds are weak."""
_QUICK_WIDTH_N = 300
_COARSE_CELLS_N = 32
_FRONTS = ((2_000, 8, 128), (30_000, 24, 256), (120_000, 0, 256), (480_000, 0, 256))
"""How wide a front, after how many more rounds of the bound, with how many cells of balance."""
_MOST_STEPS_N = 800_000_000
"""No front is widened when that might take more steps than this, about a quarter of a minute's work."""
_LEAST_REACH = 1e-6

Report = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Found:
    """top: the cheapest arrangement found, None when there is none below what was to be beaten; its total; a
    proven lower bound on every total; whether the search was complete."""

    top: Ints | None
    total: float
    bound: float
    complete: bool


@dataclass(frozen=True, eq=False)
class _Lead:
    """What a quick look at a task gave. loose: a bound that leaves the balance out. total: of the best top it
    met, inf when it met none worth having."""

    task: Task
    loose: float
    bound: Bound
    top: Ints | None
    total: float


def search_proven(table: Table, *, report: Report | None = None) -> Found:
    """The arrangement of least total, with its proof, or with a bound where proving takes too long.

    report(done, total) may raise to stop.
    """
    tasks = list_tasks(table)
    if _is_tiny(tasks):
        return _search_plain(tasks, Found(None, np.inf, np.inf, True), report)
    leads = _look_quickly(tasks, report)
    best = min(leads, key=lambda lead: lead.total)
    found = Found(best.top, best.total, np.inf, True)
    for count, lead in enumerate(sorted(leads, key=lambda lead: (lead.total, lead.bound.value))):
        found = _settle(lead, found, _part_of(report, len(leads) + count, 2 * len(leads)))
    return replace(
        found, bound=min(found.bound, found.total), complete=found.complete or found.bound >= found.total
    )


def search_quickly(table: Table, *, report: Report | None = None) -> tuple[Ints | None, float]:
    """A very good arrangement and its total, without proof; (None, inf) when none was met."""
    tasks = list_tasks(table)
    if _is_tiny(tasks):
        found = _search_plain(tasks, Found(None, np.inf, np.inf, True), report)
        return found.top, found.total
    best = min(_look_quickly(tasks, report), key=lambda lead: lead.total)
    return best.top, best.total


def _is_tiny(tasks: list[Task]) -> bool:
    """Whether the plain programme is quicker than any bound."""
    tiny_n = _TINY_N if tasks[0].table.problem.balance_load is None else _TINY_BALANCED_N
    return sum(count_states(t) for t in tasks) <= tiny_n


def _search_plain(tasks: list[Task], found: Found, report: Report | None) -> Found:
    for count, task in enumerate(tasks):
        top, total = search_exact(task, beat=found.total, report=_part_of(report, count, len(tasks)))
        if top is not None:
            found = replace(found, top=top, total=total)
    return replace(found, bound=min(found.bound, found.total))


def _look_quickly(tasks: list[Task], report: Report | None) -> list[_Lead]:
    """A bound and a narrow front for every task, each starting from the prices of the one before."""
    leads: list[_Lead] = []
    beat, prices = np.inf, free_prices(tasks[0])
    for count, task in enumerate(tasks):
        lead = _look(task, beat, prices)
        if report:
            report(count + 1, 2 * len(tasks))
        leads.append(lead)
        beat, prices = min(beat, lead.total), lead.bound.prices
    return leads


def _look(task: Task, beat: float, prices: Prices) -> _Lead:
    bound = bound_tops(task, beat, prices=prices, rounds_n=25)
    top, total = None, np.inf
    if bound.value < beat:
        missed = search_narrow(task, bound, beat, width_n=_QUICK_WIDTH_N)
        top, total = missed.top, missed.total
        bound = bound_tops(task, min(beat, total), prices=bound.prices, rounds_n=30)
    loose = bound.value
    if task.drift is not None and loose < min(beat, total) < np.inf:
        bound = _tighten(_Lead(task, loose, bound, None, np.inf), min(beat, total), 12, _COARSE_CELLS_N)
        missed = search_narrow(task, bound, min(beat, total), width_n=_QUICK_WIDTH_N)
        if missed.top is not None:
            top, total = missed.top, missed.total
    return _Lead(task, loose, bound, top, total)


def _settle(lead: _Lead, found: Found, report: Report | None) -> Found:
    """Prove that a task holds no better top than the one found, or find it."""
    task, least, steps_n, before_n = lead.task, lead.bound.value, 0, _QUICK_WIDTH_N
    bound = lead.bound
    for width_n, rounds_n, cells_n in _FRONTS:
        if least >= found.total:
            return found
        if steps_n * width_n / before_n > _MOST_STEPS_N:
            break
        bound = _tighten(replace(lead, bound=bound), found.total, rounds_n, cells_n)
        missed = search_narrow(task, bound, found.total, width_n=width_n, report=report)
        if missed.top is not None:
            found = replace(found, top=missed.top, total=missed.total)
        least, steps_n, before_n = max(least, bound.value, missed.least), missed.steps_n, width_n
        dear = task.drift is not None or rounds_n == 0  # what is still to come, beside the plain programme
        if least < found.total and dear and count_states(task) <= _PLAIN_N:
            return _search_plain([task], found, report)
    if least >= found.total:
        return found
    return replace(found, bound=min(found.bound, least), complete=False)


def _tighten(lead: _Lead, beat: float, rounds_n: int, cells_n: int) -> Bound:
    """A better bound from where the last one ended, with finer cells of balance if there is one."""
    prices, reach = lead.bound.prices, 0.0
    if lead.task.drift is None or not np.isfinite(beat):
        cells_n = 0
    else:
        reach = 1.01 * np.sqrt(max(0.0, beat - lead.loose)) + _LEAST_REACH
    return bound_tops(lead.task, beat, prices=prices, rounds_n=rounds_n, cells_n=cells_n, reach=reach)


def _part_of(report: Report | None, part: int, parts_n: int) -> Report | None:
    """A report of one part's own progress as progress of the whole."""
    if report is None:
        return None
    return lambda done, total: report(part * total + done, parts_n * total)
