"""What counts as standing firm: a result, or a refusal of two sentences. Anything else is a fault."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from typing import Literal

from grainmatch.cli import main
from grainmatch.errors import GrainmatchError

Verdict = Literal["done", "refused"]
LONGEST_SENTENCE = 500


def judge(call: Callable[[], object]) -> Verdict:
    """Run it. Raises AssertionError for a refusal that is badly said, and lets every other error through."""
    try:
        call()
    except GrainmatchError as error:
        check_sentence(error.message)
        check_sentence(error.advice)
        return "refused"
    return "done"


def check_sentence(text: str) -> None:
    """One line, one sentence, not endless."""
    assert text.endswith((".", "?", "!")), text
    assert text.isprintable(), f"more than one line, or control signs: {text!a}"
    assert 5 < len(text) < LONGEST_SENTENCE, text[:80]


def judge_command(argv: Sequence[str]) -> Verdict:
    """Run a command line in this process; its exit code and what it prints must fit each other."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with redirect_stdout(out), redirect_stderr(err):
            code = main(list(argv))
    except SystemExit as stop:
        code = 0 if stop.code == 0 else -1  # --help and --version leave this way, nothing else
    assert "Traceback" not in err.getvalue()
    if code == 0:
        return "done"
    assert code in (2, 3), code
    lines = err.getvalue().strip().splitlines()
    if code == 2:
        what, how = lines[-2:]
        check_sentence(what)
        check_sentence(how)
    else:
        assert lines, "a refusal says why"
        assert lines[-1].endswith((".", "?")), lines[-1]
    return "refused"
