"""Cup of one board against the closed form, an exact map worked out here, and finite elements."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import WoodError
from grainmatch.wood.cup import (
    BoardArc,
    Rings,
    join_arcs,
    join_heights,
    measure_out_of_flat_mm,
    predict_board_arc,
    predict_cup_mm,
    predict_one_sided_cup_mm,
    ring_angle_deg,
)
from grainmatch.wood.shrinkage import strains
from grainmatch.wood.species import Species, find_species, read_species_table
from tests.wood.section_fe import SectionBoard, solve_face

WOODS = st.sampled_from(read_species_table())
OAK = find_species("red oak")


@pytest.mark.parametrize(
    ("width", "pith", "name", "exact_mm"),
    [(150, 60, "red oak", 0.565), (150, 100, "red oak", 0.406), (150, 200, "red oak", 0.226),
     (200, 100, "hard maple", 0.589)],
)  # fmt: skip
def test_exact_map_and_arctan_form(width: float, pith: float, name: str, exact_mm: float) -> None:
    # own derivation, no published numeric example could be read: exact free polar map worked out separately
    cup = predict_cup_mm(width_mm=width, pith_depth_mm=pith, species=name, from_pct=12, to_pct=8)
    assert cup == pytest.approx(exact_mm, abs=0.0006)
    radial, tangential = strains(find_species(name), from_pct=12, to_pct=8)
    arctan_form = (radial - tangential) * width / 2 * math.atan(width / (2 * pith))
    assert cup == pytest.approx(arctan_form, abs=0.01)


@pytest.mark.parametrize("bad", [{"width_mm": 0.0}, {"pith_depth_mm": math.nan}, {"to_pct": -1.0}])
def test_impossible_numbers_are_refused(bad: dict[str, float]) -> None:
    numbers = {"width_mm": 150.0, "pith_depth_mm": 90.0, "from_pct": 12.0, "to_pct": 8.0} | bad
    with pytest.raises(WoodError):
        predict_cup_mm(species=OAK, **numbers)


def test_middle_of_a_thick_board_cups_between_its_faces() -> None:
    def cup(depth: float, thickness: float = 0.0) -> float:
        return predict_cup_mm(
            width_mm=150, pith_depth_mm=depth, thickness_mm=thickness, species=OAK, from_pct=12, to_pct=8
        )

    assert cup(100) < cup(100, 40) < cup(60)


@given(WOODS, st.floats(60, 300), st.floats(40, 500), st.floats(6, 14), st.floats(6, 14))
def test_arctan_form_everywhere(species, width, pith, start, end) -> None:  # type: ignore[no-untyped-def]
    cup = predict_cup_mm(width_mm=width, pith_depth_mm=pith, species=species, from_pct=start, to_pct=end)
    radial, tangential = strains(species, from_pct=start, to_pct=end)
    arctan_form = (radial - tangential) * width / 2 * math.atan(width / (2 * pith))
    assert cup == pytest.approx(arctan_form, abs=0.01 + 0.02 * abs(arctan_form))


def test_cup_is_linear_in_moisture() -> None:
    # Balodis (1972, CSIRO Tech. Paper 63, abstract): below 20 % moisture cup is linear in moisture
    cups = [
        predict_cup_mm(width_mm=150, pith_depth_mm=80, species=OAK, from_pct=12, to_pct=to)
        for to in (11, 10, 8)
    ]
    assert cups[1] == pytest.approx(2 * cups[0], rel=0.01)
    assert cups[2] == pytest.approx(4 * cups[0], rel=0.02)


@given(WOODS, st.floats(60, 250), st.floats(30, 300), st.floats(-80, 80), st.floats(4, 16), st.floats(4, 16))
def test_cup_mirrors(species, width, pith, across, start, end) -> None:  # type: ignore[no-untyped-def]
    def cup(depth: float, side: float) -> float:
        return predict_cup_mm(
            width_mm=width,
            pith_depth_mm=depth,
            pith_across_mm=side,
            species=species,
            from_pct=start,
            to_pct=end,
        )

    assert cup(pith, across) == pytest.approx(cup(pith, -across), abs=1e-9)
    assert cup(-pith, across) == pytest.approx(-cup(pith, across), abs=1e-9)


@given(WOODS, st.floats(60, 250), st.floats(400, 4000))
def test_quartersawn_board_does_not_cup(species, width, pith_beside) -> None:  # type: ignore[no-untyped-def]
    def cup(across: float, depth: float) -> float:
        return abs(
            predict_cup_mm(
                width_mm=width,
                pith_depth_mm=depth,
                pith_across_mm=across,
                species=species,
                from_pct=12,
                to_pct=8,
            )
        )

    assert cup(pith_beside, 1e-3) < 0.02 * cup(0.0, width / 2)


def test_wood_that_moves_alike_both_ways_keeps_its_shape() -> None:
    arc = predict_board_arc(
        width_mm=150,
        thickness_mm=27,
        rings=Rings(20, 80),
        species=Species(name="alike", radial_per_pct=0.002, tangential_per_pct=0.002),
        from_pct=12,
        to_pct=8,
    )
    assert np.abs(arc.rise_mm).max() < 1e-9
    assert arc.turn_rad == pytest.approx(0, abs=1e-12)


# --- against finite elements ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "thickness", "across", "depth"),
    [(150, 25, 0, 60), (150, 27, 0, 100), (200, 40, 30, 120), (120, 27, -50, 70), (140, 27, 20, -60)],
)
def test_free_cup_agrees_with_finite_elements(
    width: float, thickness: float, across: float, depth: float
) -> None:
    # independent solution: plane strain, orthotropic swelling in polar axes, scikit-fem
    radial, tangential = strains(OAK, from_pct=12, to_pct=8)
    y, z = solve_face([SectionBoard(width, across, depth, radial, tangential)], thickness)
    gap = np.interp(y, [y[0], y[-1]], [z[0], z[-1]]) - z
    by_elements = gap[np.abs(gap).argmax()]
    cup = predict_cup_mm(
        width_mm=width, pith_depth_mm=depth, pith_across_mm=across, species=OAK, from_pct=12, to_pct=8
    )
    assert cup == pytest.approx(by_elements, rel=0.05)


TOPS = {
    "same way": [(150, 0, 100)] * 4,
    "alternate": [(150, 0, 100), (150, 0, -73)] * 2,
    "two and two": [(140, 10, 90), (140, -10, 90), (140, 10, -63), (140, -10, -63)],
    "mixed": [(150, 0, 80), (120, 40, 120), (140, -30, -60), (110, 20, 90)],
}


@pytest.mark.parametrize("name", TOPS)
def test_glued_top_agrees_with_finite_elements(name: str) -> None:
    # bonded boards solved as one body: shows that glue faces, not face slopes, carry on across a seam
    radial, tangential = strains(OAK, from_pct=12, to_pct=8)
    sections = [SectionBoard(w, a, d, radial, tangential) for w, a, d in TOPS[name]]
    y, z = solve_face(sections, 27)
    arcs = [_arc(w, a, d) for w, a, d in TOPS[name]]
    assert float(measure_out_of_flat_mm(*join_arcs(arcs))) == pytest.approx(
        float(measure_out_of_flat_mm(y, z)), rel=0.10
    )


def test_same_way_and_alternate_rings_give_different_tops() -> None:
    flat = {name: float(measure_out_of_flat_mm(*join_arcs([_arc(*b) for b in TOPS[name]]))) for name in TOPS}
    assert flat["alternate"] < 0.8 * flat["same way"]


def test_one_sided_moisture_agrees_with_finite_elements() -> None:
    # straight rings: the face 2 points drier than the back
    _, low = strains(OAK, from_pct=9, to_pct=8)
    _, high = strains(OAK, from_pct=9, to_pct=10)
    mean = (low + high) / 2
    _, z = solve_face([SectionBoard(150, 0, 1e6, mean, mean, gradient=low - high)], 27)
    by_elements = (z[0] + z[-1]) / 2 - z[len(z) // 2]
    cup = predict_one_sided_cup_mm(
        width_mm=150, thickness_mm=27, species=OAK, from_pct=9, face_pct=8, back_pct=10
    )
    assert cup > 0
    assert cup == pytest.approx(by_elements, rel=0.05)


# --- joining ----------------------------------------------------------------------------------


def _arc(width: float, across: float, depth: float, thickness: float = 27) -> BoardArc:
    return predict_board_arc(
        width_mm=width, thickness_mm=thickness, rings=Rings(across, depth), species=OAK, from_pct=12, to_pct=8
    )


BOARDS = st.lists(
    st.tuples(st.floats(60, 220), st.floats(-60, 60), st.floats(50, 200) | st.floats(-180, -50)),
    min_size=1,
    max_size=8,
)


@given(BOARDS)
def test_top_walked_round_is_the_same_top(boards) -> None:  # type: ignore[no-untyped-def]
    arcs = [_arc(*b) for b in boards]
    walked = [_arc(w, -a, d) for w, a, d in reversed(boards)]
    assert float(measure_out_of_flat_mm(*join_arcs(walked))) == pytest.approx(
        float(measure_out_of_flat_mm(*join_arcs(arcs))), rel=1e-9, abs=1e-12
    )


@given(BOARDS, st.randoms())
def test_order_does_not_change_the_sum_of_widths(boards, random) -> None:  # type: ignore[no-untyped-def]
    shuffled = list(boards)
    random.shuffle(shuffled)
    assert sum(_arc(*b).width_mm for b in shuffled) == pytest.approx(sum(_arc(*b).width_mm for b in boards))


@given(st.floats(60, 220), st.floats(-60, 60), st.floats(50, 200))
def test_flipped_board_bends_the_other_way(width, across, depth) -> None:  # type: ignore[no-untyped-def]
    rings, thickness = Rings(across, depth), 27.0
    over = rings.flipped(thickness)
    assert over.flipped(thickness).across_mm == rings.across_mm
    assert over.flipped(thickness).depth_mm == pytest.approx(rings.depth_mm)
    assert rings.turned().turned() == rings
    up, down = _arc(width, rings.across_mm, rings.depth_mm), _arc(width, over.across_mm, over.depth_mm)
    assert down.turn_rad == pytest.approx(-up.turn_rad, abs=1e-9)
    assert down.width_mm == pytest.approx(up.width_mm, rel=1e-12)


def test_many_arrangements_at_once_equal_one_by_one() -> None:
    rng = np.random.default_rng(4)
    arcs = [_arc(w, a, d) for w, a, d in TOPS["mixed"]]
    orders = [rng.permutation(len(arcs)) for _ in range(20)]
    width, rise = np.array([a.width_mm for a in arcs]), np.array([a.rise_mm for a in arcs])
    turn = np.array([a.turn_rad for a in arcs])
    batch = join_heights(width[orders], rise[orders], turn[orders])
    for order, heights in zip(orders, batch, strict=True):
        chosen = [arcs[i] for i in order]
        _, z = join_arcs([BoardArc(a.width_mm, a.rise_mm, 0 * a.lift_mm, a.turn_rad) for a in chosen])
        np.testing.assert_allclose(heights.ravel(), z, atol=1e-12)


@given(st.floats(60, 250), st.floats(-300, 300), st.floats(20, 300))
def test_ring_angle_gives_the_width_of_the_free_map(width, across, depth) -> None:  # type: ignore[no-untyped-def]
    rings = Rings(across, depth + 13.5)
    angle = ring_angle_deg(rings, width_mm=width, thickness_mm=27)
    radial, tangential = strains(OAK, from_pct=12, to_pct=8)
    by_angle = tangential + (radial - tangential) * math.sin(math.radians(angle)) ** 2
    assert _arc(width, rings.across_mm, rings.depth_mm).width_mm / width - 1 == pytest.approx(
        by_angle, abs=1e-9
    )
