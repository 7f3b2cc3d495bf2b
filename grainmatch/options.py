"""What the command line takes: its commands, their options, and how what is typed is read."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

from grainmatch import __version__
from grainmatch.errors import UsageError
from grainmatch.units import LengthUnits, parse_length_mm, parse_size_mm

_MOST_BOARDS = 999


class _Parser(argparse.ArgumentParser):
    """argparse that says what is wrong and how to go on, in two sentences."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(
            f"{message[:1].upper()}{message[1:]}.", f"Run '{self.prog} --help' to see how it is used."
        )


def read_arguments(argv: Sequence[str] | None = None) -> argparse.Namespace:
    """What was typed: the `command` by name and its options, lengths in mm.

    A bare number has the unit of `--units`, where a command takes that, else mm. Options that may be said
    for one photo are mappings by file name; what counts for all photos is under "".
    Raises UsageError for what makes no sense.
    """
    arguments = make_parser().parse_args(argv)
    units: LengthUnits = getattr(arguments, "units", "mm")
    for name, read in _LENGTHS.items():
        if isinstance(text := getattr(arguments, name, None), str):
            setattr(arguments, name, read(text, units))
    for name, convert in _BY_PHOTO.items():
        if hasattr(arguments, name):
            setattr(arguments, name, _by_photo(getattr(arguments, name), convert, units))
    return arguments


def _by_photo(
    said: Sequence[str], convert: Callable[[str, LengthUnits], Any], units: LengthUnits
) -> Mapping[str, Any]:
    """Values said as `VALUE` or `PHOTO=VALUE`, by the photo's file name, "" for all photos."""
    parts = [text.rpartition("=") for text in said]
    return {Path(photo).name: convert(value, units) for photo, _, value in parts}


def make_parser() -> argparse.ArgumentParser:
    """The parser of all commands; lengths are left as typed (see `read_arguments`).

    It raises UsageError for what it cannot make sense of.
    """
    parser = _Parser(
        prog="grainmatch", description="Lay out boards for a table top from photos of the bench."
    )
    parser.add_argument("--version", action="version", version=f"grainmatch {__version__}")
    commands = parser.add_subparsers(required=True, dest="command", metavar="COMMAND")

    def add(name: str, words: str) -> argparse.ArgumentParser:
        added: argparse.ArgumentParser = commands.add_parser(
            name, help=words, description=f"{words[0].upper()}{words[1:]}."
        )
        return added

    _take_sheet(add("sheet", "write the reference sheet to print and lay by the boards"))
    _take_measure(add("measure", "find and measure the boards in photos"))
    _take_arrange(add("arrange", "search the best arrangements of measured boards"))
    _take_papers(add("papers", "write the papers for a layout"))
    _take_check(add("check", "compare a photo of the dry fit with the layout"))
    _take_wood(add("wood", "how much a width moves over a year"))
    _take_buy(add("buy", "how much wood to buy for a top"))
    _take_app(add("app", "open the app in the browser"))
    return parser


