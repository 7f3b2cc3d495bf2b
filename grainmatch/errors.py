"""Every error a user can meet: one sentence on what is wrong, one on what to do.

Only the command line and the app catch these. A poor but usable result is not an error; it is a
number (a sigma, a residual, a coherence) that the report shows.
"""

from __future__ import annotations

_LONGEST = 400


class GrainmatchError(Exception):
    """Base of all errors meant for the user.

    `message` says what is wrong, `advice` says what to do about it; both are whole sentences. What they
    quote may come from anywhere: it is brought onto one line, without control signs, and cut when endless.
    """

    def __init__(self, message: str, advice: str) -> None:
        self.message = _one_line(message)
        self.advice = _one_line(advice)
        super().__init__(f"{self.message} {self.advice}")

    def __reduce__(self) -> tuple[type[GrainmatchError], tuple[str, str]]:
        # Errors cross process boundaries when photos are measured in a pool.
        return (type(self), (self.message, self.advice))


def _one_line(text: str) -> str:
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in " ".join(text.split()))
    if len(plain) <= _LONGEST:
        return plain
    return f"{plain[: _LONGEST // 2]} ... {plain[-_LONGEST // 3 :]}"


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
