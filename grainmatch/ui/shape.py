"""The predicted shape of the top over the year, drawn across its width."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from grainmatch.report.measures import restate
from grainmatch.units import LengthUnits
from grainmatch.wood.top import SeasonShape, TopYear

_WIDTH, _ROW, _LEFT, _RIGHT = 440.0, 104.0, 12.0, 12.0
_TALLEST = 40.0
_STYLES = (("#0b6fb8", ""), ("#8a5a00", "9 5"), ("#5b4632", "2 4"), ("#b3261e", "12 4 2 4"))
_GROWTHS = (1, 2, 5, 10, 20, 50, 100)


def draw_shape(year: TopYear, *, thickness_mm: float, units: LengthUnits = "mm") -> str:
    """An SVG picture of the top's cross-section in each season, heights drawn larger than life.

    units: of the lengths written in it.
    """
    scale = (_WIDTH - _LEFT - _RIGHT) / max(float(s.across_mm[-1]) for s in year.seasons)
    growth = growth_for(year.seasons, scale)
    rows = [
        _draw_season(season, _STYLES[k % len(_STYLES)], k, scale, growth, thickness_mm, units)
        for k, season in enumerate(year.seasons)
    ]
    height = _ROW * len(rows)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" role="img" '
        f'aria-label="Shape of the top in each season, heights {growth} times larger than life">'
        f'<rect width="{_WIDTH:g}" height="{height:g}" fill="#faf9f6"/>{"".join(rows)}</svg>'
    )


def growth_for(seasons: Sequence[SeasonShape], scale: float) -> int:
    """How many times larger than life heights are drawn: the most that fits a row."""
    highest = max((float(np.ptp(_resting(s))) for s in seasons), default=0.0)
    fitting = [g for g in _GROWTHS if highest * scale * g <= _TALLEST]
    return fitting[-1] if fitting else 1


def _draw_season(
    season: SeasonShape,
    style: tuple[str, str],
    row: int,
    scale: float,
    growth: int,
    thickness_mm: float,
    units: LengthUnits,
) -> str:
    colour, dashes = style
    base = _ROW * row + 62.0
    x = _LEFT + season.across_mm * scale
    rise = _resting(season)
    y = base - (rise - (rise.max() + rise.min()) / 2) * scale * growth
    thick = max(4.0, thickness_mm * scale)
    upper = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    lower = " ".join(f"{a:.1f},{b + thick:.1f}" for a, b in zip(x[::-1], y[::-1], strict=True))
    words = (
        f"{season.season}: {season.moisture_pct:.1f} % moisture, {season.out_of_flat_mm:.1f} mm out of flat, "
        f"width {season.width.change_mm:+.1f} mm"
    )
    return (
        f'<polygon points="{upper} {lower}" fill="{colour}" fill-opacity="0.12"/>'
        f'<polyline points="{upper}" fill="none" stroke="{colour}" stroke-width="2.5" '
        f'stroke-dasharray="{dashes}"/>'
        f'<line x1="{_LEFT}" x2="{x[-1]:.1f}" y1="{base:.1f}" y2="{base:.1f}" stroke="#999"/>'
        f'<text x="{_LEFT}" y="{_ROW * row + 18:.1f}" font-family="sans-serif" font-size="14" fill="#222">'
        f"{_escape(restate(words, units))}</text>"
    )


def _resting(season: SeasonShape) -> NDArray[np.float64]:
    """Heights of the top over the straight line that lies closest to it: how it would rest."""
    slope, level = np.polyfit(season.across_mm, season.rise_mm, 1)
    return np.asarray(season.rise_mm - (slope * season.across_mm + level), dtype=np.float64)


def _escape(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
