"""A maker at work in a process of its own, until it is killed.

python -m tests.hard_use.busy KIND HOME        reports each thing done on stdout

It imports no more than its work needs, so that it soon begins.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
from pathlib import Path

from grainmatch.store import open_shop, write_archive

_PHOTO_BYTES = 400_000


def work(kind: str, home: Path) -> None:
    """Do one kind of work again and again, saying what is done only after it is."""
    if kind == "measure":
        photo, out = str(home / "bench.jpg"), str(home / "b")
        say_commands(["measure", photo, "--thickness", "27", "--fresh", "--out", out])
    elif kind == "arrange":
        say_commands(["arrange", str(home / "boards"), "--best", "2", "--out", str(home / "layouts")])
    shop = open_shop(home / "shop")
    shop.sweep()
    job = shop.list_jobs()[0]
    for n in range(1_000_000):
        if kind == "upload":
            shop.add_photo(job.id, f"{n}.jpg", photo_bytes(n % 150))
        elif kind == "edit":
            body = json.dumps({"n": n, "fill": "x" * 50_000})
            shop.add_layout(job.id, body, name="In work", kind="working")
        elif kind == "save":
            with shop.all_or_nothing():
                layout = shop.add_layout(job.id, json.dumps({"n": n}), name=f"L{n}")
                shop.choose_layout(job.id, layout.id)
                shop.update_job(job.id, details={"saved_n": n})
        else:
            write_archive(shop, job.id, home / "job.zip")
        say(n)


def say(n: int) -> None:
    """Report that piece n is done."""
    print(n, flush=True)


def say_commands(words: list[str]) -> None:
    """Run one command line for ever."""
    from grainmatch.cli import main as command

    for n in range(1_000_000):
        with contextlib.redirect_stdout(io.StringIO()):
            code = command(words)
        if code:
            raise SystemExit(code)
        say(n)


def photo_bytes(n: int) -> bytes:
    """What photo n holds: too much for one write to the disk, and known again by its number."""
    return f"photo {n} ".encode() * (_PHOTO_BYTES // 9)


if __name__ == "__main__":
    work(sys.argv[1], Path(sys.argv[2]))
