"""Bad input by the ten thousand.

    python -m tests.benchmarks.bench_fuzz [SHARE]     SHARE of the cases, 1 when left out

Every section runs in a process of its own with a limit on memory; a case that takes over 20 s ends it. A
case stands firm when it ends in a result or in a refusal of two sentences (tests/hard_use/verdict.py).
A damaged bench photo that still gives boards must give the right ones or say that it looks damaged.
"""

from __future__ import annotations

import collections
import faulthandler
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from grainmatch.model import Board
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.measure import read_bench_photo
from grainmatch.ui.arrangement import read_items
from grainmatch.units import parse_length_mm, parse_size_mm
from tests import strategies
from tests.hard_use.cases import CASES, Yard
from tests.hard_use.harm import flip_bit
from tests.hard_use.job import small_boards
from tests.hard_use.pictures import good_pictures, hostile_pictures, largest_picture
from tests.hard_use.verdict import judge, judge_command

LONGEST_S = 20
MOST_BYTES = 2 * 2**30
ADDRESS_SPACE_BYTES = 8 * 2**30  # threads and mapped libraries claim more than they use

FILES_N = {
    "pictures": 6000, "layout files": 3500, "board files": 1500, "correction files": 1000,
    "species files": 1000, "job files": 1200, "stores": 500, "arrange": 200, "papers": 150, "measure": 120,
}  # fmt: skip
TYPED_N = {"lengths": 3000, "sizes": 2500, "browser answers": 600, "command lines": 700}
TORN_N = 120

Count = collections.Counter[str]


class Section:
    """The cases of one kind so far: how they ended, the slowest, and the faults with their cases."""

    def __init__(self) -> None:
        self.ends: Count = collections.Counter()
        self.slowest_s = 0.0
        self.faults: list[str] = []

    def try_case(self, call: Callable[[], str], seen_as: str) -> None:
        """Run one case; anything it raises is a fault to be counted, which is what this program is for."""
        faulthandler.dump_traceback_later(LONGEST_S, exit=True)
        started = time.perf_counter()
        try:
            self.ends[call()] += 1
        except Exception:
            self.ends["FAULT"] += 1
            self.faults.append(f"{seen_as}\n{traceback.format_exc(limit=-3)}")
        faulthandler.cancel_dump_traceback_later()
        self.slowest_s = max(self.slowest_s, time.perf_counter() - started)

    def report(self) -> dict[str, Any]:
        """As plain data, with the most memory this process ever held."""
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        return {"ends": self.ends, "slowest_s": self.slowest_s, "peak_bytes": peak, "faults": self.faults[:5]}


def run_files(section: Section, name: str, count_n: int, folder: Path) -> None:
    """Seeded cases of one kind of file."""
    yard = Yard(folder)
    for k in range(count_n):
        rng = random.Random(f"{name} {k}")
        case = CASES[name](yard, rng)
        section.try_case(lambda case=case: judge(case), f"{name}, case {k}")  # type: ignore[misc]


