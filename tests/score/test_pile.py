"""Real faces through the whole recipe: sisters find each other, lots are spread, the laws hold."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
import pytest

from grainmatch.errors import LayoutError
from grainmatch.face.edits import Edits, apply_edits
from grainmatch.model import Board, Features, Layout, Mark, Placement, Pose, Rule, Side, Wishes
from grainmatch.pipeline.arrange import (
    arrange,
    arrange_faces,
    arrange_tops,
    pose_problem,
)
from grainmatch.pipeline.features import read_features
from grainmatch.score.problem import price_pile, read_usable
from grainmatch.score.top import score_layout
from tests.score.boards import draw_plank, make_board, relight, rip_pair

Lay = Callable[..., list[Layout]]
ReadFeatures = Mapping[tuple[str, Side], Features]


@pytest.fixture(scope="module")
def sisters() -> list[Board]:
    """Eight boards: four planks, two light and two dark, each ripped into two; shuffled and some turned."""
    boards = []
    for k, (seed, gain) in enumerate([(11, 1.0), (12, 1.0), (13, 0.72), (14, 0.72)]):
        upper, lower = rip_pair(relight(draw_plank(seed, pith_depth_mm=40 + 25 * k), gain))
        boards += [make_board(f"{k}u", upper), make_board(f"{k}l", np.ascontiguousarray(lower[::-1, ::-1]))]
    order = np.random.default_rng(5).permutation(8)
    return [boards[k] for k in order]


@pytest.fixture(scope="module")
def features(sisters: list[Board]) -> ReadFeatures:
    return read_features(sisters)


@pytest.fixture(scope="module")
def lay(features: ReadFeatures) -> Lay:
    """`arrange` for the sisters, whose faces are read once."""
    return partial(arrange, features=features)


def neighbours(layout: Layout) -> set[frozenset[str]]:
    ids = [p.board_id for p in layout.placements]
    return {frozenset(pair) for pair in pairwise(ids)}


def test_four_sister_pairs_lie_together_in_an_even_top(sisters: list[Board], lay: Lay) -> None:
    best = lay(sisters, wishes=Wishes(line_flow=1.0, even_tone=0.3), n_best=1)[0]
    assert best.proven_optimal
    pairs = {frozenset((f"{k}u", f"{k}l")) for k in range(4)}
    assert pairs <= neighbours(best)
    lots = ["light" if p.board_id[0] in "01" else "dark" for p in best.placements]
    assert lots[::2] not in (["light", "light", "dark", "dark"], ["dark", "dark", "light", "light"])


def test_drift_runs_from_one_lot_to_the_other(sisters: list[Board], lay: Lay) -> None:
    best = lay(sisters, wishes=Wishes(even_tone=1.0, tone_plan="drift"), n_best=1)[0]
    lots = [p.board_id[0] in "01" for p in best.placements]
    assert lots in ([True] * 4 + [False] * 4, [False] * 4 + [True] * 4)


def test_choosing_boards_takes_one_lot(sisters: list[Board], lay: Lay) -> None:
    width = sum(b.width_mm for b in sisters if b.id[0] in "01") - 2.0
    best = lay(sisters, top_mm=(680.0, width), wishes=Wishes(tone_match=1.0, even_tone=0.2), n_best=1)[0]
    assert len({p.board_id[0] in "01" for p in best.placements}) == 1
    assert sum(b.width_mm for b in sisters if b.id in {p.board_id for p in best.placements}) >= width
    ripped = sum(sum(p.rip_mm) for p in best.placements)
    used = sum(b.width_mm for b in sisters if b.id in {p.board_id for p in best.placements})
    assert used - ripped == pytest.approx(width)


def test_a_board_with_an_area_to_keep_out_stays_out_of_the_top(
    sisters: list[Board], features: ReadFeatures, lay: Lay
) -> None:
    """Unless the area lies beyond the ends of the top, where it is cut off."""
    top_mm = (680.0, 4 * sisters[0].width_mm - 2.0)
    before = lay(sisters, top_mm=top_mm, n_best=1)[0]
    barred_id = before.placements[1].board_id

    def with_area(left_mm: float, right_mm: float) -> Layout:
        area = np.array([[left_mm, 20.0], [right_mm, 20.0], [right_mm, 40.0], [left_mm, 40.0]])
        said = {(barred_id, "A"): Edits(added=(Mark("keep out", area),))}
        edited = {k: apply_edits(f, said.get(k, Edits())) for k, f in features.items()}
        return lay(sisters, top_mm=top_mm, n_best=1, features=edited)[0]

    assert barred_id not in {p.board_id for p in with_area(300.0, 330.0).placements}
    at_the_end = with_area(0.0, 10.5)
    assert at_the_end.placements == before.placements
    assert at_the_end.score.total == pytest.approx(before.score.total)


def test_real_costs_keep_the_laws(sisters: list[Board], features: ReadFeatures, lay: Lay) -> None:
    problem = pose_problem(sisters, features=features)
    top = [Placement(b.id, Pose("A", k % 3 == 0)) for k, b in enumerate(sisters)]
    round_about = [Placement(p.board_id, Pose("A", not p.pose.turned)) for p in top[::-1]]
    assert score_layout(problem, round_about).total == pytest.approx(score_layout(problem, top).total)
    best = lay(sisters, n_best=1)[0]
    assert best.score.total <= score_layout(problem, top).total
    assert score_layout(problem, best.placements).total == pytest.approx(best.score.total)


def test_each_seam_names_what_makes_it_show_most(sisters: list[Board], features: ReadFeatures) -> None:
    """The shares of a seam's look sum to it, and the largest is the reason, whatever the wishes."""
    pile = read_usable(sisters, features)
    striped = np.full_like(pile.seams["sapwood stripes"], 4.0)
    for seams, reasons in (
        (pile.seams, {"line_flow", "tone_match"}),
        ({**pile.seams, "sapwood stripes": striped}, {"hide_sapwood"}),
    ):
        problem = price_pile(replace(pile, seams=seams), top_mm=None, wishes=Wishes(hide_sapwood=0))
        score = score_layout(problem, [Placement(b.id) for b in sisters])
        assert set(score.seam_reasons) <= reasons
        assert len(score.seam_reasons) == len(score.seams) == 7
        looks = np.sum(list(problem.look_terms.values()), axis=0)
        assert problem.seam_look is not None
        np.testing.assert_allclose(looks, problem.seam_look)


