"""Every error a user can meet: one sentence on what is wrong, one on what to do.

Only the command line and the app catch these. A poor but usable result is not an error; it is a
number (a sigma, a residual, a coherence) that the report shows.
"""

from __future__ import annotations


class GrainmatchError(Exception):
    """Base of all errors meant for the user.

    `message` says what is wrong, `advice` says what to do about it; both are whole sentences.
    """

    def __init__(self, message: str, advice: str) -> None:
        super().__init__(f"{message} {advice}")
        self.message = message
        self.advice = advice

    def __reduce__(self) -> tuple[type[GrainmatchError], tuple[str, str]]:
        # Errors cross process boundaries when photos are measured in a pool.
        return (type(self), (self.message, self.advice))


class UsageError(GrainmatchError):
    """An option or a typed value cannot be understood (exit code 2)."""


class PhotoError(GrainmatchError):
    """A photo cannot be read, or holds nothing that can be measured."""


class BoardError(GrainmatchError):
    """A board, or a set of boards, cannot be used as asked."""


class WoodError(GrainmatchError):
    """A species or a climate value is unknown or impossible."""


class LayoutError(GrainmatchError):
    """A layout cannot be made or does not fit its boards."""


class StoreError(GrainmatchError):
    """A saved file cannot be read or written."""
