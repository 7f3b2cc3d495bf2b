"""The command line. It parses, calls the pipeline, prints, and turns errors into exit codes.

Exit codes: 0 done, 2 wrong use, 3 a photo or file could not be used (the rest were).
"""

from __future__ import annotations

import argparse
import io
import json
import math
import os
import shutil
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from grainmatch import __version__
from grainmatch.errors import GrainmatchError, UsageError, WoodError
from grainmatch.model import Board, Placement
from grainmatch.units import format_length, parse_length_mm, parse_size_mm

if TYPE_CHECKING:
    from grainmatch.photo.pose import KnownScale
    from grainmatch.pipeline.gather import Measured

DONE, WRONG_USE, UNUSABLE = 0, 2, 3
PROCESSES = min(os.cpu_count() or 1, 4)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="surrogateescape")  # file names in other encodings print as they are
    try:
        arguments = _parser().parse_args(argv)
        command: Callable[[argparse.Namespace], int] = arguments.command
        return command(arguments)
    except GrainmatchError as error:
        print(f"{error.message}\n{error.advice}", file=sys.stderr)
        return WRONG_USE if isinstance(error, UsageError | WoodError) else UNUSABLE
    except KeyboardInterrupt:
        print("\nStopped. What was saved before is untouched; photos read so far are kept.", file=sys.stderr)
        return 130


# --- commands --------------------------------------------------------------------------------


def _sheet(arguments: argparse.Namespace) -> int:
    from grainmatch.photo.sheet import write_sheet

    path = write_sheet(arguments.out, paper=arguments.paper, number=arguments.number)
    _say(f"Wrote {path}. Print it at 100 % and check that its line is 100 mm long.")
    return DONE


