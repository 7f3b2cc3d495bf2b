"""Fields for lengths: each says its unit, and a bare number typed there has it.

What a field shows in inches is rounded to the sixteenth; left as shown, it stands for the exact length.
"""

from __future__ import annotations

from collections.abc import Sequence

from grainmatch.ui import desk
from grainmatch.units import parse_length_mm, parse_size_mm


def in_units(words: str) -> str:
    """A field's label with the unit of a bare number typed there.

    What is half typed does not outlive a change of units: with its label the field becomes another one.
    """
    return f"{words}, in {'inches' if desk.units() == 'in' else 'mm'}"


def read_length(typed: str, now_mm: float | None = None, *, decimals: int = 0) -> float:
    """A typed length, mm; `now_mm` when it still reads as `desk.length` shows that. Raises UsageError."""
    if now_mm is not None and typed.strip() == desk.length(now_mm, decimals=decimals):
        return now_mm
    return parse_length_mm(typed, desk.units())


def size_words(size_mm: Sequence[float] | None) -> str:
    """A top's length and width as a field shows them, empty where none is asked for."""
    return " x ".join(desk.length(mm) for mm in size_mm) if size_mm else ""


def read_size(typed: str, now_mm: Sequence[float] | None = None) -> tuple[float, float] | None:
    """A typed size of a top, mm; None for an empty field. Raises UsageError for what is none."""
    if not typed.strip():
        return None
    if now_mm is not None and typed.strip() == size_words(now_mm):
        length_mm, width_mm = now_mm
        return float(length_mm), float(width_mm)
    return parse_size_mm(typed, desk.units())
