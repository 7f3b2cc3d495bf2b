"""The command line. It calls the pipeline, prints, and turns errors into exit codes.

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
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from grainmatch.errors import GrainmatchError, UsageError, WoodError
from grainmatch.model import Board, Placement
from grainmatch.options import read_arguments
from grainmatch.units import LengthUnits, format_length, format_measure

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
        arguments = read_arguments(argv)
        return _COMMANDS[arguments.command](arguments)
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
        _refuse_second_scale(arguments)
        measured = faces_to_boards(
            arguments.photos,
            px_per_mm=arguments.px_per_mm,
            thickness_mm=arguments.thickness,
            species=arguments.species,
            progress=_Progress(),
        )
        return _save(measured, arguments)
    known, known_in = _known_scales(arguments)
    measured = photos_to_boards(
        arguments.photos,
        thickness_mm=arguments.thickness,
        sheet_on=arguments.sheet_on,
        species=arguments.species,
        known=known,
        known_in=known_in,
        corrections=read_corrections(arguments.corrections) if arguments.corrections else {},
        progress=_Progress(),
        cache=None if arguments.fresh else usual_cache(),
        processes=PROCESSES,
    )
    code = _save(measured, arguments)
    _say_what_one_size_gave(known, [p for p in measured.by_typed_size if p not in known_in], arguments)
    return code


def _save(measured: Measured, arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.files import save_measured

    document = save_measured(measured, arguments.out)
    if arguments.json:
        _print_json(document)
    else:
        _print_boards(measured.boards, arguments.units)
        _print_what_they_make(measured.boards, arguments.units)
        _say(f"Wrote {len(measured.boards)} boards to {arguments.out}.")
    for warning in measured.warnings:
        _say(f"Note: {warning}")
    if len(measured.failures) > 1:
        _say(f"{len(measured.failures)} photos could not be used:")
    for failure in measured.failures:
        _say(f"{failure.photo}: {failure.message} {failure.advice}")
    return UNUSABLE if measured.failures else DONE


def _arrange(arguments: argparse.Namespace) -> int:
    from grainmatch.pipeline.cache import usual_cache
    from grainmatch.pipeline.files import folder_to_layouts
    from grainmatch.report.measures import restate
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
            print(f"  {restate(line, arguments.units)}")
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
    from grainmatch.report.measures import restate
    from grainmatch.wood.moisture import DEFAULT_ROOM
    from grainmatch.wood.movement import predict_movement_table

    table = predict_movement_table(
        arguments.species, room=arguments.room or DEFAULT_ROOM, width_mm=arguments.width
    )
    if arguments.json:
        _print_json(table.document())
    else:
        print("\n".join(restate(line, arguments.units) for line in table.lines(arguments.units)))
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


_COMMANDS: Mapping[str, Callable[[argparse.Namespace], int]] = {
    "sheet": _sheet,
    "measure": _measure,
    "arrange": _arrange,
    "papers": _papers,
    "check": _check,
    "wood": _wood,
    "buy": _buy,
    "app": _app,
}


# --- printing --------------------------------------------------------------------------------


class _Progress:
    """How far the work has come: a line written over on a terminal; at most two lines a second in a log."""

    def __init__(self) -> None:
        self._at_s = -math.inf
        self._said = ""
        self._terminal = sys.stderr.isatty()

    def __call__(self, done: int, total: int, text: str) -> None:
        now_s = time.monotonic()
        line = f"[{done}/{total}] {text}" if total else text
        if line == self._said or (not self._terminal and done < total and now_s - self._at_s < 0.5):
            return
        if not self._terminal:
            _say(line)
        else:
            room = shutil.get_terminal_size().columns - 1
            ending = "\n" if done == total else ""
            print(f"\r{line[:room]:<{room}}", end=ending, file=sys.stderr, flush=True)
        self._at_s, self._said = now_s, line


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _print_json(document: Any) -> None:
    json.dump(document, sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
    print()


def _print_boards(boards: Sequence[Board], units: LengthUnits) -> None:
    print(f"{'board':<8}{'length':>18}{'left width':>18}{'right width':>18}{'crook':>10}  faces")
    for board in boards:
        print(
            f"{board.id:<8}"
            f"{format_measure(board.length_mm, board.sigma_length_mm, units):>18}"
            f"{format_measure(board.start_width_mm, board.sigma_width_mm, units):>18}"
            f"{format_measure(board.end_width_mm, board.sigma_width_mm, units):>18}"
            f"{format_length(board.crook_mm, units):>10}  {''.join(face.side for face in board.faces)}"
        )


def _print_what_they_make(boards: Sequence[Board], units: LengthUnits) -> None:
    from grainmatch.report.measures import restate
    from grainmatch.wood.buying import find_possible_tops, tally_board_feet

    board_feet = tally_board_feet(boards)
    if boards and board_feet is not None:
        print(f"A yard counts them as {board_feet:.0f} board feet.")
    sizes = [f"{t.length_mm:.0f} x {t.width_mm:.0f} mm" for t in find_possible_tops(boards)]
    if sizes:
        words = f"Straightened and trimmed they make a top of up to {' or '.join(sizes[-3:])}."
        print(restate(words, units))


def _place_words(placement: Placement) -> str:
    turned = " turned" if placement.pose.turned else ""
    return f"{placement.board_id} face {placement.pose.side_up}{turned}"


def _known_scales(arguments: argparse.Namespace) -> tuple[KnownScale | None, dict[str, KnownScale]]:
    """What gives the scale in every photo without a sheet, and in single photos by file name."""
    from grainmatch.pipeline.pile import list_photos

    sizes = (arguments.known_paper, arguments.known_length, arguments.known_width)
    named = dict.fromkeys(name for said in (*sizes, arguments.known_board) for name in said)
    scales = {name: _known_scale(arguments, name) for name in named}
    everywhere = scales.pop("", None)
    if scales:
        photos = {path.name for path in list_photos(arguments.photos)}
        for name in scales:
            if name not in photos:
                raise UsageError(
                    f"'{name}' is none of the photos to measure.",
                    "Before the = goes a photo's file name, such as IMG_0001.jpg=1500mm.",
                )
    return everywhere, scales


def _refuse_second_scale(arguments: argparse.Namespace) -> None:
    """Raise UsageError where a known size is said of faces whose scale is given."""
    if arguments.known_paper or arguments.known_length or arguments.known_width:
        raise UsageError(
            "--px-per-mm gives the scale already, so no known size can.", "Leave out one of the two."
        )


def _known_scale(arguments: argparse.Namespace, photo: str) -> KnownScale:
    from grainmatch.photo.pose import KnownBoard, KnownPaper

    sizes = (arguments.known_paper, arguments.known_length, arguments.known_width)
    name = photo if any(photo in said for said in sizes) else ""
    paper, length_mm, width_mm = (said.get(name) for said in sizes)
    if paper and (length_mm or width_mm):
        raise UsageError(
            "Both a page of paper and a board's size are said to give the scale.", "Say one of them."
        )
    if paper:
        return KnownPaper(paper)
    if not (length_mm or width_mm):
        raise UsageError(
            "--known-board says which board it is, but nothing says its size.",
            "Add --known-length or --known-width.",
        )
    place = arguments.known_board.get(photo, arguments.known_board.get("", 1))
    return KnownBoard(length_mm, width_mm, place)


def _say_what_one_size_gave(
    known: KnownScale | None, photos: Sequence[str], arguments: argparse.Namespace
) -> None:
    """One typed size that gave the scale of several photos may be that of another board in some of them."""
    from grainmatch.photo.pose import KnownBoard

    if not isinstance(known, KnownBoard) or len(photos) < 2:
        return
    sides = {"long": known.length_mm, "wide": known.width_mm}
    size = " and ".join(f"{format_length(mm, arguments.units)} {side}" for side, mm in sides.items() if mm)
    option = "--known-length" if known.length_mm else "--known-width"
    _say(
        f"Note: {len(photos)} photos show no sheet ({', '.join(photos)}): in each of them "
        f"board {known.place} counted as {size}. Where that is another board, say its size for that "
        f"photo alone: {option} {photos[-1]}=LENGTH."
    )
