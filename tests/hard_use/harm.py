"""Seeded harm to files: flipped bits, lost ends, foreign bytes, and values of JSON that mean no good."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from typing import Any

Harm = Callable[[bytearray, random.Random], None]


def harm_bytes(data: bytes, rng: random.Random) -> bytes:
    """The file with one to three things done to it."""
    hurt = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        if hurt:
            rng.choice(_HARMS)(hurt, rng)
    return bytes(hurt)


def flip_bit(data: bytes, rng: random.Random, *, start: int = 0) -> bytes:
    """The file with one bit flipped, at or after `start`."""
    hurt = bytearray(data)
    hurt[rng.randrange(start, len(hurt))] ^= 1 << rng.randrange(8)
    return bytes(hurt)


def _flip_anywhere(hurt: bytearray, rng: random.Random) -> None:
    hurt[rng.randrange(len(hurt))] ^= 1 << rng.randrange(8)


def _flip_in_header(hurt: bytearray, rng: random.Random) -> None:
    hurt[rng.randrange(min(len(hurt), 300))] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))


def _cut_end(hurt: bytearray, rng: random.Random) -> None:
    del hurt[rng.randrange(len(hurt)) :]


def _cut_out(hurt: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(hurt))
    del hurt[start : start + rng.randrange(1, 200)]


def _blank_out(hurt: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(hurt))
    stop = min(len(hurt), start + rng.randrange(1, 400))
    hurt[start:stop] = bytes([rng.choice((0, 0xFF))]) * (stop - start)


def _put_in(hurt: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(hurt))
    hurt[start:start] = rng.randbytes(rng.randrange(1, 200))


def _repeat_part(hurt: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(hurt))
    hurt[start:start] = hurt[start : start + rng.randrange(1, 300)]


def _giant_number(hurt: bytearray, rng: random.Random) -> None:
    at = rng.randrange(max(1, len(hurt) - 4))
    hurt[at : at + 4] = rng.choice(
        (b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f", b"\0\0\0\0")
    )


_HARMS: tuple[Harm, ...] = (
    _flip_anywhere, _flip_anywhere, _flip_in_header, _flip_in_header, _cut_end, _cut_out, _blank_out, _put_in,
    _repeat_part, _giant_number,
)  # fmt: skip


# --- JSON ------------------------------------------------------------------------------------

ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 1e-300, 1e308, -1e308, 10**400, 0.5, 99_999.0, float("nan"), float("inf"),
    "", "x", "A", "\0", "é\n" * 99, "NaN", "\ud800", "🪵" * 50, "x" * 5000, "../../../etc/passwd",
    "<img src=x onerror=alert(1)>", "=HYPERLINK(1)", [], {}, [[]], {"a": {}}, [0] * 1000,
)  # fmt: skip


def harm_json(document: Any, rng: random.Random) -> bytes:
    """A JSON document with one to three values replaced, removed, doubled or nested; as bytes."""
    hurt = copy.deepcopy(document)
    for _ in range(rng.choice((1, 1, 2, 3))):
        places = list(_places(hurt))
        if not places:
            break
        holder, key = rng.choice(places)
        _harm_place(holder, key, rng)
    text = json.dumps(hurt)
    if rng.random() < 0.1:
        text = rng.choice((text[: rng.randrange(len(text) + 1)], "[" * 100_000, text + "}", "\ufeff" + text))
    return text.encode("utf-8", "surrogatepass")


_FACTORS = (-1, 0, 1e-9, 0.01, 0.5, 2, 100, 1e6)
_ODD_TEXTS = (
    "", " ", "2", "A", "\0", "a\nb", "NaN", "🪵 木 ñ", "x" * 200, "../up", "C:\\con", "<b>&amp;</b>",
    "%(x)s", "=1+1",
    "]]>", "\u202eabc", "\x1b[31m", "999\n  0\nEOF", "(\\)", "a,b;\"c\"", "#", "-",
)  # fmt: skip


def bend_json(document: Any, rng: random.Random) -> bytes:
    """A JSON document whose values keep their types and become extreme: it may well be read, then used."""
    bent = copy.deepcopy(document)
    for _ in range(rng.choice((1, 2, 4))):
        holder, key = rng.choice(list(_places(bent)))
        holder[key] = _bend(holder[key], rng)
    return json.dumps(bent).encode()


def _bend(value: Any, rng: random.Random) -> Any:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float) and abs(value) < 1e300:
        return float(value * rng.choice(_FACTORS))
    if isinstance(value, str):
        return rng.choice(_ODD_TEXTS)
    if isinstance(value, list) and value:
        return rng.choice((value[1:], value + value[:1], value[::-1]))
    return value


def _harm_place(holder: Any, key: Any, rng: random.Random) -> None:
    act = rng.randrange(6)
    if act == 0:
        del holder[key]
    elif act == 1 and isinstance(holder, list):
        holder.insert(key, copy.deepcopy(holder[key]))
    elif act == 1:
        holder[rng.choice(("extra", "__proto__", ""))] = copy.deepcopy(rng.choice(ODD_VALUES))
    elif act == 2 and isinstance(holder[key], float) and abs(holder[key]) < 1e300:
        holder[key] = holder[key] * rng.choice((-1, 0, 1e-9, 0.01, 100, 1e6))
    else:
        holder[key] = copy.deepcopy(rng.choice(ODD_VALUES))


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a document that holds a value: (its holder, its key)."""
    entries: Iterator[tuple[Any, Any]]
    if isinstance(value, dict):
        entries = iter(list(value.items()))
    elif isinstance(value, list):
        # A few of a long list stand for all: otherwise every choice would fall on an outline's points.
        entries = iter(list(enumerate(value))[:4])
    else:
        return
    for key, inner in entries:
        yield value, key
        yield from _places(inner)
