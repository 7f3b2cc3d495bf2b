"""Strips sawn from one face, shuffled and turned: the share of true seams found again.

Side by side with the three published edge measures of shared/tools/strips.py under the same exact search.
Run: python -m tests.benchmarks.bench_strips [group ...]
"""

from __future__ import annotations

import importlib.util
import sys
import time
from collections import defaultdict
from itertools import pairwise
from types import ModuleType

import numpy as np

from grainmatch.pipeline.arrange import arrange_faces
from tests.benchmarks.shared import shared_folder
from tests.benchmarks.strip_faces import Rgb, cut_strips, load_faces

KERFS_FRAC = (0.03, 0.06)
SEEDS = (1, 2, 3)
PUBLISHED = {"Lab difference": "ssd", "Pomeranz 2011": "lpq", "Gallagher 2012": "mgc"}


def found_frac(order: list[tuple[int, bool]], places: list[tuple[int, bool]]) -> float:
    """Share of true seams in an order of (strip, turned), walked either way."""
    seen = [(places[k][0], places[k][1] ^ turn) for k, turn in order]
    n = len(seen)
    true = {((a, False), (a + 1, False)) for a in range(n - 1)} | {
        ((a + 1, True), (a, True)) for a in range(n - 1)
    }
    return sum((a, b) in true for a, b in pairwise(seen)) / (n - 1)


def arrange_with_ours(strips: list[Rgb]) -> list[tuple[int, bool]]:
    """Order by arrange_faces."""
    best = arrange_faces(strips, px_per_mm=2.0)[0]
    return [(int(p.board_id) - 1, p.pose.turned) for p in best.placements]


def load_published() -> ModuleType | None:
    """The published measures, None when the shared folder is absent."""
    path = shared_folder() / "tools" / "strips.py"
    if not path.is_file():
        return None
    spec = importlib.util.spec_from_file_location("strips", path)
    if spec is None or spec.loader is None:
        return None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main(groups: list[str]) -> None:
    """Print a table: group, kerf, and the share found by each measure."""
    published = load_published()
    if published is None:
        print("skipped: photos and published measures (the shared folder is absent; set GRAINMATCH_SHARED)")
    found: dict[tuple[str, float, str], list[float]] = defaultdict(list)
    seconds: list[float] = []
    for group, name, face in load_faces():
        if groups and group not in groups:
            continue
        ours_here = []
        for kerf in KERFS_FRAC:
            for seed in SEEDS:
                strips, places = cut_strips(face, kerf_frac=kerf, seed=seed)
                start = time.perf_counter()
                ours = found_frac(arrange_with_ours(strips), places)
                seconds.append(time.perf_counter() - start)
                found[group, kerf, "grainmatch"].append(ours)
                ours_here.append(f"{ours:.1f}")
                if published is not None:
                    swapped = [np.ascontiguousarray(s[:, :, ::-1]) for s in strips]  # its pictures are BGR
                    for title, function in PUBLISHED.items():
                        cost = published.cost_matrix(swapped, getattr(published, function))
                        found[group, kerf, title].append(found_frac(published.dp(cost), places))
        print(f"  {group:8s} {name:32s} {' '.join(ours_here)}", flush=True)
    titles = ["grainmatch", *PUBLISHED] if published else ["grainmatch"]
    print("group     kerf  " + "  ".join(f"{t:>14s}" for t in titles))
    for group, kerf in sorted({(g, k) for g, k, _ in found}):
        print(
            f"{group:8s}  {kerf:.2f}  " + "  ".join(f"{np.mean(found[group, kerf, t]):14.2f}" for t in titles)
        )
    print(f"{np.median(seconds):.2f} s a pile (median)")


if __name__ == "__main__":
    main(sys.argv[1:])
