"""A seam that does not show is doubted by what it leaves: one board far wider than the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grainmatch.board.doubts import MAY_BE_TWO, doubt_widths, tell_doubts
from grainmatch.board.outline import BoardOutline


def board(width_mm: float) -> BoardOutline:
    x = np.linspace(0, 1500, 33)
    upper, lower = (np.column_stack([x, np.full(33, y)]) for y in (0.0, width_mm))
    return BoardOutline(upper, lower, np.vstack([upper, lower[::-1]]))


def test_a_board_as_wide_as_two_is_doubted_with_what_to_do() -> None:
    told = doubt_widths([board(110), board(255), board(140), board(125)])
    assert [MAY_BE_TWO in o.notes for o in told] == [False, True, False, False]
    assert told[1].confidence < told[0].confidence == 1.0
    (words,) = tell_doubts(told)
    assert words.startswith("Board 2, 255 mm wide")
    assert "split" in words


def test_usual_wide_and_lone_boards_and_those_looked_at_are_not_doubted() -> None:
    for widths in ([110, 190], [230, 240, 180], [400], [60, 140]):
        assert tell_doubts(doubt_widths([board(w) for w in widths])) == ()
    looked_at = replace(doubt_widths([board(110), board(255)])[1], notes=(MAY_BE_TWO, "corner set by hand"))
    assert tell_doubts([looked_at]) == ()
