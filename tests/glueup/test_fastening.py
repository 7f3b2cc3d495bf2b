"""Slots that let a top move."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import LayoutError
from grainmatch.glueup.fastening import (
    CLEARANCE_MM,
    check_cross_grain,
    plan_fastening,
    plan_slot,
    travel_per_mm,
)
from grainmatch.wood.shrinkage import HIGH_SHARE, predict_width_change_mm
from grainmatch.wood.top import TopYear, predict_top_year
from tests.wood.boards import make_board, make_layout


def year_of(width_mm: float = 170.0, boards: int = 5) -> TopYear:
    ids = [str(k) for k in range(boards)]
    pile = [make_board(i, width_mm=width_mm, rings=(0.0, 1e5), moisture_pct=8.0) for i in ids]
    return predict_top_year(make_layout(*ids), pile)


def test_worked_slot() -> None:
    # by hand from the handbook's eq. 13-2: flatsawn red oak 1000 mm fixed in its middle, fastener at 450 mm,
    # 3 points either way: 450 x .00369 x 3 = 5.0 mm, so the slot is the screw and 10 mm
    strain = predict_width_change_mm(width_mm=1, species="red oak", from_pct=9, to_pct=12)
    slot = plan_slot("a", 950, distance_mm=450, wetter_frac=strain, drier_frac=strain, screw_mm=5)
    assert slot.travel_wetter_mm == pytest.approx(5.0, abs=0.02)
    assert slot.slot_mm == pytest.approx(5 + 10 + CLEARANCE_MM, abs=0.05)


def test_travel_reaches_the_far_end_of_the_range() -> None:
    year = year_of()
    wetter, drier = travel_per_mm(year)
    damp, dry = (pick(s.moisture_pct for s in year.seasons) for pick in (max, min))
    for share, to_pct in ((wetter, damp), (-drier, dry)):
        expected = predict_width_change_mm(width_mm=1, species="cherry", from_pct=8, to_pct=to_pct)
        assert share == pytest.approx(HIGH_SHARE * expected, rel=1e-4)


def test_the_middle_holds_and_the_rest_slides() -> None:
    plan = plan_fastening(year_of(), [50, 425, 800], screw_mm=5)
    assert [s.slides for s in plan.slots] == [True, False, True]
    assert plan.slots[0].slot_mm == pytest.approx(plan.slots[2].slot_mm)
    assert any("fastener 2" in step for step in plan.steps)
    assert any("maker" in text for text in plan.assumptions)


def test_fixed_along_one_edge_doubles_the_travel_at_the_other() -> None:
    middle = plan_fastening(year_of(), [850])
    edge = plan_fastening(year_of(), [850], fixed_line="upper edge")
    assert edge.slots[0].travel_wetter_mm == pytest.approx(2 * middle.slots[0].travel_wetter_mm)


@given(st.floats(0, 850), st.floats(2, 12), st.sampled_from(["middle", "upper edge", "lower edge"]))
def test_screw_stays_inside_its_slot_all_year(across, screw, line) -> None:  # type: ignore[no-untyped-def]
    (slot,) = plan_fastening(YEAR, [across], screw_mm=screw, fixed_line=line).slots
    outward = slot.outward_mm - slot.travel_wetter_mm
    inward = slot.slot_mm - screw - slot.outward_mm - slot.travel_drier_mm
    assert outward == pytest.approx(CLEARANCE_MM / 2)
    assert inward == pytest.approx(CLEARANCE_MM / 2)
    assert slot.hole_mm >= screw + 2 * max(slot.travel_wetter_mm, slot.travel_drier_mm)


YEAR = year_of()


def test_cross_grain_traps_come_with_their_millimetres() -> None:
    words = check_cross_grain(YEAR, ["breadboard end", "frame", "breadboard end"])
    wetter, drier = travel_per_mm(YEAR)
    assert len(words) == 2
    assert all(f"{(wetter + drier) * 850:.1f} mm" in text for text in words)


def test_fasteners_off_the_top_and_impossible_screws_are_refused() -> None:
    with pytest.raises(LayoutError):
        plan_fastening(YEAR, [900])
    with pytest.raises(LayoutError):
        plan_fastening(YEAR, [100], screw_mm=float("nan"))
