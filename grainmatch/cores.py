"""Two calls done side by side: threads, for where NumPy and OpenCV work long without the interpreter.

In one place, so that one setting rules it: where OpenCV was told to use one thread, as in processes that each
read a photo of their own, one is done after the other. The thread ends with its call. It pays over whole
pictures only: calls on small arrays spend as long on waiting for the interpreter as they gain.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

A = TypeVar("A")
B = TypeVar("B")


def do_both(first: Callable[[], A], second: Callable[[], B]) -> tuple[A, B]:
    """What two calls that know nothing of each other return."""
    if cv2.getNumThreads() < 2:
        return first(), second()
    with ThreadPoolExecutor(1) as beside:
        other = beside.submit(second)
        return first(), other.result()