def run_typed(section: Section, name: str, count_n: int, folder: Path) -> None:
    """Hypothesis cases of one kind of typed or sent input."""
    boards = {b.id: b for b in small_boards()} if name == "browser answers" else {}
    drawn: dict[str, tuple[st.SearchStrategy[Any], Callable[[Any], str]]] = {
        "lengths": (strategies.typed_lengths(), lambda t: judge(lambda: parse_length_mm(t))),
        "sizes": (strategies.typed_sizes(), lambda t: judge(lambda: parse_size_mm(t))),
        "browser answers": (
            strategies.browser_items(),
            lambda items: "refused" if read_items(items, boards) is None else "done",
        ),
        "command lines": (strategies.command_lines(), judge_command),
    }
    strategy, run = drawn[name]
    if name == "command lines":
        _lay_out_desk(folder)
        os.chdir(folder)

    @settings(
        max_examples=count_n, deadline=None, database=None, derandomize=True, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(strategy)
    def all_cases(value: Any) -> None:
        section.try_case(lambda: run(value), f"{name}: {value!a:.300}")

    all_cases()


def _lay_out_desk(folder: Path) -> None:
    boards, layout = Yard(folder).made
    boards.rename(folder / "boards")
    document = json.loads(layout.read_text("utf-8"))
    document["made_from"]["boards"] = "boards"
    (folder / "layout.json").write_text(json.dumps(document))
    (folder / "photo.jpg").write_bytes(Yard(folder).photo)
    (folder / "text.txt").write_text("hello")


def run_hostile(section: Section, name: str, count_n: int, folder: Path) -> None:
    """Every picture made to hurt, and the largest that is taken."""
    for what, data in {**good_pictures(), **hostile_pictures(), "largest": largest_picture()}.items():
        section.try_case(lambda d=data: judge(lambda: read_photo(d, name="p.jpg")), what)  # type: ignore[misc]


def run_torn(section: Section, name: str, count_n: int, folder: Path) -> None:
    """One bit flipped in a bench photo's scan: right measures, a warning to the maker, or a refusal."""
    whole, path = Yard(folder).photo, folder / "bench.jpg"
    start = whole.rindex(b"\xff\xda") + 14
    path.write_bytes(whole)
    truth = read_bench_photo(path, thickness_mm=27.0)

    def run(k: int) -> str:
        path.write_bytes(flip_bit(whole, random.Random(f"torn {k}"), start=start))
        reading = read_bench_photo(path, thickness_mm=27.0)
        if reading.failure:
            return "refused"
        right = _alike(reading.boards, truth.boards)
        if set(reading.warnings) - set(truth.warnings):
            return "right, and warned" if right else "wrong, but warned"
        return "done" if right else "WRONG IN SILENCE"

    for k in range(count_n):
        section.try_case(lambda k=k: run(k), f"torn, case {k}")  # type: ignore[misc]


def _alike(boards: Sequence[Board], truth: Sequence[Board]) -> bool:
    """Whether every size is within three of its own sigmas, and a millimetre, of the undamaged photo's."""
    return len(boards) == len(truth) and all(
        abs(b.length_mm - t.length_mm) <= 3 * b.sigma_length_mm + 1
        and abs(b.start_width_mm - t.start_width_mm) <= 3 * b.sigma_width_mm + 1
        and abs(b.end_width_mm - t.end_width_mm) <= 3 * b.sigma_width_mm + 1
        for b, t in zip(boards, truth, strict=True)
    )


RUNS: dict[str, tuple[Callable[[Section, str, int, Path], None], int]] = {
    **{name: (run_typed, n) for name, n in TYPED_N.items()},
    **{name: (run_files, n) for name, n in FILES_N.items()},
    "hostile pictures": (run_hostile, 45),
    "torn photos": (run_torn, TORN_N),
}


def run_section(name: str, count_n: int) -> None:
    """What a child process does: one section, its report as JSON on standard output."""
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE_BYTES, ADDRESS_SPACE_BYTES))
    section = Section()
    with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
        here = Path.cwd()
        RUNS[name][0](section, name, count_n, Path(folder))
        os.chdir(here)
    print(json.dumps(section.report()))


def main() -> int:
    """Run all sections, print one line each; the exit code is 1 when anything did not stand firm."""
    if len(sys.argv) == 4 and sys.argv[1] == "--section":
        run_section(sys.argv[2], int(sys.argv[3]))
        return 0
    share = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    total_n, bad_n = 0, 0
    for name, (_, count_n) in RUNS.items():
        wanted_n = max(1, round(share * count_n))
        words = [sys.executable, "-m", "tests.benchmarks.bench_fuzz", "--section", name, str(wanted_n)]
        child = subprocess.run(words, capture_output=True, text=True, check=False)
        if child.returncode != 0:
            print(f"{name:18} DIED (code {child.returncode})\n{child.stderr[-1500:]}", flush=True)
            bad_n += 1
            continue
        report = json.loads(child.stdout.splitlines()[-1])
        ends = report["ends"]
        total_n += sum(ends.values())
        heavy = report["peak_bytes"] > MOST_BYTES
        bad_n += ends.get("FAULT", 0) + ends.get("WRONG IN SILENCE", 0) + heavy
        counted = ", ".join(f"{n} {end}" for end, n in sorted(ends.items()))
        used = f"slowest {report['slowest_s']:.1f} s, peak {report['peak_bytes'] / 2**20:.0f} MB"
        print(f"{name:18} {counted}; {used}", flush=True)
        for fault in report["faults"]:
            print("   " + fault.replace("\n", "\n   "), flush=True)
    print(f"{total_n} cases, {bad_n} faults")
    return 1 if bad_n else 0


if __name__ == "__main__":
    sys.exit(main())
