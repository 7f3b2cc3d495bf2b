"""Edits from the browser are checked, kept, undone and redone."""

from __future__ import annotations

from typing import Any

import pytest

from grainmatch.model import Board, Placement, Pose
from grainmatch.ui.arrangement import Arrangement, Workbench, read_items
from tests.ui.conftest import make_boards

BOARDS: dict[str, Board] = {b.id: b for b in make_boards()}
START = Arrangement(tuple(Placement(i) for i in ("1", "2", "3")))


def edit(arrangement: Arrangement, **changes: Any) -> list[dict[str, Any]]:
    """The arrangement's items with changes to the first board."""
    items = arrangement.to_items()
    items[0] |= changes
    return items


def answer(bench: Workbench, *layouts: list[dict[str, Any]]) -> dict[str, Any]:
    steps = [{"seq": bench.seq + n, "layout": layout} for n, layout in enumerate(layouts, 1)]
    return {"rev": bench.rev, "seq": bench.seq + len(layouts), "steps": steps}


def test_an_arrangement_survives_the_way_to_the_browser_and_back() -> None:
    laid = Arrangement(
        (Placement("3", Pose("B", True, -12.5), (1.5, 0.0)), Placement("1", Pose("A", False, 40.0))),
        frozenset({"1"}),
    )
    assert read_items(laid.to_items(), BOARDS) == laid


@pytest.mark.parametrize(
    "changes",
    [
        {"id": "9"},
        {"id": "2"},
        {"slide_mm": float("nan")},
        {"slide_mm": 1e9},
        {"rip_mm": [-1.0, 0.0]},
        {"rip_mm": [60.0, 60.0]},
        {"rip_mm": [1.0]},
        {"rip_mm": "much"},
        {"slide_mm": None},
    ],
)
def test_an_impossible_edit_is_refused_and_the_browser_is_put_right(changes: dict[str, Any]) -> None:
    bench = Workbench(START)
    assert not bench.take(answer(bench, edit(START, **changes)), BOARDS)
    assert (bench.now, bench.past, bench.rev) == (START, [], 2)


@pytest.mark.parametrize("odd", [None, [], "x", {}, {"rev": 1}, {"rev": 1, "steps": [None, {"seq": "1"}]}])
def test_an_odd_answer_changes_nothing(odd: Any) -> None:
    bench = Workbench(START)
    assert not bench.take(odd, BOARDS)
    assert bench.now == START


def test_quick_edits_in_one_answer_are_undone_one_by_one() -> None:
    bench = Workbench(START)
    flipped, turned = edit(START, side="B"), edit(START, side="B", turned=True)
    assert bench.take(answer(bench, flipped, turned), BOARDS)
    assert bench.now.placements[0].pose == Pose("B", True)
    bench.go("back")
    assert bench.now.placements[0].pose == Pose("B", False)
    bench.go("back")
    assert bench.now == START
    bench.go("back")
    assert bench.now == START
    bench.go("forward")
    bench.go("forward")
    assert bench.now.placements[0].pose == Pose("B", True)


def test_an_answer_is_taken_once_and_only_for_its_own_revision() -> None:
    bench = Workbench(START)
    first = answer(bench, edit(START, side="B"))
    assert bench.take(first, BOARDS)
    assert not bench.take(first, BOARDS)
    bench.go("back")
    late = {**first, "seq": 5, "steps": [{"seq": 5, "layout": edit(START, turned=True)}]}
    assert not bench.take(late, BOARDS)
    assert bench.now == START


def test_a_new_edit_forgets_what_was_undone() -> None:
    bench = Workbench(START)
    bench.take(answer(bench, edit(START, side="B")), BOARDS)
    bench.go("back")
    bench.take(answer(bench, edit(START, turned=True)), BOARDS)
    assert bench.future == []
