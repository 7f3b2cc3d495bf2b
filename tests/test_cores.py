"""Two calls side by side."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import cv2
import pytest

from grainmatch.cores import do_both


@pytest.fixture(params=[1, 2])
def threads_n(request: pytest.FixtureRequest) -> Iterator[int]:
    """OpenCV's own setting, which rules ours."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_both_are_done_each_by_a_thread_where_opencv_may_use_two(threads_n: int) -> None:
    first, second = do_both(threading.get_ident, threading.get_ident)
    assert first == threading.get_ident()
    assert (second == first) == (threads_n == 1)


def test_no_thread_is_left(threads_n: int) -> None:
    before = threading.active_count()
    do_both(int, str)
    assert threading.active_count() == before


def test_what_either_raises_is_raised(threads_n: int) -> None:
    with pytest.raises(ZeroDivisionError):
        do_both(lambda: 1 // 0, int)
    with pytest.raises(ZeroDivisionError):
        do_both(int, lambda: 1 // 0)
