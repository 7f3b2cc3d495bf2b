"""Movement of a board against the handbook's equations and worked example."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import WoodError
from grainmatch.wood.shrinkage import (
    HIGH_SHARE,
    LOW_SHARE,
    across_strain,
    predict_length_range_mm,
    predict_thickness_change_mm,
    predict_thickness_movement,
    predict_width_change_mm,
    predict_width_movement,
    strains,
)
from grainmatch.wood.species import find_species, read_species_table

WOODS = st.sampled_from(read_species_table())
MOISTURES = st.floats(0, 30)
ANGLES = st.floats(0, 90)


def test_worked_example_white_fir() -> None:
    # Wood Handbook FPL-GTR-190 p. 13-15: flatsawn white fir 232 mm, to 11 %: 1.7 mm (0.067 in.), 233.7 mm.
    # The start of 8 % is inferred from the printed change.
    change = predict_width_change_mm(width_mm=232, species="white fir", from_pct=8, to_pct=11)
    assert change == pytest.approx(1.7, abs=0.05)
    assert change / 25.4 == pytest.approx(0.067, abs=0.0005)
    assert 232 + change == pytest.approx(233.7, abs=0.05)


def test_equation_13_3_by_hand() -> None:
    # D (M_F - M_I) / (30 x 100 / S_T - 30 + M_I) with black cherry's S_T 7.1: 300 mm, 5 to 12 %
    change = predict_width_change_mm(width_mm=300, species="black cherry", from_pct=5, to_pct=12)
    assert change == pytest.approx(300 * 7 / (3000 / 7.1 - 30 + 5), rel=1e-12)


def test_total_shrinkage_comes_out_of_the_equation() -> None:
    # green to oven-dry must give the S_T of Table 4-3, whatever the moisture above fibre saturation
    change = predict_width_change_mm(width_mm=100, species="black cherry", from_pct=80, to_pct=0)
    assert change == pytest.approx(-7.1)


@pytest.mark.parametrize(
    ("angle", "coefficient"),
    [(0, 0.00369), (15, 0.00355), (30, 0.00316), (45, 0.00264), (60, 0.00211), (75, 0.00172), (90, 0.00158)],
)
def test_ring_angle_red_oak(angle: float, coefficient: float) -> None:
    # plane strain transformation worked by hand (the case of MacLean, FPL R1473, 1945)
    red_oak = find_species("red oak")
    strain = across_strain(red_oak, from_pct=8, to_pct=9, ring_angle_deg=angle)
    assert strain == pytest.approx(coefficient, abs=6e-6)


# American Hardwood Information Center: 12 in. plain-sawn boards from 10 to 5 %, in 64ths of an inch
AHIC_64THS = [
    ("white ash", 10), ("basswood", 10), ("beech", 14), ("butternut", 8), ("cherry", 9), ("hard maple", 12),
    ("hickory", 11), ("red oak", 11), ("pecan", 11), ("soft maple", 9), ("walnut", 10), ("yellow birch", 12),
    ("yellow-poplar", 9),
]  # fmt: skip


@pytest.mark.parametrize(("name", "sixty_fourths"), AHIC_64THS)
def test_stated_range_holds_what_boards_do_in_use(name: str, sixty_fourths: int) -> None:
    movement = predict_width_movement(
        width_mm=12 * 25.4, species=name, from_pct=10, to_pct=5, ring_angle_deg=0
    )
    half_a_step = 25.4 / 128
    assert movement.low_mm - half_a_step <= -sixty_fourths / 64 * 25.4 <= movement.high_mm + half_a_step


@given(WOODS, MOISTURES, MOISTURES, ANGLES)
def test_width_and_thickness_share_one_sum(species, start, end, angle) -> None:  # type: ignore[no-untyped-def]
    radial, tangential = strains(species, from_pct=start, to_pct=end)
    width = predict_width_change_mm(
        width_mm=1, species=species, from_pct=start, to_pct=end, ring_angle_deg=angle
    )
    thickness = predict_thickness_change_mm(
        thickness_mm=1, species=species, from_pct=start, to_pct=end, ring_angle_deg=angle
    )
    assert width + thickness == pytest.approx(radial + tangential, abs=1e-12)
    assert min(radial, tangential) - 1e-12 <= width <= max(radial, tangential) + 1e-12


@given(WOODS, MOISTURES, MOISTURES, ANGLES, st.floats(20, 1500))
def test_drying_then_wetting_returns(species, start, end, angle, width) -> None:  # type: ignore[no-untyped-def]
    there = width + predict_width_change_mm(
        width_mm=width, species=species, from_pct=start, to_pct=end, ring_angle_deg=angle
    )
    back = there + predict_width_change_mm(
        width_mm=there, species=species, from_pct=end, to_pct=start, ring_angle_deg=angle
    )
    # eq. 13-2 refers both ways to the size before, so a second-order rest (C ΔM)² is its own
    assert back == pytest.approx(width, rel=max(1e-12, 1.2 * ((there - width) / width) ** 2))


@given(WOODS, MOISTURES, st.floats(20, 1500))
def test_no_change_of_moisture_no_change_of_size(species, moisture, width) -> None:  # type: ignore[no-untyped-def]
    movement = predict_width_movement(width_mm=width, species=species, from_pct=moisture, to_pct=moisture)
    assert (movement.change_mm, movement.low_mm, movement.high_mm) == (0, 0, 0)


@given(WOODS, MOISTURES, MOISTURES, ANGLES | st.none())
def test_figure_lies_in_its_range(species, start, end, angle) -> None:  # type: ignore[no-untyped-def]
    movement = predict_width_movement(
        width_mm=500, species=species, from_pct=start, to_pct=end, ring_angle_deg=angle
    )
    assert movement.low_mm <= movement.change_mm <= movement.high_mm
    assert bool(movement.assumptions) >= (angle is None)
    if angle is not None:
        span = sorted(share * movement.change_mm for share in (LOW_SHARE, HIGH_SHARE))
        assert [movement.low_mm, movement.high_mm] == pytest.approx(span)


def test_thickness_of_a_board_of_unknown_rings_counts_as_plain_sawn() -> None:
    # Wood Handbook p. 13-15: thickness of a flatsawn board by the radial coefficient (white fir .00112)
    known = predict_thickness_movement(
        thickness_mm=27, species="white fir", from_pct=8, to_pct=11, ring_angle_deg=0
    )
    unknown = predict_thickness_movement(thickness_mm=27, species="white fir", from_pct=8, to_pct=11)
    assert known.change_mm == unknown.change_mm == pytest.approx(27 * 0.00112 * 3)
    assert unknown.low_mm <= known.low_mm < known.high_mm < unknown.high_mm
    assert unknown.assumptions


def test_length_hardly_moves() -> None:
    # 0.1 to 0.2 % green to oven-dry (American Wood Council): 2 m board, 30 to 0 %
    assert predict_length_range_mm(length_mm=2000, from_pct=30, to_pct=0) == pytest.approx((-4, -2))
    assert predict_length_range_mm(length_mm=1700, from_pct=6, to_pct=10)[1] < 0.5


def test_equations_join_smoothly_at_the_ends_of_their_range() -> None:
    inside = predict_width_change_mm(width_mm=1000, species="black cherry", from_pct=6, to_pct=14)
    outside = predict_width_change_mm(width_mm=1000, species="black cherry", from_pct=6, to_pct=14.0001)
    # eq. 13-2 refers to the size at 10 %, eq. 13-3 to the size at the start: 4 points of 0.25 % apart
    assert inside == pytest.approx(outside, rel=0.012)
    assert not math.isclose(inside, outside, rel_tol=1e-6)


@pytest.mark.parametrize(
    ("width", "start"), [(0, 8), (-5, 8), (float("nan"), 8), (100, -1), (100, float("nan"))]
)
def test_impossible_numbers_are_refused(width: float, start: float) -> None:
    with pytest.raises(WoodError):
        predict_width_change_mm(width_mm=width, species="cherry", from_pct=start, to_pct=10)
