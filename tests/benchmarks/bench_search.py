"""Time to the proven best arrangement, beside OR-Tools CP-SAT and brute force; gaps for large piles.

CP-SAT gets the pair costs as one circuit over all cards (board in pose) plus a start, with 2 workers.
Run: python -m tests.benchmarks.bench_search [longest seconds for CP-SAT]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from itertools import permutations, product

import numpy as np

from grainmatch.model import Problem
from grainmatch.search.best import search_one
from grainmatch.search.evaluate import open_table, total_costs
from grainmatch.search.prove import search_quickly
from tests.search.small import random_problem

SCALE = 10_000
LARGE_S = 20.0


def solve_circuit(problem: Problem, limit_s: float) -> tuple[str, float, float, float]:
    """(status, total, bound, seconds) of CP-SAT on the pair and pose costs."""
    from ortools.sat.python import cp_model

    cards = open_table(problem).cards
    m = len(cards.board)
    model = cp_model.CpModel()
    arcs, costs = [], []

    def add(tail: int, head: int, cost: float) -> cp_model.IntVar:
        used = model.new_bool_var("")
        arcs.append((tail, head, used))
        costs.append((used, round(cost * SCALE)))
        return used

    used_n = []
    for i in range(m):
        add(0, i + 1, cards.alone[i])
        add(i + 1, 0, 0.0)
        unused = model.new_bool_var("")
        arcs.append((i + 1, i + 1, unused))
        used_n.append(unused.negated())
        for j in range(m):
            if cards.board[i] != cards.board[j]:
                add(i + 1, j + 1, cards.seam[i, j] + cards.alone[j])
    model.add_circuit(arcs)
    every = problem.n_pick == cards.boards_n
    for b in range(cards.boards_n):
        mine = [used_n[i] for i in range(m) if cards.board[i] == b]
        model.add_exactly_one(mine) if every else model.add_at_most_one(mine)
    model.add(sum(used_n) == problem.n_pick)
    model.minimize(sum(used * cost for used, cost in costs))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 2
    solver.parameters.max_time_in_seconds = limit_s
    start = time.perf_counter()
    status = solver.solve(model)
    seconds = time.perf_counter() - start
    return (
        solver.status_name(status),
        solver.objective_value / SCALE,
        solver.best_objective_bound / SCALE,
        seconds,
    )


def brute_force(problem: Problem) -> tuple[float, float]:
    """(least total, seconds) over every order and pose, by whole-array evaluation."""
    start = time.perf_counter()
    table = open_table(problem)
    n, p = len(problem.board_ids), len(problem.poses)
    poses = np.array(list(product(range(p), repeat=n)))
    best = np.inf
    for order in permutations(range(n)):
        best = min(best, float(total_costs(table, np.array(order) * p + poses).min()))
    return best, time.perf_counter() - start


def main(limit_s: float) -> None:
    """Print the tables."""
    print(f"CP-SAT stops after {limit_s:.0f} s. Times in seconds.")
    print("boards  of  whole-top  ours  total   CP-SAT  total   status   faster   brute force")
    for n, k in ((5, 5), (8, 8), (12, 12), (14, 14), (16, 16), (16, 8), (24, 16)):
        pairs = replace(random_problem(n, seed=1, whole_top=False), n_pick=k)
        whole = replace(random_problem(n, seed=1), n_pick=k)
        if k < n:
            whole = replace(whole, balance_means=(-0.2, -0.1, 0.0, 0.1, 0.2))
        start = time.perf_counter()
        ours = search_one(open_table(pairs))
        ours_s = time.perf_counter() - start
        status, total, _, seconds = solve_circuit(pairs, limit_s)
        forced = "{1:.2f} ({0:.4f})".format(*brute_force(pairs)) if n <= 5 else "-"
        print(
            f"{k:4d}  {n:4d}  no         {ours_s:.2f}  {ours.total:.4f}  {seconds:6.2f}  {total:.4f}  "
            f"{status:8s} {seconds / ours_s:6.0f}x  {forced}",
            flush=True,
        )
        start = time.perf_counter()
        ours = search_one(open_table(whole))
        print(
            f"{k:4d}  {n:4d}  yes        {time.perf_counter() - start:.2f}  {ours.total:.4f}  "
            f"{'proven' if ours.complete else 'open'}",
            flush=True,
        )
    print("large piles, pair costs: total and proven bound, CP-SAT given as long as ours took")
    for n in (20, 30, 40):
        problem = random_problem(n, seed=1, whole_top=False)
        start = time.perf_counter()
        quick = search_quickly(open_table(problem))[1]
        quick_s = time.perf_counter() - start
        ours = search_one(open_table(problem))
        ours_s = time.perf_counter() - start - quick_s
        status, total, bound, seconds = solve_circuit(problem, max(ours_s, 5.0))
        print(
            f"{n:4d}  ours {ours.total:.4f} >= {ours.bound:.4f} in {ours_s:.1f} s "
            f"(first answer {quick:.4f} in {quick_s:.1f} s)   "
            f"CP-SAT {total:.4f} >= {bound:.4f} in {seconds:.1f} s {status}",
            flush=True,
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
