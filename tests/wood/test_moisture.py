"""Moisture of wood against the handbook's table."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import WoodError
from grainmatch.wood.moisture import (
    ROOMS,
    Room,
    Season,
    check_moisture,
    equilibrium_moisture_pct,
    find_room,
    humidity_for_moisture_pct,
)

# Wood Handbook, FPL-GTR-282 (2021), Table 4-2 as quoted in one text: degrees F, humidity, moisture
TABLE_4_2 = [
    (70, 5, 1.3), (70, 30, 6.2), (70, 50, 9.2), (70, 75, 14.4), (70, 85, 17.9), (70, 95, 23.9),
    (30, 75, 14.9), (30, 95, 24.3), (100, 50, 8.7), (100, 90, 19.5),
]  # fmt: skip
# The same equation in the handbook's other set of units, constant, linear and square term of W, K, K1, K2
# (FPL-GTR-282, eq. 4-5 in degrees F): the two agree to 0.013 % over 30 to 140 F and 5 to 95 % humidity.
FAHRENHEIT = (
    (330.0, 0.452, 0.00415),
    (0.791, 0.000463, -0.000000844),
    (6.34, 0.000775, -0.0000935),
    (1.09, 0.0284, -0.0000904),
)
# the whole 70 degree row, from memory, humidity 5 to 95 in steps of 5
ROW_70_F = [
    1.3,
    2.5,
    3.5,
    4.5,
    5.4,
    6.2,
    6.9,
    7.7,
    8.5,
    9.2,
    10.1,
    11.0,
    12.0,
    13.1,
    14.4,
    16.0,
    17.9,
    20.5,
    23.9,
]


def moisture_by_fahrenheit_pct(temperature_f: float, humidity_pct: float) -> float:
    w, k, k1, k2 = (c + b * temperature_f + a * temperature_f**2 for c, b, a in FAHRENHEIT)
    kh = k * humidity_pct / 100
    return 1800 / w * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))


@pytest.mark.parametrize(("fahrenheit", "humidity", "moisture"), TABLE_4_2)
def test_handbook_table(fahrenheit: float, humidity: float, moisture: float) -> None:
    celsius = (fahrenheit - 32) / 1.8
    assert equilibrium_moisture_pct(temperature_c=celsius, humidity_pct=humidity) == pytest.approx(
        moisture, abs=0.06
    )
    inch = moisture_by_fahrenheit_pct(fahrenheit, humidity)
    assert inch == pytest.approx(
        moisture, abs=0.061
    )  # the printed 17.9 stands where the equation gives 17.96


@pytest.mark.parametrize(("humidity", "moisture"), list(zip(range(5, 100, 5), ROW_70_F, strict=True)))
def test_whole_row_at_70_f_from_memory(humidity: int, moisture: float) -> None:
    assert equilibrium_moisture_pct(temperature_c=21.1, humidity_pct=humidity) == pytest.approx(
        moisture, abs=0.065
    )


@pytest.mark.parametrize(
    ("humidity", "moisture"), [(50, 9.27), (65, 12.00), (75, 14.45), (85, 18.00), (95, 23.94)]
)
def test_values_at_20_c(humidity: float, moisture: float) -> None:
    # printed in Swedish notes on the same equation (TräGuiden), read in one text
    assert equilibrium_moisture_pct(temperature_c=20, humidity_pct=humidity) == pytest.approx(
        moisture, abs=0.006
    )


@pytest.mark.parametrize(("humidity", "moisture"), [(30, 6), (50, 9), (65, 12), (80, 16)])
def test_rounded_rule_of_the_extension_service(humidity: float, moisture: float) -> None:
    # Wengert, UW-Madison Extension 1998, read in one text; whole per cent
    assert equilibrium_moisture_pct(temperature_c=21, humidity_pct=humidity) == pytest.approx(
        moisture, abs=0.5
    )


@given(st.floats(30, 140), st.floats(5, 95))
def test_both_unit_sets_agree(fahrenheit: float, humidity: float) -> None:
    metric = equilibrium_moisture_pct(temperature_c=(fahrenheit - 32) / 1.8, humidity_pct=humidity)
    inch = moisture_by_fahrenheit_pct(fahrenheit, humidity)
    assert metric == pytest.approx(inch, abs=0.014)


@given(st.floats(-10, 60), st.floats(0, 99.9))
def test_humidity_is_the_inverse(celsius: float, humidity: float) -> None:
    moisture = equilibrium_moisture_pct(temperature_c=celsius, humidity_pct=humidity)
    assert humidity_for_moisture_pct(temperature_c=celsius, moisture_pct=moisture) == pytest.approx(
        humidity, abs=1e-6
    )


@pytest.mark.parametrize(("moisture", "humidity"), [(4, 17.4), (6, 28.9), (8, 42.0), (10, 54.6), (12, 65.2)])
def test_inverse_at_21_c(moisture: float, humidity: float) -> None:
    # bisection of eq. 4-5 by hand, not published
    assert humidity_for_moisture_pct(temperature_c=21.1, moisture_pct=moisture) == pytest.approx(
        humidity, abs=0.06
    )


@given(st.floats(-10, 60), st.floats(1, 90), st.floats(0.5, 9))
def test_damper_air_means_damper_wood(celsius: float, humidity: float, more: float) -> None:
    drier = equilibrium_moisture_pct(temperature_c=celsius, humidity_pct=humidity)
    assert equilibrium_moisture_pct(temperature_c=celsius, humidity_pct=humidity + more) > drier


@pytest.mark.parametrize(
    ("celsius", "humidity"), [(20, -1), (20, 101), (float("nan"), 50), (20, float("inf")), (200, 5)]
)
def test_impossible_air_is_refused(celsius: float, humidity: float) -> None:
    with pytest.raises(WoodError):
        equilibrium_moisture_pct(temperature_c=celsius, humidity_pct=humidity)


def test_impossible_moisture_has_no_humidity() -> None:
    with pytest.raises(WoodError):
        humidity_for_moisture_pct(temperature_c=20, moisture_pct=45)


def test_room_presets_lie_in_their_published_ranges() -> None:
    dry = find_room("Heated-and-dry")
    # TräGuiden: heated rooms, winter 2-6 % and summer 7-12 % wood moisture
    assert 2 <= dry.driest.moisture_pct <= 6
    assert 7 <= dry.dampest.moisture_pct <= 12
    # AWI 200 zone 2: 30 to 55 % humidity
    assert [s.humidity_pct for s in ROOMS["heated and humidified"].seasons] == [30, 55]
    # Wood Handbook Fig. 13-1: 11 % for the damp coastal south, 8 % for most of the country
    assert ROOMS["damp coast"].mean_moisture_pct == pytest.approx(11, abs=1)
    assert ROOMS["heated and humidified"].mean_moisture_pct == pytest.approx(8, abs=1)


def test_a_room_of_four_seasons() -> None:
    room = Room("mine", tuple(Season(n, 20, h) for n, h in zip("abcd", (30, 45, 60, 50), strict=True)))
    assert (room.driest.name, room.dampest.name) == ("a", "c")
    with pytest.raises(WoodError):
        Room("short", room.seasons[:1])


def test_warnings_for_board_moisture() -> None:
    room = ROOMS["heated and humidified"]  # mean 8.1 %
    assert check_moisture({"1": 7.5, "2": 8.5}, room=room) == ()
    spread, far = check_moisture({"1": 7.0, "2": 9.1, "3": 10.4}, room=room)
    assert "board 1" in spread.lower()
    assert "board 3" in spread.lower()
    assert "board 3" in far
    assert far.split(": ")[1].split(". ")[0] == "board 3"
    # the mean 8.1 %: 42 % humidity gives 7.9 and 44 % gives 8.3 at 70 F, from rows of Table 4-2 either side
    assert "air of 43 % humidity at 22 °C" in far
    assert "measure" in check_moisture({"1": 8.0, "2": None})[0]
    assert check_moisture({"1": None}) == ()


def test_unknown_room_names_the_presets() -> None:
    with pytest.raises(WoodError) as caught:
        find_room("igloo")
    assert "damp coast" in caught.value.advice