def _take_sheet(parser: argparse.ArgumentParser) -> None:
    _take_paper(parser)
    parser.add_argument(
        "--number", type=int, default=0, help="sheets with different numbers may share a photo (default 0)"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.pdf", help="where to write it")


def _take_measure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("photos", type=Path, nargs="+", metavar="PHOTO", help="photos, or folders of photos")
    parser.add_argument(
        "--thickness", required=True, metavar="LENGTH",
        help="of the boards, by caliper, such as 27mm or 1-1/16in",
    )  # fmt: skip
    parser.add_argument(
        "--sheet-on", choices=["bench", "boards"], default="bench",
        help="where the printed sheet lies (default: on the bench)",
    )  # fmt: skip
    parser.add_argument("--species", default="", metavar="NAME", help="of all the boards, such as cherry")
    parser.add_argument(
        "--known-paper", action="append", default=[], metavar="[PHOTO=]PAPER",
        help="no sheet: scale from a plain page of paper, a4 or letter",
    )  # fmt: skip
    for side in ("length", "width"):
        parser.add_argument(
            f"--known-{side}", action="append", default=[], metavar="[PHOTO=]LENGTH",
            help=f"no sheet: scale from one board's typed {side}, in the photo of that file name or in every "
            f"photo without a sheet; may be given once for each photo",
        )  # fmt: skip
    parser.add_argument(
        "--known-board", action="append", default=[], metavar="[PHOTO=]NUMBER",
        help="which board of the photo that is, in reading order (default 1)",
    )  # fmt: skip
    parser.add_argument(
        "--px-per-mm", type=_scale, metavar="SCALE",
        help="the pictures are single faces, already cropped, at this scale",
    )  # fmt: skip
    parser.add_argument(
        "--corrections", type=Path, metavar="FILE.json", help="boards and outlines corrected by hand"
    )
    parser.add_argument("--fresh", action="store_true", help="measure again what was measured before")
    _take_units(parser)
    _take_folder(parser, "boards.json and the faces' pictures")
    _take_json(parser)


def _take_arrange(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="what 'measure' wrote")
    parser.add_argument(
        "--top", metavar="LENGTHxWIDTH",
        help="size of the top, such as 1700x850mm (default: all boards at full length)",
    )  # fmt: skip
    parser.add_argument(
        "--best", type=_count, default=3, metavar="NUMBER", help="how many different proposals (default 3)"
    )
    parser.add_argument(
        "--seed", type=int, default=0, metavar="NUMBER", help="where the search begins (default 0)"
    )
    parser.add_argument("--marks", type=Path, metavar="FILE.json", help="marks of faces corrected by hand")
    _take_units(parser)
    _take_folder(parser, "the layouts and their pictures")
    _take_json(parser)


def _take_papers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("layout", type=Path, metavar="LAYOUT.json", help="a layout that 'arrange' wrote")
    _take_paper(parser)
    _take_units(parser)
    parser.add_argument("--strips", action="store_true", help="add strips of the seams at full size")
    _take_folder(parser, "the papers")


def _take_check(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("layout", type=Path, metavar="LAYOUT.json", help="a layout that 'arrange' wrote")
    parser.add_argument("photo", type=Path, metavar="PHOTO", help="the boards laid out, before the glue")
    _take_json(parser)


def _take_wood(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("species", metavar="SPECIES", help="such as cherry or 'red oak'")
    parser.add_argument("--width", default="1m", metavar="LENGTH", help="across the grain (default 1 m)")
    parser.add_argument(
        "--room", default="", help="such as 'heated and dry' (default: heated and humidified)"
    )
    _take_units(parser)
    _take_json(parser)


def _take_buy(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--top", required=True, metavar="LENGTHxWIDTH", help="such as 1700x850mm")
    parser.add_argument("--thickness", required=True, metavar="LENGTH", help="planed, as the top will be")
    parser.add_argument(
        "--waste", type=_percent, default=30.0, metavar="PERCENT",
        help="share of what is bought that ends as offcuts (default 30)",
    )  # fmt: skip
    _take_units(parser)
    _take_json(parser)


def _take_app(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--lan", action="store_true", help="let a phone on the local network in, with a passcode"
    )
    parser.add_argument("--port", type=int, default=8501, help="for the browser's address (default 8501)")


def _take_paper(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--paper", choices=["a4", "letter"], default="a4", help="in the printer (default a4)")


def _take_units(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--units", choices=["mm", "in"], default="mm",
        help="millimetres or inches, in what is printed and for numbers typed without a unit (default mm)",
    )  # fmt: skip


def _take_folder(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help=f"where to write {what}")


def _take_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of words")


def _percent(text: str) -> float:
    try:
        return float(text.removesuffix("%"))
    except ValueError:
        raise UsageError(f"'{text[:40]}' is no share.", "Type per cent, such as 30.") from None


def _scale(text: str) -> float:
    try:
        scale = float(text)
    except ValueError:
        scale = math.nan
    if not 0.05 <= scale <= 200:
        raise UsageError(f"The scale '{text}' cannot be used.", "Type pixels per millimetre, such as 5.9.")
    return scale


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 20:
        raise UsageError(f"'{text}' is not a number of proposals.", "Type a whole number from 1 to 20.")
    return int(text)


def _paper(text: str, units: LengthUnits) -> str:
    if text not in ("a4", "letter"):
        raise UsageError(f"'{text[:40]}' is no paper to go by.", "Use a4 or letter.")
    return text


def _place(text: str, units: LengthUnits) -> int:
    if not text.isdecimal() or not 1 <= int(text[:9]) <= _MOST_BOARDS:
        raise UsageError(
            f"'{text[:40]}' is not a board's number.", f"Type a whole number from 1 to {_MOST_BOARDS}."
        )
    return int(text)


_LENGTHS: Mapping[str, Callable[[str, LengthUnits], Any]] = {
    "thickness": parse_length_mm,
    "width": parse_length_mm,
    "top": parse_size_mm,
}
_BY_PHOTO: Mapping[str, Callable[[str, LengthUnits], Any]] = {
    "known_paper": _paper,
    "known_length": parse_length_mm,
    "known_width": parse_length_mm,
    "known_board": _place,
}
