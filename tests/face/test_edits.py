"""Marks corrected by hand: as data and back, over a new reading, and carried to another picture."""

from __future__ import annotations

import json
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainmatch.errors import BoardError
from grainmatch.face.edits import (
    Edits,
    EditsOfFaces,
    add_mark,
    apply_edits,
    carry_edits,
    edits_from_data,
    edits_to_data,
    marks_from_json,
    marks_to_json,
    remove_mark,
)
from grainmatch.model import Mark, MarkKind, Side
from tests.face.marks import box, read_with

KINDS: tuple[MarkKind, ...] = get_args(MarkKind)
SIDES: tuple[Side, Side] = ("A", "B")


def marks() -> st.SearchStrategy[Mark]:
    mm = st.floats(-100_000, 100_000, allow_nan=False)
    outline = st.lists(st.tuples(mm, mm), min_size=3, max_size=12).map(np.array)
    return st.builds(Mark, st.sampled_from(KINDS), outline, st.floats(0, 1), st.booleans())


def edits() -> st.SearchStrategy[Edits]:
    few = st.lists(marks(), max_size=3).map(tuple)
    return st.builds(Edits, few, few)


def assert_same(first: tuple[Mark, ...], second: tuple[Mark, ...]) -> None:
    assert [(m.kind, m.confidence, m.sound) for m in first] == [
        (m.kind, m.confidence, m.sound) for m in second
    ]
    for one, other in zip(first, second, strict=True):
        np.testing.assert_allclose(one.outline_mm, other.outline_mm, atol=0.0051)


@settings(max_examples=30)
@given(
    st.dictionaries(st.tuples(st.text(min_size=1, max_size=9), st.sampled_from(SIDES)), edits(), max_size=3)
)
def test_a_marks_file_gives_back_what_was_written(said: EditsOfFaces) -> None:
    try:
        text = marks_to_json(said).encode()
    except UnicodeEncodeError:  # no name that a form or a file can hold
        return
    back = marks_from_json(text)
    assert {key for key, of_face in said.items() if of_face} == set(back)
    for key, of_face in back.items():
        assert_same(of_face.added, said[key].added)
        assert_same(of_face.removed, said[key].removed)
    assert marks_to_json(back) == marks_to_json(said), "written again it is the same file"


ONE = {"kind": "knot", "outline_mm": box(0, 0, 9, 9).tolist()}


@pytest.mark.parametrize(
    "data",
    [
        None,
        [],
        {"added": {}},
        {"other": []},
        {"added": [ONE | {"kind": "bug"}]},
        {"added": [ONE | {"outline_mm": [[0, 0], [1, 1]]}]},
        {"added": [ONE | {"outline_mm": [[0, 0], [1, 1], [2, float("nan")]]}]},
        {"added": [ONE | {"outline_mm": [[0, 0], [1, 1], [2, 1e9]]}]},
        {"added": [ONE | {"outline_mm": [[0, 0], [1, 1], ["2", 3]]}]},
        {"removed": [ONE | {"confidence": 1.5}]},
        {"removed": [ONE] * 501},
    ],
)
def test_what_makes_no_sense_is_refused_in_two_sentences(data: Any) -> None:
    file = {"schema_version": 1, "boards": {"1": {"A": data}}}
    for read in (lambda: edits_from_data(data), lambda: marks_from_json(json.dumps(file))):
        with pytest.raises(BoardError) as refusal:
            read()
        assert refusal.value.message.endswith(".")
        assert refusal.value.advice.endswith(".")


@pytest.mark.parametrize(
    "text", ["", "{", "[" * 5000, '{"boards": {}}', '{"schema_version": 1, "boards": []}']
)
def test_a_file_that_holds_no_marks_is_refused(text: str) -> None:
    with pytest.raises(BoardError, match="cannot be read"):
        marks_from_json(text)


def test_a_newer_marks_file_is_refused_as_such() -> None:
    with pytest.raises(BoardError, match="newer grainmatch"):
        marks_from_json('{"schema_version": 2, "boards": {}, "more": 1}')


def test_a_barred_area_does_not_hide_the_knot_in_it() -> None:
    knot = Mark("knot", box(0, 0, 10, 10))
    barred = apply_edits(read_with(knot), add_mark(Edits(), "keep out", box(0, 0, 11, 11)))
    assert [m.kind for m in barred.marks] == ["knot", "keep out"]
    named = apply_edits(read_with(knot), add_mark(Edits(), "pitch", box(0, 0, 11, 11)))
    assert [m.kind for m in named.marks] == ["pitch"], "the user's word stands in place of what was read"


def test_marks_are_carried_cut_at_the_end_and_left_out_beyond_it() -> None:
    edits = add_mark(add_mark(Edits(), "knot", box(10, 10, 20, 20)), "crack", box(80, 10, 110, 12))
    edits = remove_mark(add_mark(edits, "hole", box(150, 10, 160, 20)), Mark("stain", box(0, 0, 10, 10)))
    moved = carry_edits(edits, lambda outline: outline - (5.0, 2.0), (100.0, 40.0))
    assert [m.kind for m in moved.added] == ["knot", "crack"]
    np.testing.assert_allclose(moved.added[0].outline_mm, box(5, 8, 15, 18))
    assert moved.added[1].box_mm == pytest.approx((75, 8, 100, 10))
    assert moved.removed[0].box_mm == pytest.approx((0, 0, 5, 8))
    assert edits_to_data(edits)["added"][0]["outline_mm"][0] == [10, 10], "what came in is unchanged"
