"""Packing records and arrays, and refusing what is not today's."""

from __future__ import annotations

from dataclasses import dataclass, make_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.report.pack import let_go, map_pack, pack, unpack, write_pack


@dataclass(frozen=True)
class Leaf:
    name: str
    size_mm: float


@dataclass(frozen=True, eq=False)
class Tree:
    leaves: tuple[Leaf, ...]
    picture: Any
    by_side: dict[tuple[str, str], Leaf]
    path: Path
    nothing: None = None


KINDS = (Leaf, Tree)


def test_round_trip_of_records_arrays_and_keys() -> None:
    picture = np.arange(24, dtype=np.uint8).reshape(2, 4, 3)
    leaf = Leaf("crotch", float("nan"))
    back = unpack(pack(Tree((leaf, Leaf("b", 2.5)), picture, {("1", "A"): leaf}, Path("x"))), KINDS)
    assert isinstance(back, Tree)
    np.testing.assert_array_equal(back.picture, picture)
    assert back.picture.dtype == np.uint8
    assert back.leaves[1] == Leaf("b", 2.5)
    assert np.isnan(back.by_side["1", "A"].size_mm)
    assert back.path == Path("x")


@given(st.recursive(st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(), st.tuples))
def test_plain_values(value: object) -> None:
    assert unpack(pack(value), ()) == value


@given(st.integers(0, 2000), st.integers(1, 255))
def test_any_damage_is_noticed(place: int, change: int) -> None:
    data = bytearray(pack(Tree((Leaf("a", 1.0),), np.zeros((5, 5)), {}, Path("y"))))
    data[place % len(data)] ^= change
    with pytest.raises(ValueError, match="damaged or of another version"):
        unpack(bytes(data), KINDS)


def test_other_fields_than_todays_are_refused() -> None:
    older = make_dataclass("Leaf", ["name", "size_in"], frozen=True)
    with pytest.raises(ValueError, match="damaged or of another version"):
        unpack(pack(older("a", 1.0)), KINDS)


def test_an_unknown_record_is_refused() -> None:
    with pytest.raises(ValueError, match="damaged"):
        unpack(pack(Leaf("a", 1.0)), ())


def test_what_cannot_be_packed_says_so() -> None:
    with pytest.raises(TypeError, match="set"):
        pack({1, 2})


def test_a_pack_on_disk_is_mapped_and_may_leave_memory(tmp_path: Path) -> None:
    pictures = (np.arange(90_000, dtype=np.uint8).reshape(100, 300, 3), np.empty((0, 2)), np.eye(3)[:, 1])
    path = write_pack(tmp_path / "p.pack", pictures)
    mapped = map_pack(path, ())
    for picture, back in zip(pictures, mapped, strict=True):
        let_go(back)
        np.testing.assert_array_equal(back, picture)
        assert not back.flags.owndata or back.size == 0
    assert path.read_bytes() == pack(pictures)


@pytest.mark.parametrize("keep", [0, 5, 20, 200])
def test_a_torn_pack_on_disk_is_refused(keep: int, tmp_path: Path) -> None:
    path = tmp_path / "p.pack"
    path.write_bytes(pack(Leaf("a", 1.0))[:-1][:keep])
    with pytest.raises(ValueError, match="damaged"):
        map_pack(path, KINDS)
