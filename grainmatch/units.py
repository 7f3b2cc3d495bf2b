"""Lengths as people type and read them. Inside the program every length is a float in millimetres."""

from __future__ import annotations

import math
import re
from typing import Literal

from grainmatch.errors import UsageError

MM_PER_INCH = 25.4  # exact since 1959 (international yard and pound agreement)

LengthUnits = Literal["mm", "in"]

_UNIT_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    '"': MM_PER_INCH,
    "ft": 12 * MM_PER_INCH,
    "'": 12 * MM_PER_INCH,
}
_WHOLE = r"[0-9]{1,9}"
# A comma before exactly three digits may part thousands or begin decimals: it is not guessed.
_PART = r"(?:\.[0-9]{1,12}|,(?![0-9]{3}(?![0-9]))[0-9]{1,12})"
_DECIMAL = rf"{_WHOLE}{_PART}?|{_PART}"
_LENGTH = re.compile(
    rf"(?:(?P<whole>{_DECIMAL})(?:(?:\s*-\s*|\s+)(?P<num>{_WHOLE})/(?P<den>{_WHOLE}))?"
    rf"|(?P<num2>{_WHOLE})/(?P<den2>{_WHOLE}))"
    r"\s*(?P<unit>mm|cm|m|in|ft|inch|inches|\"|'|″|′)?"
)
_END_UNIT = re.compile(r"(?:mm|cm|m|inches|inch|in|ft|\"|'|″|′)$")
_ALIAS = {"inch": "in", "inches": "in", "″": '"', "′": "'"}
_LONGEST_MM = 100_000.0


def parse_length_mm(text: str, bare: LengthUnits = "mm") -> float:
    """Read a typed length such as `27mm`, `2.7cm`, `1-1/16in`, `1 1/16"` or a bare number, which has the
    unit `bare`.

    Returns millimetres, above zero and at most 100 m. Raises UsageError for anything else, also for what
    can be meant in two ways: a fraction without a unit where bare numbers are millimetres, and a comma
    before three digits.
    """
    match = _LENGTH.fullmatch(text.strip().lower())
    if match is None:
        raise _bad_length(text, bare)
    whole = float((match["whole"] or "0").replace(",", "."))
    numerator, denominator = match["num"] or match["num2"], match["den"] or match["den2"]
    if denominator is not None and int(denominator) == 0:
        raise _bad_length(text, bare)
    fraction = int(numerator) / int(denominator) if numerator and denominator else 0.0
    unit = match["unit"] or bare
    if denominator is not None and unit == "mm" and not match["unit"]:
        raise UsageError(
            f"The length '{text}' has no unit.", f"Type the unit behind it, like {text.strip()}in."
        )
    value_mm = (whole + fraction) * _UNIT_MM[_ALIAS.get(unit, unit)]
    if not math.isfinite(value_mm) or not 0 < value_mm <= _LONGEST_MM:
        raise _bad_length(text, bare)
    return value_mm


def parse_size_mm(text: str, bare: LengthUnits = "mm") -> tuple[float, float]:
    """Read a typed top size such as `1700x850mm` or `67in x 33-1/2in`: (length, width) in mm.

    A unit on one number counts for the other when that has none; where neither has, both have `bare`.
    """
    parts = re.split(r"\s*[x×]\s*", text.strip().lower())
    if len(parts) != 2 or not all(parts):
        raise UsageError(
            f"The size '{text}' is not a length and a width.", "Type it like 1700x850mm or 67in x 33in."
        )
    first, second = parts
    units = [_END_UNIT.search(part) for part in parts]
    if units[1] and not units[0]:
        first += units[1][0]
    elif units[0] and not units[1]:
        second += units[0][0]
    return parse_length_mm(first, bare), parse_length_mm(second, bare)


def format_length(length_mm: float, units: LengthUnits = "mm", *, decimals: int = 1) -> str:
    """Write a length for a reader: `142.0 mm`, or inches to the nearest sixteenth."""
    return format_inches(length_mm) if units == "in" else f"{length_mm:z.{decimals}f} mm"


def format_measure(value_mm: float, sigma_mm: float, units: LengthUnits = "mm") -> str:
    """Write a measure with its standard deviation: `142.0 ± 0.2 mm`, or in inches."""
    if units == "in":
        return f'{format_inches(value_mm)} ± {sigma_mm / MM_PER_INCH:.2f}"'
    return f"{value_mm:.1f} ± {max(sigma_mm, 0.1):.1f} mm"


def format_inches(length_mm: float, *, per_inch: int = 16) -> str:
    """Write a length as inches and a reduced fraction, `5 9/16"`; ties round up."""
    ticks = math.floor(abs(length_mm) / MM_PER_INCH * per_inch + 0.5)
    sign = "-" if length_mm < 0 and ticks else ""
    whole, rest = divmod(ticks, per_inch)
    if rest == 0:
        return f'{sign}{whole}"'
    shared = math.gcd(rest, per_inch)
    fraction = f"{rest // shared}/{per_inch // shared}"
    return f'{sign}{whole} {fraction}"' if whole else f'{sign}{fraction}"'


def _bad_length(text: str, bare: LengthUnits) -> UsageError:
    number = {"mm": "27", "in": "1-1/16"}[bare]
    return UsageError(
        f"The length '{text}' cannot be read.", f"Type it like 27mm, 2.7cm, 1-1/16in or {number}."
    )