def _measure(arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.bare import faces_to_boards
    from grainmatch.pipeline.cache import usual_cache
    from grainmatch.pipeline.files import read_corrections
    from grainmatch.pipeline.pile import photos_to_boards

    if arguments.px_per_mm is not None:
        measured = faces_to_boards(
            arguments.photos,
            px_per_mm=arguments.px_per_mm,
            thickness_mm=arguments.thickness,
            species=arguments.species,
            progress=_Progress(),
        )
        return _save(measured, arguments)
    measured = photos_to_boards(
        arguments.photos,
        thickness_mm=arguments.thickness,
        sheet_on=arguments.sheet_on,
        species=arguments.species,
        known=_known_scale(arguments),
        corrections=read_corrections(arguments.corrections) if arguments.corrections else {},
        progress=_Progress(),
        cache=None if arguments.fresh else usual_cache(),
        processes=PROCESSES,
    )
    return _save(measured, arguments)


def _save(measured: Measured, arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.files import save_measured

    document = save_measured(measured, arguments.out)
    if arguments.json:
        _print_json(document)
    else:
        _print_boards(measured.boards)
        _print_what_they_make(measured.boards)
        _say(f"Wrote {len(measured.boards)} boards to {arguments.out}.")
    _warn(measured.warnings)
    if len(measured.failures) > 1:
        _say(f"{len(measured.failures)} photos could not be used:")
    for failure in measured.failures:
        _say(f"{failure.photo}: {failure.message} {failure.advice}")
    return UNUSABLE if measured.failures else DONE


def _arrange(arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.cache import usual_cache
    from grainmatch.pipeline.files import folder_to_layouts
    from grainmatch.report.score_words import describe_score

    results = folder_to_layouts(
        arguments.folder,
        arguments.out,
        top_mm=arguments.top,
        n_best=arguments.best,
        seed=arguments.seed,
        marks_file=arguments.marks,
        progress=_Progress(),
        cache=usual_cache(),
    )
    if arguments.json:
        _print_json(
            {"layouts": [json.loads(r.path.read_text("utf-8")) | {"file": r.path.name} for r in results]}
        )
        return DONE
    for number, result in enumerate(results, 1):
        proof = "proven best for this score" if result.layout.proven_optimal else "best found, not proven"
        print(f"Layout {number} ({proof}): {result.path}")
        print("  " + " | ".join(_place_words(p) for p in result.layout.placements))
        for line in [*describe_score(result.layout.score), *result.layout.remarks]:
            print(f"  {line}")
    return DONE


def _papers(arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.files import file_to_papers

    for path in file_to_papers(
        arguments.layout, arguments.out, paper=arguments.paper, units=arguments.units, strips=arguments.strips
    ):
        print(path)
    return DONE


def _check(arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.check import check_dry_fit

    checked = check_dry_fit(arguments.layout, arguments.photo)
    if arguments.json:
        _print_json(checked.document())
    else:
        print("\n".join(checked.sentences))
    return DONE


def _app(arguments: argparse.Namespace) -> int:
    from grainmatch.ui.launch import run_app

    return run_app(lan=arguments.lan, port=arguments.port)


def _wood(arguments: argparse.Namespace) -> int:
    from grainmatch.wood.moisture import DEFAULT_ROOM
    from grainmatch.wood.movement import predict_movement_table

    table = predict_movement_table(
        arguments.species, room=arguments.room or DEFAULT_ROOM, width_mm=arguments.width
    )
    if arguments.json:
        _print_json(table.document())
    else:
        print("\n".join(table.lines(arguments.units)))
    return DONE


def _buy(arguments: argparse.Namespace) -> int:
    from grainmatch.wood.buying import plan_purchase

    purchase = plan_purchase(
        top_mm=arguments.top, thickness_mm=arguments.thickness, waste_frac=arguments.waste / 100
    )
    if arguments.json:
        _print_json(purchase.document())
    else:
        print("\n".join(purchase.lines(arguments.units)))
    return DONE


# --- parsing ---------------------------------------------------------------------------------


class _Parser(argparse.ArgumentParser):
    """argparse that says what is wrong and how to go on, in two sentences."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(
            f"{message[:1].upper()}{message[1:]}.", f"Run '{self.prog} --help' to see how it is used."
        )


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="grainmatch", description="Lay out boards for a table top from photos of the bench."
    )
    parser.add_argument("--version", action="version", version=f"grainmatch {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    sheet = commands.add_parser("sheet", help="write the reference sheet to print and lay by the boards")
    sheet.add_argument("--paper", choices=["a4", "letter"], default="a4")
    sheet.add_argument(
        "--number", type=int, default=0, help="sheets with different numbers may share a photo"
    )
    sheet.add_argument("--out", type=Path, required=True, metavar="FILE.pdf")
    sheet.set_defaults(command=_sheet)

    measure = commands.add_parser("measure", help="find and measure the boards in photos")
    measure.add_argument(
        "photos", type=Path, nargs="+", metavar="PHOTO", help="photos, or a folder of photos"
    )
    measure.add_argument(
        "--thickness", type=_length, required=True, help="of the boards, such as 27mm or 1-1/16in"
    )
    measure.add_argument("--sheet-on", choices=["bench", "boards"], default="bench")
    measure.add_argument("--species", default="", metavar="NAME")
    measure.add_argument("--known-paper", choices=["a4", "letter"], help="scale from a plain sheet of paper")
    measure.add_argument("--known-length", type=_length, help="scale from one board's typed length")
    measure.add_argument("--known-width", type=_length, help="scale from one board's typed width")
    measure.add_argument("--known-board", type=int, default=1, help="which board that is, in reading order")
    measure.add_argument(
        "--px-per-mm", type=_scale, help="the pictures are single faces, already cropped, at this scale"
    )
    measure.add_argument("--corrections", type=Path, metavar="FILE.json", help="changes made by hand")
    measure.add_argument("--fresh", action="store_true", help="measure again what was measured before")
    measure.add_argument("--out", type=Path, required=True, metavar="FOLDER")
    measure.add_argument("--json", action="store_true")
    measure.set_defaults(command=_measure)

    arrange = commands.add_parser("arrange", help="search the best arrangements of measured boards")
    arrange.add_argument("folder", type=Path, metavar="FOLDER", help="what 'measure' wrote")
    arrange.add_argument("--top", type=_size, help="length x width, such as 1700x850mm")
    arrange.add_argument("--best", type=_count, default=3, help="how many different proposals (default 3)")
    arrange.add_argument("--seed", type=int, default=0)
    arrange.add_argument("--marks", type=Path, metavar="FILE.json", help="marks of faces corrected by hand")
    arrange.add_argument("--out", type=Path, required=True, metavar="FOLDER")
    arrange.add_argument("--json", action="store_true")
    arrange.set_defaults(command=_arrange)

    papers = commands.add_parser("papers", help="write the papers for a layout")
    papers.add_argument("layout", type=Path, metavar="LAYOUT.json")
    papers.add_argument("--paper", choices=["a4", "letter"], default="a4")
    papers.add_argument("--units", choices=["mm", "in"], default="mm")
    papers.add_argument("--strips", action="store_true", help="add true-size edge strips")
    papers.add_argument("--out", type=Path, required=True, metavar="FOLDER")
    papers.set_defaults(command=_papers)

    check = commands.add_parser("check", help="compare a photo of the dry fit with the layout")
    check.add_argument("layout", type=Path, metavar="LAYOUT.json")
    check.add_argument("photo", type=Path, metavar="PHOTO")
    check.add_argument("--json", action="store_true")
    check.set_defaults(command=_check)

    wood = commands.add_parser("wood", help="how much a width moves over a year")
    wood.add_argument("species", metavar="SPECIES")
    wood.add_argument("--width", type=_length, default=1000.0)
    wood.add_argument("--room", default="", help="such as 'heated and dry'")
    wood.add_argument("--units", choices=["mm", "in"], default="mm")
    wood.add_argument("--json", action="store_true")
    wood.set_defaults(command=_wood)

    buy = commands.add_parser("buy", help="how much wood to buy for a top")
    buy.add_argument("--top", type=_size, required=True, metavar="LENGTHxWIDTH")
    buy.add_argument("--thickness", type=_length, required=True, help="planed, as the top will be")
    buy.add_argument("--waste", type=_percent, default=30.0, metavar="PERCENT")
    buy.add_argument("--units", choices=["mm", "in"], default="mm")
    buy.add_argument("--json", action="store_true")
    buy.set_defaults(command=_buy)

    app = commands.add_parser("app", help="open the app in the browser")
    app.add_argument(
        "--lan", action="store_true", help="let a phone on the local network in, with a passcode"
    )
    app.add_argument("--port", type=int, default=8501)
    app.set_defaults(command=_app)
    return parser


def _length(text: str) -> float:
    return parse_length_mm(text)


def _size(text: str) -> tuple[float, float]:
    return parse_size_mm(text)


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


# --- printing --------------------------------------------------------------------------------


class _Progress:
    """How far the work has come: a line written over on a terminal; at most two lines a second in a log."""

    def __init__(self) -> None:
        self._at_s = -math.inf
        self._terminal = sys.stderr.isatty()

    def __call__(self, done: int, total: int, text: str) -> None:
        now_s = time.monotonic()
        if not self._terminal and done < total and now_s - self._at_s < 0.5:
            return
        line = f"[{done}/{total}] {text}" if total else text
        if not self._terminal:
            _say(line)
        else:
            room = shutil.get_terminal_size().columns - 1
            ending = "\n" if done == total else ""
            print(f"\r{line[:room]:<{room}}", end=ending, file=sys.stderr, flush=True)
        self._at_s = now_s


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _warn(warnings: Sequence[str]) -> None:
    for warning in warnings:
        _say(f"Note: {warning}")


def _print_json(document: Any) -> None:
    json.dump(document, sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
    print()


def _print_boards(boards: Sequence[Board]) -> None:
    print(f"{'board':<8}{'length':>16}{'left width':>16}{'right width':>16}{'crook':>10}  faces")
    for board in boards:
        print(
            f"{board.id:<8}"
            f"{_with_sigma(board.length_mm, board.sigma_length_mm):>16}"
            f"{_with_sigma(board.start_width_mm, board.sigma_width_mm):>16}"
            f"{_with_sigma(board.end_width_mm, board.sigma_width_mm):>16}"
            f"{format_length(board.crook_mm):>10}  {''.join(face.side for face in board.faces)}"
        )


def _print_what_they_make(boards: Sequence[Board]) -> None:
    from grainmatch.wood.buying import find_possible_tops, tally_board_feet

    board_feet = tally_board_feet(boards)
    if boards and board_feet is not None:
        print(f"A yard counts them as {board_feet:.0f} board feet.")
    sizes = [f"{t.length_mm:.0f} x {t.width_mm:.0f} mm" for t in find_possible_tops(boards)]
    if sizes:
        print(f"Straightened and trimmed they make a top of up to {' or '.join(sizes[-3:])}.")


def _with_sigma(value_mm: float, sigma_mm: float) -> str:
    return f"{value_mm:.1f} ± {sigma_mm:.1f} mm"


def _place_words(placement: Placement) -> str:
    turned = " turned" if placement.pose.turned else ""
    return f"{placement.board_id} face {placement.pose.side_up}{turned}"


def _known_scale(arguments: argparse.Namespace) -> KnownScale | None:
    from grainmatch.photo.pose import KnownBoard, KnownPaper

    if arguments.known_paper:
        return KnownPaper(arguments.known_paper)
    if arguments.known_length or arguments.known_width:
        return KnownBoard(arguments.known_length, arguments.known_width, arguments.known_board)
    return None
