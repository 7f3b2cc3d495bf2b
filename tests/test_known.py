"""What was worked out from measured boards is worked out once, and anew when anything it rests on changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grainmatch.model import Board, Wishes
from grainmatch.pipeline import files, known
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.files import SavedLayout, folder_to_layouts
from grainmatch.pipeline.known import read_known_pile
from grainmatch.report.record import write_boards
from grainmatch.score.pile import Pile
from grainmatch.score.problem import read_usable
from grainmatch.search.best import search_layouts
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


@pytest.fixture
def searched(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many proposals were asked for each time something was searched."""
    done: list[int] = []

    def count(*given: Any, n_best: int, **named: Any) -> Any:
        done.append(n_best)
        return search_layouts(*given, n_best=n_best, **named)

    monkeypatch.setattr(files, "search_layouts", count)
    return done


def test_the_same_question_about_the_same_boards_is_searched_once(
    tmp_path: Path, searched: list[int]
) -> None:
    cache = ReadingCache(tmp_path / "cache")
    answers: list[list[SavedLayout]] = []
    for name in ("one", "two"):
        write_boards(tmp_path / name, small_boards())
        answers.append(
            folder_to_layouts(tmp_path / name, tmp_path / f"{name} out", top_mm=(280.0, 90.0), cache=cache)
        )
    assert searched == [3]
    for first, again in zip(*answers, strict=True):
        assert again.layout == replace(first.layout, made_from=again.layout.made_from)
        assert again.layout.made_from["boards"] == "../two"
        top = first.path.name.replace("layout", "top").replace("json", "png")
        assert (tmp_path / "one out" / top).read_bytes() == (tmp_path / "two out" / top).read_bytes()


def test_another_question_is_searched_anew(tmp_path: Path, searched: list[int]) -> None:
    question: dict[str, Any] = {"top_mm": (280.0, 90.0), "cache": ReadingCache(tmp_path / "cache")}
    write_boards(tmp_path / "boards", small_boards())
    folder_to_layouts(tmp_path / "boards", tmp_path / "out", **question)
    changes: list[dict[str, Any]] = [
        {"top_mm": (280.0, 100.0)}, {"n_best": 1}, {"seed": 1}, {"wishes": Wishes(tone_match=0.1)},
    ]  # fmt: skip
    for count, changed in enumerate(changes, 2):
        folder_to_layouts(tmp_path / "boards", tmp_path / "out", **question | changed)
        assert len(searched) == count


def other_picture(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    boards = small_boards()
    face = boards[0].faces[0]
    boards[0] = replace(boards[0], faces=(replace(face, rgb=face.rgb // 2), *boards[0].faces[1:]))
    write_boards(folder, boards)


def other_woods(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = folder.parent / "woods.toml"
    own.write_text("")
    monkeypatch.setenv("GRAINMATCH_SPECIES", str(own))


def test_other_boards_or_woods_are_searched_anew(
    tmp_path: Path, searched: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = ReadingCache(tmp_path / "cache")
    write_boards(tmp_path / "boards", small_boards())
    folder_to_layouts(tmp_path / "boards", tmp_path / "out", cache=cache)
    for count, change in enumerate((other_picture, other_woods), 2):
        change(tmp_path / "boards", monkeypatch)
        folder_to_layouts(tmp_path / "boards", tmp_path / "out", cache=cache)
        assert len(searched) == count
