"""Weights, forces and sentences in the units of whoever reads them."""

from __future__ import annotations

import re

from grainmatch.units import MM_PER_INCH, LengthUnits, format_inches, format_length

NEWTON_PER_POUND = 4.4482216152605  # one pound-force (NIST SP 811, appendix B.8)
GRAM_PER_OUNCE = 28.349523125  # one avoirdupois ounce (NIST SP 811, appendix B.8)
KG_PER_POUND = 0.45359237  # one avoirdupois pound (NIST SP 811, appendix B.8)
PSI_PER_MPA = 145.037738  # pounds-force per square inch (NIST SP 811, appendix B.8)
_THIN_MM, _SMALL_MM = 0.5, 8.0
_NUMBER = r"\d+(?:\.\d+)?"
_LENGTHS = re.compile(rf"({_NUMBER})(?:( to | x | / )({_NUMBER}))? ?mm\b(?!2)")
_WEIGHT = re.compile(rf"({_NUMBER}) kg\b(?!/)")
_GLUE = re.compile(rf"({_NUMBER}) g\b(?!/)")
_PRESSURE = re.compile(rf"({_NUMBER})(?: to ({_NUMBER}))? MPa\b")
_WARMTH = re.compile(rf"(-?{_NUMBER}) °C")


def weight_words(weight_kg: float, units: LengthUnits) -> str:
    """Kilograms, or pounds for those who measure in inches."""
    return f"{weight_kg:.0f} kg" if units == "mm" else f"{weight_kg / KG_PER_POUND:.0f} lb"


def force_words(force_n: float, units: LengthUnits) -> str:
    """Kilonewtons, or pounds of force."""
    return f"{force_n / 1000:.1f} kN" if units == "mm" else f"{round(force_n / NEWTON_PER_POUND, -1):.0f} lbf"


def glue_words(glue_g: float, units: LengthUnits) -> str:
    """Grams, or ounces by weight."""
    return f"{glue_g:.0f} g" if units == "mm" else f"{glue_g / GRAM_PER_OUNCE:.1f} oz"


def fine_length(length_mm: float, units: LengthUnits) -> str:
    """A small length: tenths of a millimetre, or inches to the nearest 64th."""
    return format_inches(length_mm, per_inch=64) if units == "in" else format_length(length_mm, units)


def restate(text: str, units: LengthUnits) -> str:
    """A sentence written in metric units, for a reader of `units`: mm, kg, g, MPa and degrees C become
    inches, pounds, ounces, psi and degrees F."""
    if units == "mm":
        return text
    text = _LENGTHS.sub(_inches, text)
    text = _WEIGHT.sub(lambda m: weight_words(float(m[1]), units), text)
    text = _GLUE.sub(lambda m: glue_words(float(m[1]), units), text)
    text = _PRESSURE.sub(_psi, text)
    return _WARMTH.sub(lambda m: f"{float(m[1]) * 1.8 + 32:.0f} °F", text)


def _inches(found: re.Match[str]) -> str:
    first, between, second = found.groups()
    words = _inch_words(float(first))
    return words if second is None else f"{words}{between}{_inch_words(float(second))}"


def _inch_words(length_mm: float) -> str:
    """Feeler-gauge sizes in thousandths, small ones in 64ths, the rest in sixteenths."""
    if 0 < length_mm < _THIN_MM:
        return f'{length_mm / MM_PER_INCH:.3f}"'
    return format_inches(length_mm, per_inch=64 if length_mm < _SMALL_MM else 16)


def _psi(found: re.Match[str]) -> str:
    low, high = (None if v is None else f"{float(v) * PSI_PER_MPA:.0f}" for v in found.groups())
    return f"{low} psi" if high is None else f"{low} to {high} psi"
