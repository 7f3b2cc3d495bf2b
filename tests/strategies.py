"""One home for the Hypothesis strategies: what people, other programs and ill will may hand us."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

UNITS = ["", "mm", "cm", "m", "in", "inch", "inches", "ft", '"', "'", "″", "′", "MM", "yd", "px", "%"]
LONG_DIGITS = "9" * 5000


def awkward_text(max_size: int = 60) -> st.SearchStrategy[str]:
    """Text as a form may send it: any letters, other scripts' digits, control signs, markup, long ones.

    No surrogates: neither a browser's form nor a command line in UTF-8 can carry them.
    """
    plain = st.text(st.characters(exclude_categories=["Cs"]), max_size=max_size)
    return plain | st.sampled_from(
        ["", " ", "\0", "\n", "<script>alert(1)</script>", "../../etc", "=1+1", "%s%n{}", "é" * 300, "١٢٣",
         "½", "NaN", "inf", "-1", "1e309", "0x10", "1_000", LONG_DIGITS, f"1/{LONG_DIGITS}",
         f"{LONG_DIGITS}/1"]
    )  # fmt: skip


def _number() -> st.SearchStrategy[str]:
    whole = st.integers(0, 10**9).map(str)
    decimal = st.tuples(whole, st.sampled_from([".", ","]), whole).map("".join)
    fraction = st.tuples(whole, st.integers(0, 64).map(str)).map("/".join)
    mixed = st.tuples(whole, st.sampled_from(["-", " ", " - ", "  "]), fraction).map("".join)
    return whole | decimal | fraction | mixed | awkward_text(8)


def typed_lengths() -> st.SearchStrategy[str]:
    """What may be typed where a length is asked for: mostly near to right."""
    parts = st.tuples(
        st.sampled_from(["", " ", "-", "+", "~"]),
        _number(),
        st.sampled_from(["", " "]),
        st.sampled_from(UNITS),
    )
    return parts.map("".join) | awkward_text()


def good_lengths() -> st.SearchStrategy[tuple[str, float]]:
    """A well-typed length and what it is in millimetres, worked out apart from the parser."""
    per_unit = {"": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4, "ft": 304.8}
    hundredths = st.integers(1, 90_000)

    def decimal(n: int, unit: str) -> tuple[str, float]:
        return f"{n // 100}.{n % 100:02d}{unit}", n / 100 * per_unit[unit]

    def mixed(whole: int, sixteenths: int, mark: str) -> tuple[str, float]:
        return f'{whole}{mark}{sixteenths}/16"', (whole + sixteenths / 16) * 25.4

    return st.builds(decimal, hundredths.filter(lambda n: n > 0), st.sampled_from(list(per_unit))).filter(
        lambda pair: 0 < pair[1] <= 100_000
    ) | st.builds(mixed, st.integers(1, 300), st.integers(1, 15), st.sampled_from(["-", " "]))


def typed_sizes() -> st.SearchStrategy[str]:
    """What may be typed where a top's size is asked for."""
    joined = st.tuples(
        typed_lengths(), st.sampled_from(["x", " x ", "×", "X", "*", "", "xx"]), typed_lengths()
    )
    return joined.map("".join) | awkward_text()


def json_values() -> st.SearchStrategy[Any]:
    """Any JSON value, odd numbers and long texts among them."""
    leaf = (
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
        | awkward_text(12)
    )  # fmt: skip
    return st.recursive(
        leaf, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(awkward_text(6), inner, max_size=4)
    )


def browser_items() -> st.SearchStrategy[Any]:
    """Placements as the large view of the top might send them, honest, careless or forged."""
    number = st.floats(-3000, 3000) | st.floats() | json_values()
    item = st.fixed_dictionaries(
        {
            "id": st.sampled_from(["1", "2", "3"]) | json_values(),
            "side": st.sampled_from(["A", "B"]) | json_values(),
            "turned": st.booleans() | json_values(),
            "slide_mm": number,
            "rip_mm": st.lists(number, min_size=2, max_size=2) | json_values(),
            "locked": st.booleans(),
        }
    )
    return st.lists(item, max_size=4) | json_values()


