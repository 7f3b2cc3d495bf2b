"""Hand-made changes are scored from the wood that then meets."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from grainmatch.errors import BoardError
from grainmatch.face.reading import read_face
from grainmatch.model import Layout, Mark, Placement, Pose, Problem, Score, Wishes
from grainmatch.panel import place_top
from grainmatch.pipeline.arrange import pose_problem
from grainmatch.pipeline.hand import HandScorer, cut_as_laid
from grainmatch.report.top import draw_wood
from grainmatch.score.top import score_layout
from grainmatch.search.best import search_layouts
from grainmatch.store import Job, Shop
from grainmatch.ui.offcuts import cut_offcuts, put_back, use_up
from grainmatch.ui.stock import draw_face, read_stock
from tests.ui.conftest import make_boards

BOARDS = make_boards()
FEATURES = {
    (b.id, f.side): read_face(f.rgb, px_per_mm=f.px_per_mm, inside=f.inside) for b in BOARDS for f in b.faces
}
WISHES = Wishes()


@pytest.fixture(scope="module")
def scorer() -> HandScorer:
    return HandScorer(BOARDS, FEATURES, WISHES)


@pytest.fixture(scope="module")
def problem() -> Problem:
    return pose_problem(BOARDS, wishes=WISHES)


def lay(*poses: tuple[str, str, bool, float, tuple[float, float]]) -> list[Placement]:
    return [Placement(i, Pose("B" if s == "B" else "A", t, slide), rip) for i, s, t, slide, rip in poses]


def test_boards_as_the_search_laid_them_score_as_the_search_said(
    scorer: HandScorer, problem: Problem
) -> None:
    placements = lay(("1", "A", False, 0, (0, 0)), ("3", "B", True, 0, (0, 0)), ("2", "A", True, 0, (0, 0)))
    score, shares = scorer.score(problem, placements)
    assert score == score_layout(problem, placements)
    assert len(shares) == 2


@pytest.mark.parametrize("top_mm", [None, (560.0, 300.0)])
def test_a_proposal_opened_by_hand_keeps_its_score(
    scorer: HandScorer, top_mm: tuple[float, float] | None
) -> None:
    asked = pose_problem(BOARDS, top_mm=top_mm, wishes=WISHES)
    for layout in search_layouts(asked, n_best=2):
        score, _ = scorer.score(asked, layout.placements)
        assert score.total == pytest.approx(layout.score.total)
        assert score.seams == pytest.approx(layout.score.seams)


@pytest.mark.parametrize("change", [{"slide": 60.0}, {"rip": (0.0, 12.0)}])
def test_a_slide_or_a_rip_changes_only_the_seams_it_touches(
    scorer: HandScorer, problem: Problem, change: dict[str, Any]
) -> None:
    start = lay(("1", "A", False, 0, (0, 0)), ("3", "B", True, 0, (0, 0)), ("2", "A", True, 0, (0, 0)))
    moved = [
        replace(
            start[0],
            pose=replace(start[0].pose, slide_mm=change.get("slide", 0.0)),
            rip_mm=change.get("rip", (0.0, 0.0)),
        ),
        *start[1:],
    ]
    before, _ = scorer.score(problem, start)
    after, _ = scorer.score(problem, moved)
    assert after.seams[0] != before.seams[0]
    assert after.seams[1] == before.seams[1]
    assert after.total == pytest.approx(sum(after.terms.values()))


def test_a_slide_too_small_to_see_hardly_changes_the_score(scorer: HandScorer, problem: Problem) -> None:
    start = lay(("1", "A", False, 0, (0, 0)), ("3", "B", True, 0, (0, 0)), ("2", "A", True, 0, (0, 0)))
    totals = []
    for slide_mm in (0.0, 1.0, 60.0):
        slid = replace(start[1], pose=replace(start[1].pose, slide_mm=slide_mm))
        totals.append(scorer.score(problem, [start[0], slid, start[2]])[0].total)
    assert abs(totals[1] - totals[0]) < 0.05 * totals[0], "other wood meets by a millimetre only"
    assert totals[2] != totals[0]


def test_a_mark_on_the_strip_ripped_off_no_longer_counts(scorer: HandScorer, problem: Problem) -> None:
    knot = Mark("knot", np.array([[280.0, 2.0], [310.0, 2.0], [310.0, 9.0], [280.0, 9.0]]))
    marked = {k: replace(f, marks=(knot,) if k == ("2", "A") else ()) for k, f in FEATURES.items()}
    above, below = lay(("1", "A", False, 0, (0, 0)), ("2", "A", False, 0, (14.0, 0)))
    with_knot = HandScorer(BOARDS, marked, WISHES).score(problem, [above, below])[0]
    without = HandScorer(BOARDS, {k: replace(f, marks=()) for k, f in FEATURES.items()}, WISHES)
    share = with_knot.terms.get("knots", 0.0) - without.score(problem, [above, below])[0].terms.get(
        "knots", 0.0
    )
    assert share < -0.1, "a knot was at the glue line and went with the strip"


def test_ripping_the_outer_edge_touches_no_seam(scorer: HandScorer, problem: Problem) -> None:
    start = lay(("1", "A", False, 0, (0, 0)), ("3", "B", True, 0, (0, 0)))
    ripped = [replace(start[0], rip_mm=(9.0, 0.0)), start[1]]
    assert scorer.score(problem, ripped)[0].seams == scorer.score(problem, start)[0].seams


@pytest.mark.parametrize("side", ["A", "B"])
@pytest.mark.parametrize("turned", [False, True])
def test_the_piece_that_is_scored_is_the_one_that_is_drawn(side: str, turned: bool) -> None:
    """Cut as laid, then drawn alone, it equals the same stretch of the drawn top."""
    (placement,) = lay(("3", side, turned, 40.0, (7.0, 3.0)))
    piece = cut_as_laid(BOARDS[2], placement)
    alone = Placement("3", Pose(placement.pose.side_up, turned))
    drawn = draw_wood(
        *(lambda p: (p, p.panel))(place_top(Layout((alone,), Score({}, 0.0)), [piece])), px_per_mm=1.0
    )
    whole = place_top(Layout((placement,), Score({}, 0.0)), BOARDS)
    expected = draw_wood(whole, whole.panel, px_per_mm=1.0)[:, : drawn.shape[1]]
    assert drawn.shape[0] == pytest.approx(131 - 10, abs=1)
    assert drawn.shape[1] == pytest.approx(600 - 80, abs=1)
    rows = min(len(drawn), len(expected))
    gap = np.abs(drawn[:rows].astype(float) - expected[:rows].astype(float))
    assert gap.mean() < 4, "grey levels; half a pixel of shift is allowed"


def test_a_board_ripped_to_nothing_is_refused() -> None:
    (placement,) = lay(("2", "A", False, 0.0, (50.0, 60.0)))
    with pytest.raises(BoardError):
        cut_as_laid(BOARDS[1], placement)


def test_offcuts_go_to_the_rack_when_it_is_glued_and_leave_it_when_not(shop: Shop, job: Job) -> None:
    stock = read_stock(shop, job)
    layout = Layout(
        tuple(lay(("1", "A", False, 140.0, (0, 0)), ("2", "B", False, 140.0, (0, 0)))),
        Score({}, 0.0),
        top_mm=(300.0, 200.0),
    )
    offcuts = cut_offcuts(stock, layout)
    assert offcuts, "290 mm of each board are left over at the right end"
    assert use_up(shop, job, stock, layout) == len(offcuts)
    rack = shop.list_rack()
    assert [b.state for b in rack if not b.note] == ["used", "used", "free", "free"]
    assert {b.id_in_set for b in rack if b.note} == {b.id for b in offcuts}
    other = shop.add_job("Stool")
    shop.take_from_rack(other.id, next(b.key for b in rack if b.note), "R1")
    brought = read_stock(shop, other).boards[0]
    assert brought.length_mm < 600
    assert draw_face(brought, "A", px_per_mm=1.0) is not None
    put_back(shop, job)
    assert [b.state for b in shop.list_rack() if not b.note] == ["free"] * 4
    assert [b.id_in_set for b in shop.list_rack() if b.note] == [
        b.id_in_set for b in shop.list_boards(other.id)
    ], "the one another job took stays"
