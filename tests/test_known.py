"""What was worked out from measured boards is worked out once, and anew when anything it rests on changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from grainmatch.model import Board
from grainmatch.pipeline import known
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.known import read_known_pile
from grainmatch.report.record import write_boards
from grainmatch.score.pile import Pile
from grainmatch.score.problem import read_usable
from tests.hard_use.job import small_boards

IDS = ["1", "2", "3"]


@pytest.fixture
def priced(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many boards were priced each time it was done."""
    done: list[int] = []

    def count(boards: list[Board], *given: object, **named: object) -> Pile:
        done.append(len(boards))
        return read_usable(boards, *given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(known, "read_usable", count)
    return done


def test_seams_of_the_same_boards_are_priced_once_wherever_they_lie(
    tmp_path: Path, priced: list[int]
) -> None:
    boards, cache = small_boards(), ReadingCache(tmp_path / "cache")
    piles = []
    for name in ("one", "two"):
        write_boards(tmp_path / name, boards)
        piles.append(read_known_pile(tmp_path / name, IDS, length_mm=280.0, cache=cache))
    assert priced == [3]
    for kind, cost in piles[0].seams.items():
        assert np.array_equal(cost, piles[1].seams[kind])


def test_another_picture_or_length_is_priced_anew(tmp_path: Path, priced: list[int]) -> None:
    boards, cache = small_boards(), ReadingCache(tmp_path / "cache")
    write_boards(tmp_path / "one", boards)
    read_known_pile(tmp_path / "one", IDS, length_mm=280.0, cache=cache)
    read_known_pile(tmp_path / "one", IDS, length_mm=270.0, cache=cache)
    face = boards[0].faces[0]
    darker = replace(face, rgb=face.rgb // 2)
    boards[0] = replace(boards[0], faces=(darker, *boards[0].faces[1:]))
    write_boards(tmp_path / "two", boards)
    read_known_pile(tmp_path / "two", IDS, length_mm=280.0, cache=cache)
    assert priced == [3, 3, 3]