def test_order_in_which_boards_are_given_does_not_matter(sisters: list[Board], lay: Lay) -> None:
    one, other = lay(sisters, n_best=1)[0], lay(sisters[::-1], n_best=1)[0]
    assert other.score.total == pytest.approx(one.score.total, rel=0.02)
    assert neighbours(one) == neighbours(other)


def test_hard_rules_hold(sisters: list[Board], lay: Lay) -> None:
    rules = (Rule("place", ("0u",), place=2), Rule("together", ("1u", "3l")), Rule("exclude", ("2u",)))
    best = lay(sisters, wishes=Wishes(rules=rules), n_best=1)[0]
    ids = [p.board_id for p in best.placements]
    assert ids[2] == "0u"
    assert frozenset(("1u", "3l")) in neighbours(best)
    assert "2u" not in ids
    assert len(ids) == 7


def test_two_tops_share_no_board(sisters: list[Board], features: ReadFeatures) -> None:
    width = sisters[0].width_mm
    tops = arrange_tops(sisters, tops_mm=[(690.0, 3.5 * width), (690.0, 2.5 * width)], features=features)
    used = [p.board_id for t in tops for p in t.placements]
    assert len(used) == len(set(used))
    with pytest.raises(LayoutError):
        arrange_tops(sisters, tops_mm=[(690.0, 6.5 * width), (690.0, 3.5 * width)], features=features)


def test_strips_of_one_face_find_most_of_their_order() -> None:
    """Chance would find one seam in ten."""
    found, seams = 0, 0
    for seed, depth_mm in ((21, 35.0), (22, 50.0), (23, 70.0)):
        face = draw_plank(seed, width_mm=220.0, pith_depth_mm=depth_mm)
        kerf = 9
        height = (face.shape[0] - 4 * kerf) // 5
        order, turned = [3, 0, 4, 1, 2], [True, False, False, True, False]
        strips = [face[k * (height + kerf) :][:height] for k in order]
        strips = [s[::-1, ::-1] if t else s for s, t in zip(strips, turned, strict=True)]
        best = arrange_faces(strips, px_per_mm=1.5)[0]
        lying = [
            (order[k], best.placements[j].pose.turned ^ turned[k]) for j, k in enumerate(strip_indices(best))
        ]
        true = {((k, False), (k + 1, False)) for k in range(4)} | {
            ((k + 1, True), (k, True)) for k in range(4)
        }
        found += sum(pair in true for pair in pairwise(lying))
        seams += 4
    assert found / seams >= 0.5


def strip_indices(layout: Layout) -> list[int]:
    return [int(p.board_id) - 1 for p in layout.placements]


def test_faces_that_are_no_pictures_are_refused() -> None:
    with pytest.raises(LayoutError):
        arrange_faces([], px_per_mm=2.0)
    with pytest.raises(LayoutError):
        arrange_faces([np.zeros((5, 5), dtype=np.uint8)], px_per_mm=2.0)


def test_one_and_two_boards_are_no_special_case(sisters: list[Board], lay: Lay) -> None:
    assert len(lay(sisters[:1])[0].placements) == 1
    assert len(lay(sisters[:2])[0].placements) == 2


def test_features_given_are_not_read_again(sisters: list[Board], features: ReadFeatures) -> None:
    assert read_features(sisters, features) == features