def _mostly(good: st.SearchStrategy[str], *odd: str) -> st.SearchStrategy[str]:
    # A case that is refused at its first word tests nothing else: nine in ten are right.
    wrong = awkward_text(10).filter(lambda t: "\0" not in t) | st.sampled_from(["", "nonsense", *odd])
    return st.integers(0, 9).flatmap(lambda n: wrong if n == 0 else good)


def _word(*good: str) -> st.SearchStrategy[str]:
    return _mostly(st.sampled_from(good))


def _rarely_left_out(option: st.SearchStrategy[list[str]]) -> st.SearchStrategy[list[str]]:
    return st.integers(0, 19).flatmap(lambda n: st.just([]) if n == 0 else option)


def _line(
    command: str,
    places: st.SearchStrategy[list[str]],
    needed: dict[str, st.SearchStrategy[str]],
    extra: dict[str, st.SearchStrategy[str] | None],
) -> st.SearchStrategy[list[str]]:
    """A command with its places, nearly always what it needs, and some of what it may take."""

    def option(name: str, value: st.SearchStrategy[str] | None) -> st.SearchStrategy[list[str]]:
        return st.just([name]) if value is None else st.tuples(st.just(name), value).map(list)

    pick = st.lists(st.one_of([option(n, v) for n, v in extra.items()]), max_size=3)
    must = [_rarely_left_out(option(name, value)) for name, value in needed.items()]
    parts = st.tuples(places, *must, pick.map(lambda found: [w for ws in found for w in ws]))
    return parts.map(lambda got: [command, *(w for words in got for w in words)])


def command_lines() -> st.SearchStrategy[list[str]]:
    """Command lines over the names `boards`, `layout.json`, `photo.jpg`, `text.txt` and made-up ones.

    Without NUL, which no system passes on a command line, and without `app`, which would start a server.
    """
    long = "x" * 300
    odd_places = ("text.txt", "nowhere", ".", "/dev/null", "text.txt/below", long, "photo.jpg", "boards")

    def place(*good: str) -> st.SearchStrategy[list[str]]:
        one = _mostly(st.sampled_from(good), *odd_places)
        return st.lists(one, min_size=1, max_size=1) | st.lists(one, max_size=3)

    out = _mostly(st.sampled_from(["out", "out/deep/er"]), "text.txt", "text.txt/below", long)
    length = _mostly(
        st.sampled_from(["27mm", "1-1/16in", "2.7cm"]), "1e9", "0", "1,700"
    ) | typed_lengths().filter(lambda t: "\0" not in t)
    size = _mostly(st.just("280x150mm"), "1x1", "100mx100m") | typed_sizes().filter(lambda t: "\0" not in t)
    number = _mostly(st.integers(0, 20).map(str), "-1", "1" * 30, "1" * 5000, "1.5")
    paper, units, seen = _word("a4", "letter"), _word("mm", "in"), {"--json": None}
    to = {"--out": out}
    return st.one_of(
        _line("sheet", st.just([]), to, {"--paper": paper, "--number": number}),
        _line("measure", place("photo.jpg"), {"--thickness": length, **to}, {
            "--sheet-on": _word("bench", "boards"), "--known-paper": paper,
            "--species": _word("cherry", "oak"), "--known-length": length, "--known-width": length,
            "--known-board": number, "--units": units, **seen}),
        _line("arrange", place("boards"), to, {
            "--top": size, "--best": number, "--seed": number, "--marks": _word("layout.json", "text.txt"),
            "--units": units, **seen}),
        _line("papers", place("layout.json"), to, {"--paper": paper, "--units": units, "--strips": None}),
        st.tuples(place("layout.json"), place("photo.jpg"), st.sampled_from([[], ["--json"]])).map(
            lambda got: ["check", *got[0], *got[1], *got[2]]),
        _line("wood", place("cherry", "red oak"), {}, {
            "--width": length, "--room": _word("heated and dry"), "--units": units, **seen}),
        _line("buy", st.just([]), {"--top": size, "--thickness": length}, {
            "--waste": number, "--units": units, **seen}),
        st.lists(awkward_text(8).filter(lambda t: "\0" not in t and t != "app"), max_size=3),
    )  # fmt: skip
