"""A seam that does not show is doubted by what it leaves: one board far wider than the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grainmatch.board.doubts import MAY_BE_TWO, doubt_shapes, doubt_widths, tell_doubts
from grainmatch.board.outline import UNSEEN_SIGMA_MM, BoardOutline
from grainmatch.geometry import Camera
from grainmatch.model import Bench, Photo
from grainmatch.photo.light import flat_light


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


def _told(*outlines: BoardOutline, whole: bool = True) -> tuple[str, ...]:
    """Of boards seen straight from above at one pixel a millimetre, in a photo of 1600 x 900 pixels."""
    camera = Camera(1000.0, (0.0, 0.0), 0.0, np.eye(3), np.array([0.0, 0.0, 1000.0]))
    photo = Photo("bench.jpg", np.zeros((900, 1600, 3), dtype=np.uint8), None, "")
    bench = Bench(photo, camera, 0.0, flat_light(photo), 1.0, 0.001, "a test")
    return tell_doubts(doubt_shapes(bench, outlines), whole=whole)


def _moved(outline: BoardOutline, by_mm: float) -> BoardOutline:
    shift = np.array([by_mm, 300.0])
    return replace(outline, upper_mm=outline.upper_mm + shift, lower_mm=outline.lower_mm + shift)


def test_an_end_that_the_picture_cuts_off_is_told_but_not_of_a_part() -> None:
    (words,) = _told(_moved(board(120), 100.0))
    assert words.startswith("The right end of board 1 runs out of the picture")
    assert _told(_moved(board(120), 100.0), whole=False) == ()
    assert _told(_moved(board(120), 50.0)) == ()
    aslant = _moved(board(120), 100.0)  # as the rim cuts a board that lies aslant in the picture
    upper = aslant.upper_mm + np.where(np.arange(33) == 32, 40.0, 0.0)[:, None] * np.array([1.0, 0.0])
    aslant = replace(aslant, upper_mm=upper)
    assert _told(aslant, whole=False) == ()
    assert len(_told(aslant)) == 1
    (words,) = _told(_moved(board(120), 0.0))
    assert words.startswith("The left end")


def test_an_end_far_out_of_square_is_told_with_its_angle_and_a_usual_one_is_not() -> None:
    whole = _moved(board(120), 50.0)
    for slant_mm, told in ((36.0, "The left end of board 1 looks 17 degrees out of square"), (15.0, None)):
        lower = whole.lower_mm.copy()
        lower[0, 0] -= slant_mm
        words = _told(replace(whole, lower_mm=lower))
        assert [w.startswith(told) for w in words] == [True] if told else words == ()


def test_an_end_that_is_no_one_straight_cut_is_told_once() -> None:
    whole = _moved(board(120), 50.0)
    (words,) = _told(replace(whole, sigma_mm=(0.2, 0.2, 0.3, 0.9)))
    assert words.startswith("The right end of board 1 is no one straight cut")
    assert "split" in words
    assert _told(replace(whole, sigma_mm=(1.5, 1.5, 0.3, 0.3))) == ()  # as sure as any end at a pixel a mm
    assert len(_told(replace(whole, sigma_mm=(0.2, 0.2, 0.3, 0.9), notes=(MAY_BE_TWO,)))) == 1


def test_ragged_ends_of_most_boards_are_told_once_of_the_bench() -> None:
    ragged = replace(_moved(board(120), 50.0), sigma_mm=(0.2, 0.2, 0.9, 0.9))
    straight = replace(ragged, sigma_mm=(0.2, 0.2, 0.2, 0.2))
    (words,) = _told(ragged, straight, ragged)
    assert "too much like the wood" in words
    assert "another colour" in words
    assert len(_told(ragged, straight, straight)) == 2
    looked_at = replace(ragged, notes=("outline by hand",))
    assert _told(looked_at, looked_at, looked_at) == ()


def test_a_board_far_narrower_at_one_end_is_told_and_one_of_usual_taper_is_not() -> None:
    whole = _moved(board(120), 50.0)
    for narrower_mm, told in ((50.0, True), (12.0, False)):
        lower = whole.lower_mm - np.linspace(0, narrower_mm, 33)[:, None] * np.array([0.0, 1.0])
        words = _told(replace(whole, lower_mm=lower))
        assert [w.startswith("Board 1 is far narrower at one end") for w in words] == [True] * told


def test_a_long_edge_that_hardly_shows_is_told() -> None:
    seen = _moved(board(110), 50)
    unseen = replace(seen, sigma_mm=(0.2, UNSEEN_SIGMA_MM, 0.2, 0.2))
    (words,) = _told(seen, unseen)
    assert words.startswith("The lower edge of board 2 hardly shows")
