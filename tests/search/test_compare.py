"""What sets one proposal apart from the first is said in the maker's words."""

from __future__ import annotations

from grainmatch.model import Layout, Placement, Score
from grainmatch.search.compare import compare_layouts


def _layout(board_ids: str, **terms: float) -> Layout:
    return Layout(tuple(Placement(b) for b in board_ids), Score(terms, sum(terms.values())))


def test_what_is_better_and_what_is_worse_is_told_largest_first() -> None:
    first = _layout("123", line_flow=2.0, hide_sapwood=0.5, waste=0.3)
    lines = compare_layouts(first, _layout("124", line_flow=1.8, hide_sapwood=1.1, waste=0.301))
    assert lines == [
        "The first is better: less sapwood shows (+0.60).",
        "Better than the first: grain lines run on better across the seams (-0.20).",
        "Uses board 4 instead of 3.",
    ]


def test_layouts_that_differ_in_nothing_that_counts_are_said_to_be_alike() -> None:
    (line,) = compare_layouts(_layout("12", line_flow=2.0), _layout("21", line_flow=2.01))
    assert line.startswith("About as good in every way (+0.01")


def test_a_layout_of_more_boards_takes_them_as_well() -> None:
    assert compare_layouts(_layout("12"), _layout("1234"))[-1] == "Uses boards 3, 4 as well."
