"""The glue-up plan as a whole."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import LayoutError
from grainmatch.glueup.plan import plan_glueup
from grainmatch.model import Tools
from grainmatch.plans import GlueUp
from tests.wood.boards import make_board, make_layout


def plan(widths: list[float], tools: Tools = Tools(), **more) -> GlueUp:  # type: ignore[no-untyped-def]  # noqa: B008
    ids = [f"b{k}" for k in range(len(widths))]
    boards = [make_board(i, width_mm=w, **more) for i, w in zip(ids, widths, strict=True)]
    return plan_glueup(make_layout(*ids, top_mm=(1700.0, sum(widths) - 10)), boards, tools=tools)


def shape(glueup: GlueUp) -> list[tuple[int, list[int]]]:
    return [(stage.day, [len(part) for part in stage.parts]) for stage in glueup.stages]


def test_five_boards_as_three_and_two_joined_the_next_day() -> None:
    # common practice, no source
    assert shape(plan([150.0] * 5)) == [(1, [1, 1, 1]), (1, [1, 1]), (2, [3, 2])]


@pytest.mark.parametrize(
    ("boards", "expected"),
    [
        (1, []),
        (2, [(1, [1, 1])]),
        (3, [(1, [1, 1, 1])]),
        (4, [(1, [1, 1, 1]), (2, [3, 1])]),
        (6, [(1, [1, 1, 1]), (1, [1, 1, 1]), (2, [3, 3])]),
    ],
)
def test_stages_by_number_of_boards(boards: int, expected: list[tuple[int, list[int]]]) -> None:
    assert shape(plan([110.0] * boards)) == expected


def test_fast_glue_means_one_seam_at_a_time() -> None:
    quick = plan([110.0] * 6, Tools(open_min=5.5))
    assert all(len(stage.seams) == 1 for stage in quick.stages)
    hopeless = plan([110.0] * 2, Tools(open_min=1.0))
    assert "slower glue" in " ".join(hopeless.stages[0].warnings)


def test_a_helper_and_slow_glue_allow_more_seams_at_once() -> None:
    assert len(plan([110.0] * 5, Tools(open_min=30, people_n=2)).stages) == 1


def test_panels_that_pass_the_planer_are_preferred() -> None:
    # six boards of 120: two threes of 360 do not pass 330, three twos do
    with_planer = plan([120.0] * 6, Tools(planer_width_mm=330))
    assert all(stage.width_mm <= 330 for stage in with_planer.stages if stage.day == 1)
    without = plan([120.0] * 6)
    assert max(stage.width_mm for stage in without.stages if stage.day == 1) == pytest.approx(360)


def test_heavy_panel_asks_for_help_and_wide_one_for_longer_clamps() -> None:
    heavy = plan([200.0] * 6, Tools(clamp_reach_mm=1000), thickness_mm=45.0)
    last = heavy.stages[-1]
    # by hand: 1.2 m x 1.75 m x 45 mm x 560 kg/m3 (cherry, SG .50, 12 % water)
    assert last.weight_kg == pytest.approx(1.2 * 1.75 * 0.045 * 560, rel=1e-6)
    assert "second pair of hands" in " ".join(last.warnings)
    assert "clamps reach 1000 mm" in " ".join(last.warnings)


@given(
    st.lists(st.integers(40, 220), min_size=1, max_size=16),
    st.floats(3, 30),
    st.integers(0, 14),
    st.integers(1, 3),
)
def test_every_seam_is_glued_once_and_panels_grow_from_what_exists(widths, open_min, clamps, people) -> None:  # type: ignore[no-untyped-def]
    tools = Tools(open_min=open_min, clamps_n=clamps, people_n=people)
    glueup = plan([float(w) for w in widths], tools)
    assert sorted(seam for stage in glueup.stages for seam in stage.seams) == list(range(len(widths) - 1))
    ready: dict[tuple[str, ...], int] = {(f"b{k}",): 0 for k in range(len(widths))}
    for stage in glueup.stages:
        assert all(ready.pop(part) < stage.day for part in stage.parts)
        ready[stage.board_ids] = stage.day
        assert len(stage.seams) == 1 or stage.work_min <= open_min
        assert len(stage.clamps) <= max(clamps, 1)
        assert all(0 <= clamp.place_mm <= stage.length_mm for clamp in stage.clamps)
    assert list(ready) == [tuple(f"b{k}" for k in range(len(widths)))]


def test_a_single_clamp_is_spoken_of_as_one() -> None:
    for clamps_n in (1, 2):  # of two, one stands under the boards
        (stage,) = plan([110.0] * 2, Tools(clamps_n=clamps_n)).stages
        assert stage.steps[0].startswith("Lay the 2 parts dry on 1 clamp, show faces up")
        assert "1 clamps" not in " ".join((*stage.steps, *stage.warnings))


def test_neighbours_are_jointed_with_opposite_faces_to_the_fence() -> None:
    marks = plan([110.0] * 5).edge_marks
    assert [m.show_face_in for m in marks] == [True, False, True, False, True]


def test_glue_for_the_whole_top_and_bottle_check() -> None:
    glueup = plan([170.0] * 5)
    # 4 seams x 1.75 m x 27 mm at 250 g/m2, a tenth more: 52 g
    assert glueup.glue_g == pytest.approx(4 * 1.75 * 0.027 * 250 * 1.1, rel=1e-6)
    assert glueup.glue_enough
    short = plan([170.0] * 5, Tools(glue_g=40))
    assert not short.glue_enough
    assert any("buy a bottle" in w for w in short.warnings)


def test_waiting_times() -> None:
    glueup = plan([150.0] * 5)
    # Wengert: generally 7 days before surfacing; glue makers: no stress for 24 h, 20 to 90 min in the clamps
    assert glueup.surface_after_days == 7
    assert any("7 days" in step for step in glueup.steps)
    assert "24 h" in glueup.stages[-1].steps[-1]
    assert 20 <= glueup.stages[0].clamped_min <= 90


def test_boards_slid_along_each_other_are_clamped_where_all_of_them_lie() -> None:
    boards = [make_board(i, width_mm=120) for i in "abc"]
    layout = make_layout(*"abc", slide_mm={"b": 100.0, "c": -60.0})
    stage = plan_glueup(layout, boards).stages[0]
    # without a size asked, the top is what all boards reach (1690 mm) and 25 mm stay on each end
    assert stage.length_mm == pytest.approx(1740)
    assert stage.clamps[0].place_mm >= 50
    assert stage.clamps[-1].place_mm <= 1740 - 50


def test_cautions_and_assumptions_are_said() -> None:
    glueup = plan([150.0] * 3, species="")
    text = " ".join(glueup.cautions).lower()
    for word in ("makers", "eyes", "ears", "dust", "rags", "lift", "clamps"):
        assert word in text
    assert any("unmeasured moisture" in a for a in glueup.assumptions)


def test_moisture_and_machines_are_warned_about() -> None:
    boards = [
        replace(make_board(i, width_mm=180), moisture_pct=m) for i, m in zip("ab", (7.0, 11.0), strict=True)
    ]
    tools = Tools(jointer_width_mm=150, planer_width_mm=300, temperature_c=2)
    text = " ".join(plan_glueup(make_layout(*"ab"), boards, tools=tools).warnings)
    for word in ("differ", "jointer", "planer", "°C"):
        assert word in text


def test_bad_layouts_and_tools_are_refused_in_words() -> None:
    with pytest.raises(LayoutError):
        plan_glueup(make_layout("a", "z"), [make_board("a")])
    with pytest.raises(LayoutError):
        Tools(open_min=0)
    with pytest.raises(LayoutError):
        Tools(clamp_force_n=float("nan"))
    with pytest.raises(LayoutError):
        Tools(planer_width_mm=0.0)  # none at hand is None
