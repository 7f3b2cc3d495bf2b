"""What differs between layout and dry fit, in words: every single mistake, nothing when all is well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grainmatch.model import Layout, Placement, Pose, Score, Side
from grainmatch.score.differences import describe_differences
from grainmatch.score.recognise import Recognition


def plan(rng: np.random.Generator, n: int = 6) -> Layout:
    sides: tuple[Side, Side] = ("A", "B")
    placements = [
        Placement(
            str(k + 1), Pose(sides[rng.integers(2)], bool(rng.integers(2)), float(rng.uniform(-40, 40)))
        )
        for k in rng.permutation(n)
    ]
    return Layout(tuple(placements), Score({}, 0.0))


def lie(layout: Layout) -> list[Recognition]:
    return [
        Recognition(
            p.board_id,
            p.pose.side_up,
            p.pose.turned,
            centre_mm=731 + p.pose.slide_mm,
            sure=True,
            confidence=0.9,
        )
        for p in layout.placements
    ]


@pytest.mark.parametrize("seed", range(5))
def test_boards_as_planned_need_no_words_from_either_side_of_the_bench(seed: int) -> None:
    layout = plan(np.random.default_rng(seed))
    seen = lie(layout)
    other_side = [replace(r, turned=not r.turned, centre_mm=-r.centre_mm) for r in reversed(seen)]
    assert describe_differences(seen, layout) == []
    assert describe_differences(other_side, layout) == []


@pytest.mark.parametrize("seed", range(50))
def test_each_single_mistake_is_named_and_nothing_else(seed: int) -> None:
    rng = np.random.default_rng([seed, 1])
    layout = plan(rng)
    clean = lie(layout)
    k, j = (int(v) for v in rng.choice(6, 2, replace=False))
    name = clean[k].board_id
    wobble = [replace(r, centre_mm=r.centre_mm + rng.normal(0, 1.0)) for r in clean]

    turned = list(wobble)
    turned[k] = replace(turned[k], turned=not turned[k].turned)
    assert describe_differences(turned, layout) == [f"Board {name} is turned end for end."]

    flipped = list(wobble)
    flipped[k] = replace(flipped[k], side="B" if flipped[k].side == "A" else "A")
    assert describe_differences(flipped, layout) == [f"Board {name} shows its other face."]

    swapped = list(wobble)
    swapped[k], swapped[j] = swapped[j], swapped[k]
    first, second = (clean[n].board_id for n in sorted((k, j)))
    assert describe_differences(swapped, layout) == [f"Boards {first} and {second} have changed places."]

    slid = list(wobble)
    slid[k] = replace(slid[k], centre_mm=clean[k].centre_mm - 40)
    (line,) = describe_differences(slid, layout)
    assert line.startswith(f"Board {name} is slid ")
    assert line.endswith(" mm to the left.")
    assert abs(float(line.split()[4]) - 40) <= 4


def test_one_board_moved_across_the_others_is_one_sentence() -> None:
    layout = plan(np.random.default_rng(3))
    seen = lie(layout)
    moved = [*seen[1:4], seen[0], *seen[4:]]
    (line,) = describe_differences(moved, layout)
    assert line == f"Board {seen[0].board_id} lies in place 4 from the top edge instead of place 1."


def test_unsure_means_unsure_and_missing_means_missing() -> None:
    layout = plan(np.random.default_rng(4))
    seen = lie(layout)
    doubtful = list(seen)
    doubtful[2] = replace(seen[2], sure=False, turned=not seen[2].turned)
    (line,) = describe_differences(doubtful, layout)
    assert "not recognised for sure" in line
    assert f"may be board {seen[2].board_id}" in line
    (gone,) = describe_differences(seen[:-1], layout)
    assert gone == f"Board {seen[-1].board_id} is not found in the photo."
    stranger = [*seen[:-1], replace(seen[-1], board_id="99")]
    assert "Board 99 does not belong to this layout." in describe_differences(stranger, layout)


def test_two_mistakes_are_both_named() -> None:
    layout = plan(np.random.default_rng(5))
    seen = lie(layout)
    seen[0] = replace(seen[0], turned=not seen[0].turned)
    seen[3] = replace(seen[3], side="B" if seen[3].side == "A" else "A")
    assert set(describe_differences(seen, layout)) == {
        f"Board {seen[0].board_id} is turned end for end.",
        f"Board {seen[3].board_id} shows its other face.",
    }
