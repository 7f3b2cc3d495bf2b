"""Where a face ends in a strip made by hand: sapwood is still board, its own side in shade is not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from grainmatch.board.border import BLOCKS, STEP_PX, Line, find_border, is_peak, list_lines
from grainmatch.board.edge import Strip, subdue_figure
from grainmatch.board.edge import _along_with as along_with
from grainmatch.board.edge import _block_say as block_say
from grainmatch.board.edge import _with_side as with_side
from grainmatch.board.outline import _fit_poly as fit_poly

T_PX = np.arange(-40.0, 30.5, STEP_PX)
SIDE_PX = 12.0
HEARTWOOD, SAPWOOD, BENCH = np.array([1.0, 1.0, 1.0]), np.array([1.5, 1.7, 1.9]), np.array([0.25, 0.3, 0.4])


def _border_px(sapwood_px: float, shade: float) -> float:
    """Where the border of a board is seen whose face ends at 0, pale as sapwood over the last sapwood_px."""
    rng = np.random.default_rng(0)
    look = np.where((T_PX + sapwood_px > 0)[:, None], SAPWOOD, HEARTWOOD)
    look = np.where((T_PX > 0)[:, None], shade * SAPWOOD, look)
    look = np.where((T_PX > SIDE_PX)[:, None], BENCH, look)
    light: NDArray[np.float32] = (look * rng.normal(1.0, 0.02, (64, len(T_PX), 1))).astype(np.float32)
    seen, side = np.ones(64, dtype=bool), np.full(64, SIDE_PX)
    strip = Strip(light, T_PX, side, BENCH, seen, subdue_figure(light, T_PX, -28.0))
    lines = list_lines(T_PX, -28.0, 6.0, curved=True)
    border = find_border(block_say(strip), light, seen, BENCH, T_PX, lines, side_px=side, face_until_px=-28.0)
    assert border is not None
    assert border.at(BLOCKS) == pytest.approx(border.middle_px, abs=0.5)
    return border.middle_px


@pytest.mark.parametrize("sapwood_px", [6.0, SIDE_PX, 18.0])
def test_sapwood_as_wide_as_the_side_shows_is_still_board(sapwood_px: float) -> None:
    assert _border_px(sapwood_px, shade=0.55) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("blur_px", [0.7, 1.5, 2.5])
def test_the_flank_of_a_blurred_edge_is_no_line_of_its_own(blur_px: float) -> None:
    change = np.exp(-0.5 * (T_PX / blur_px) ** 2) + 0.6 * np.exp(-0.5 * ((T_PX - SIDE_PX) / blur_px) ** 2)
    lines = list_lines(T_PX, -1.5 * SIDE_PX, 1.5 * SIDE_PX, curved=True)
    total = lines.total(np.tile(10 * change, (BLOCKS, 1)))
    edge = Line(0.0, 0.0, 0.0, 10.0)
    others = along_with(lines, total, edge)
    own = [line.middle_px for line in others if line.say > 0.3 * edge.say and is_peak(lines, total, line)]
    assert own == [SIDE_PX]


@pytest.mark.parametrize(
    ("top", "kind", "middle_px"),
    [
        (None, "foot", 0.0),
        (Line(0.5, 0.0, 0.0, 4.0), "side", 0.5),
        (Line(0.5, 9.0, 1.0, 4.0), "foot", 0.0),  # the border of sapwood, that slants
    ],
)
def test_bench_right_beyond_a_line_makes_it_a_foot_though_another_board_follows(
    top: Line | None, kind: str, middle_px: float
) -> None:
    mat = np.array([0.1, 0.5, 0.4])
    look = np.where((T_PX > 0)[:, None], 0.55 * HEARTWOOD, HEARTWOOD)
    look = np.where((T_PX > SIDE_PX)[:, None], 0.7 * mat, look)  # green, and in the boards' shade
    look = np.where((T_PX > 2 * SIDE_PX)[:, None], HEARTWOOD, look)
    light = np.tile(look, (64, 1, 1)).astype(np.float32)
    seen, side = np.ones(64, dtype=bool), np.full(64, SIDE_PX)
    strip = Strip(light, T_PX, side, mat, seen, light)
    others = [Line(2 * SIDE_PX, 0.0, 0.0, 6.0), *([top] if top else [])]
    steps = with_side(strip, Line(SIDE_PX, 0.0, 0.0, 5.0), others, SIDE_PX)
    assert (steps.kind, steps.line.middle_px) == (kind, middle_px)
    assert with_side(strip, Line(0.0, 0.0, 0.0, 5.0), [Line(SIDE_PX, 0.0, 0.0, 6.0)], SIDE_PX).kind == "side"


@pytest.mark.parametrize(
    ("bench", "found", "kind", "middle_px"),
    [
        (
            (0.1, 0.5, 0.4),
            Line(4.0, 3.0, 0.0, 5.0),
            "foot",
            0.0,
        ),  # sapwood begins half way down the side
        ((0.1, 0.5, 0.4), Line(0.5, 0.0, 0.0, 1.0), "foot", 0.0),  # hardly to be seen
        ((0.1, 0.5, 0.4), Line(0.5, 0.0, 0.0, 5.0), "side", 0.5),
        ((0.9, 0.7, 0.6), Line(4.0, 3.0, 0.0, 5.0), "side", 4.0),  # such a bench may as well be wood
    ],
)
def test_a_bench_unlike_wood_tells_the_edge_where_it_hardly_shows(
    bench: tuple[float, float, float], found: Line, kind: str, middle_px: float
) -> None:
    mat = np.array(bench)
    look = np.where((T_PX > 0)[:, None], 0.55 * SAPWOOD, HEARTWOOD)
    look = np.where((T_PX > SIDE_PX)[:, None], mat, look)
    light = np.tile(look, (64, 1, 1)).astype(np.float32)
    seen, side = np.ones(64, dtype=bool), np.full(64, SIDE_PX)
    strip = Strip(light, T_PX, side, mat, seen, light)
    steps = with_side(strip, found, [Line(SIDE_PX, 0.0, 0.0, 6.0)], SIDE_PX)
    assert (steps.kind, steps.line.middle_px) == (kind, middle_px)


def test_a_curve_is_not_drawn_on_where_nothing_of_it_is_seen() -> None:
    """An edge 1200 mm long that sags 6 mm: told all along it is a curve, by its right half a straight line:
    the other half of a curve drawn on would swing by more than edges sag."""
    x = np.linspace(-600.0, 600.0, 64)
    sag = 6 * (x / 600) ** 2 + np.random.default_rng(4).normal(0, 0.05, 64)
    whole, _ = fit_poly(x, sag, np.ones(64), 2, np.zeros(3))
    assert np.polyval(whole, x) == pytest.approx(sag, abs=0.3)
    half, _ = fit_poly(x, np.where(x > 0, sag, np.nan), np.ones(64), 2, np.zeros(3))
    assert half[0] == 0.0
    assert np.polyval(half, 300.0) == pytest.approx(1.5, abs=1.5)
