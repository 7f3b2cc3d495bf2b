"""Board feet against the rules of the trade, and what a pile can make."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import WoodError
from grainmatch.wood.buying import (
    M3_PER_BOARD_FOOT,
    find_possible_tops,
    find_stock,
    measure_board_feet,
    measure_surface_ft2,
    plan_purchase,
    tally_board_feet,
)
from tests.wood.boards import make_board


@pytest.mark.parametrize(
    ("width_in", "length_ft", "surface_ft2"),
    [
        # American Hardwood Export Council, measurement page (read): 6-1/4 in. x 8 ft
        (6.25, 8, 4),
        # a trade page on the rules of the National Hardwood Lumber Association (read)
        (6.5, 8, 4),
        (8, 12, 8),
        (10, 13, 11),
        # lengths between whole feet count down (AHEC)
        (6.25, 8.9, 4),
    ],
)
def test_surface_measure(width_in: float, length_ft: float, surface_ft2: int) -> None:
    assert measure_surface_ft2(length_mm=length_ft * 304.8, width_mm=width_in * 25.4) == surface_ft2


def test_board_feet() -> None:
    # AHEC: the 6-1/4 in. x 8 ft board, 2 in. thick, is 8 board feet; under one inch counts as one
    assert measure_board_feet(length_mm=8 * 304.8, width_mm=6.25 * 25.4, nominal_in=2) == 8
    assert measure_board_feet(length_mm=8 * 304.8, width_mm=6.25 * 25.4, nominal_in=0.75) == 4


def test_a_pile_is_counted_as_it_was_sold() -> None:
    # AHEC's board of 4 square feet twice: planed to 27 mm it is 5/4, to 44 mm 8/4; it tapers by 15 mm
    size: dict[str, Any] = {
        "length_mm": 8 * 304.8,
        "width_mm": 6.25 * 25.4 - 5,
        "start_width_mm": 6.25 * 25.4 + 10,
    }
    pile = [make_board("a", **size), make_board("b", thickness_mm=44.0, **size)]
    assert tally_board_feet(pile) == 4 * 1.25 + 4 * 2
    assert tally_board_feet([*pile, make_board("beam", thickness_mm=150.0, **size)]) is None


def test_board_foot_in_cubic_metres() -> None:
    # NIST SP 811, appendix B.8 (from memory): 2.359 737 E-03
    assert abs(M3_PER_BOARD_FOOT - 2.359737e-3) < 1e-9


@pytest.mark.parametrize(
    ("thickness", "name"),
    [(20.6, "4/4"), (27.0, "5/4"), (33.3, "6/4"), (44.4, "8/4"), (22, "5/4"), (95.2, "16/4")],
)
def test_stock_by_dressed_thickness(thickness: float, name: str) -> None:
    # S2S 13/16, 1-1/16, 1-5/16, 1-3/4, 3-3/4 in. (two trade tables)
    stock = find_stock(thickness)
    assert stock is not None
    assert stock.name == name


def test_purchase_for_the_kitchen_table() -> None:
    purchase = plan_purchase(top_mm=(1700, 850), thickness_mm=27, waste_frac=0.25)
    assert purchase.stock.name == "5/4"
    assert purchase.bought_area_m2 == pytest.approx(1.7 * 0.85 / 0.75)
    assert purchase.volume_m3 == pytest.approx(1.7 * 0.85 / 0.75 * 0.03175)
    # the same by hand in feet: 15.554 ft2 / 0.75 x 1.25 in. = 25.92
    assert purchase.board_feet == 26
    assert "Buy 1.93 m2 of 5/4 stock: 26 board feet" in purchase.lines()[0]
    assert "20.7 sq ft" in purchase.lines("in")[0]


@pytest.mark.parametrize(
    ("top", "thickness", "waste"), [((0, 850), 27, 0.3), ((1700, 850), 27, 1.0), ((1700, 850), 150, 0.3)]
)
def test_impossible_purchase_is_refused(top: tuple[float, float], thickness: float, waste: float) -> None:
    with pytest.raises(WoodError):
        plan_purchase(top_mm=top, thickness_mm=thickness, waste_frac=waste)


def test_tops_of_a_pile() -> None:
    pile = [
        make_board("a", length_mm=2050, width_mm=108),
        make_board("b", length_mm=1550, width_mm=158),
        make_board("c", length_mm=2050, width_mm=128),
        make_board("scrap", length_mm=40, width_mm=128),
    ]
    long, short = find_possible_tops(pile)
    assert (long.length_mm, long.width_mm, long.board_ids) == (2000, 220, ("a", "c"))
    assert (short.length_mm, short.width_mm, short.board_ids) == (1500, 370, ("a", "c", "b"))


@given(st.lists(st.tuples(st.integers(300, 3000), st.integers(40, 300)), min_size=1, max_size=12))
def test_tops_get_shorter_and_wider(sizes: list[tuple[int, int]]) -> None:
    tops = find_possible_tops([make_board(str(i), length_mm=a, width_mm=w) for i, (a, w) in enumerate(sizes)])
    lengths, widths = [t.length_mm for t in tops], [t.width_mm for t in tops]
    assert lengths == sorted(set(lengths), reverse=True)
    assert widths == sorted(set(widths))
    assert widths[-1] == pytest.approx(sum(w - 8 for _, w in sizes))
