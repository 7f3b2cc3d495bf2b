"""Sudden death, a few hundred times: processes killed without warning while they work, then looked over.

    python -m tests.benchmarks.bench_kills [KILLS]     300 when left out, shared among six kinds of work

After every kill the store must open, its database be sound, everything reported done be there and whole,
and half-written files be swept up. One home folder is used for many kills, as a maker's would be.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

from grainmatch.disk import PART
from tests.hard_use.cases import Yard
from tests.hard_use.killed import KINDS, check_after, kill_while_working, lay_out

# Longer than one piece of each work takes, so that every moment of it can be the last.
AFTER_FIRST_S = {"upload": 0.3, "edit": 0.2, "save": 0.2, "export": 0.2, "measure": 3.0, "arrange": 1.5}
SHARE = {"upload": 0.24, "edit": 0.24, "save": 0.2, "export": 0.2, "measure": 0.05, "arrange": 0.07}
KILLS_A_HOME_N = 10


def main() -> int:
    """Kill, look, print one line a kind of work; exit code 1 when anything was lost."""
    kills_n = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    lost_n = 0
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
        yard = Yard(Path(folder) / "yard")
        for kind in KINDS:
            wanted_n = max(1, round(SHARE[kind] * kills_n))
            lost_n += kill_often(kind, wanted_n, yard, Path(folder))
    print(f"{'something was lost' if lost_n else 'nothing was lost'}")
    return 1 if lost_n else 0


def kill_often(kind: str, kills_n: int, yard: Yard, folder: Path) -> int:
    """Kill one kind of work so many times. Returns after how many kills something was wrong."""
    rng = random.Random(f"kill {kind}")
    done_n = parts_n = lost_n = 0
    started = time.perf_counter()
    for k in range(kills_n):
        home = folder / f"{kind}{k // KILLS_A_HOME_N}"
        if not home.exists():
            lay_out(home, yard.made[0], yard.photo)
        try:
            reported_n = kill_while_working(kind, home, rng, after_first_s=AFTER_FIRST_S[kind])
            done_n += reported_n
            parts_n += len(list(home.rglob(f"{PART}*")))
            check_after(kind, home, reported_n)
        except Exception:
            lost_n += 1
            traceback.print_exc(limit=-2)
    seconds = time.perf_counter() - started
    print(
        f"{kind:8} {kills_n} kills, {done_n} pieces done before, {parts_n} half-written things swept up, "
        f"{lost_n} with something wrong, {seconds:.0f} s",
        flush=True,
    )
    return lost_n


if __name__ == "__main__":
    sys.exit(main())
