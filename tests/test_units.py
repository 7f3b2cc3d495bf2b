"""Lengths as people type them. Outside truth: 1 inch = 25.4 mm exactly (ISO 31-1, NIST SP 811)."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainmatch.errors import UsageError
from grainmatch.units import MM_PER_INCH, format_inches, format_length, parse_length_mm, parse_size_mm


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("27mm", 27), ("27", 27), ("2.7cm", 27), ("2,7 cm", 27), ("0.027m", 27), ("1in", 25.4),
        ("1-1/16in", 26.9875), ('1 1/16"', 26.9875), ("3/4in", 19.05), ("2ft", 609.6), ("1 inch", 25.4),
    ],
)  # fmt: skip
def test_typed_lengths(text: str, mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "abc",
        "-5mm",
        "0",
        "1/0in",
        "1e9m",
        "nan",
        "inf",
        "5 5",
        "27 kg",
        "1..2",
        "9" * 400,
        "1,700mm",
        "1/" + "9" * 5000,
        "٢٧mm",
    ],
)
def test_bad_lengths_say_what_and_how(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_length_mm(text)
    assert caught.value.message.endswith(".")
    assert "27mm" in caught.value.advice


def test_a_fraction_without_a_unit_is_asked_about() -> None:
    with pytest.raises(UsageError, match="no unit"):
        parse_length_mm("33-1/2")


@pytest.mark.parametrize(
    ("text", "mm"), [("2", 50.8), ("33-1/2", 850.9), ("1.5", 38.1), ("27mm", 27), ("2 ft", 609.6)]
)
def test_a_bare_number_has_the_unit_of_whoever_works_in_inches(text: str, mm: float) -> None:
    assert parse_length_mm(text, "in") == pytest.approx(mm, abs=1e-9)
    assert parse_size_mm(f"{text} x 10", "in")[0] == pytest.approx(mm, abs=1e-9)
    with pytest.raises(UsageError) as caught:
        parse_length_mm("1 2", "in")
    assert "27mm" in caught.value.advice


@given(st.text(max_size=30))
def test_any_text_gives_a_length_or_a_usage_error(text: str) -> None:
    with contextlib.suppress(UsageError):
        assert 0 < parse_length_mm(text) <= 100_000


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("1700x850mm", (1700, 850)),
        ("1700 x 850", (1700, 850)),
        ("170x85cm", (1700, 850)),
        ("67in x 33-1/2in", (1701.8, 850.9)),
        ("67x33in", (1701.8, 838.2)),
        ("67in x 33", (1701.8, 838.2)),
    ],
)
def test_typed_sizes(text: str, size: tuple[float, float]) -> None:
    assert parse_size_mm(text) == pytest.approx(size)


@pytest.mark.parametrize("text", ["1700", "x", "1700x", "1x2x3", "axb"])
def test_bad_sizes(text: str) -> None:
    with pytest.raises(UsageError):
        parse_size_mm(text)


@given(st.integers(min_value=1, max_value=16 * 300))
def test_inches_round_trip_on_every_sixteenth(sixteenths: int) -> None:
    mm = sixteenths / 16 * MM_PER_INCH
    assert parse_length_mm(format_inches(mm)) == pytest.approx(mm)


@given(st.floats(min_value=0.8, max_value=5000))
def test_inches_are_within_half_a_sixteenth(mm: float) -> None:
    assert abs(parse_length_mm(format_inches(mm)) - mm) <= MM_PER_INCH / 32 + 1e-9


def test_formats() -> None:
    assert format_length(142.04) == "142.0 mm"
    assert format_length(142.0, "in") == '5 9/16"'
    assert format_inches(0.1) == '0"'


def test_nothing_is_written_as_minus_nothing() -> None:
    assert format_length(-0.04) == "0.0 mm"
    assert format_length(-0.06) == "-0.1 mm"
