"""Boards and layouts to files and back: what the command line reads and writes."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from grainmatch.disk import is_folder, read_bytes, sweep_parts, write_bytes
from grainmatch.errors import StoreError
from grainmatch.face.edits import Edits, marks_from_json
from grainmatch.glueup.fastening import plan_fastening
from grainmatch.glueup.plan import plan_glueup
from grainmatch.glueup.trim import plan_trim
from grainmatch.model import (
    Base,
    Board,
    Features,
    Layout,
    Placement,
    Pose,
    Progress,
    Score,
    Side,
    Tools,
    Wishes,
)
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.features import read_features
from grainmatch.pipeline.known import keep_features, read_known_features, read_known_pile, tell_boards
from grainmatch.report.page import Paper
from grainmatch.report.papers import write_papers
from grainmatch.report.record import (
    BOARDS_FILE,
    read_boards,
    read_boards_record,
    read_layout,
    sha256_of,
    write_boards,
    write_layout,
)
from grainmatch.report.top import draw_png
from grainmatch.score.problem import price_pile
from grainmatch.score.shortlist import shortlist_boards, tell_shortlist
from grainmatch.search.best import search_layouts
from grainmatch.units import LengthUnits
from grainmatch.wood.moisture import DEFAULT_ROOM, Room
from grainmatch.wood.top import predict_top_year

if TYPE_CHECKING:
    from grainmatch.board.correct import Correction
    from grainmatch.pipeline.gather import Measured

_WORKERS = 2


@dataclass(frozen=True, eq=False)
class _Proposal:
    """A layout before it lies in a folder, and its picture as the bytes (n,) of a PNG file."""

    layout: Layout
    png: NDArray[np.uint8]


_KINDS = (Layout, Placement, Pose, Score, _Proposal)


@dataclass(frozen=True)
class SavedLayout:
    """A layout and the file it was written to."""

    path: Path
    layout: Layout


def save_measured(measured: Measured, folder: Path) -> dict[str, Any]:
    """Write boards.json with the face pictures; returns the document as plain data.

    Raises StoreError when the disk refuses, and when no board was measured nothing is written.
    """
    if not measured.boards:
        return {"schema_version": 1, "warnings": list(measured.warnings), "boards": []}
    path = write_boards(
        folder, measured.boards, measured.features, warnings=measured.warnings, pngs=measured.pngs
    )
    keep_features(folder, measured.features)
    document: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return document


def read_corrections(path: Path) -> dict[str, tuple[Correction, ...]]:
    """Corrections by photo file name: {"photo.jpg": [{"kind": "RemoveBoard", "at_px": [x, y]}, ...]}.

    Raises StoreError for a file that cannot be read, BoardError for a correction that is none.
    """
    # With all that finds boards in photos, which arranging and papers need not wait for.
    from grainmatch.board.correct import correction_from_data

    try:
        data = json.loads(read_bytes(path, largest_mb=20, what="corrections file"))
        return {str(name): tuple(correction_from_data(c) for c in made) for name, made in data.items()}
    except (ValueError, AttributeError, TypeError, RecursionError) as error:
        raise StoreError(
            f"The corrections file {path.name} is damaged.", "Write it as a list for each photo's file name."
        ) from error


def read_marks_file(path: Path, boards_folder: Path) -> dict[tuple[str, Side], Edits]:
    """What is corrected on the faces of a folder's boards: {"schema_version": 1, "boards": {"3": {"A":
    {"added": [{"kind": "knot", "outline_mm": [[x, y], ...]}], "removed": [...]}}}}.

    Raises StoreError for a file that cannot be read or names a board that was not measured, BoardError for
    marks that make no sense.
    """
    edits = marks_from_json(read_bytes(path, largest_mb=20, what="marks file"))
    measured = {b.id for b in read_boards_record(boards_folder).boards}
    for board_id, _ in edits:
        if board_id not in measured:
            raise StoreError(
                f"{path.name} names board {board_id[:40]}, which was not measured.",
                f"Name the boards as {BOARDS_FILE} does.",
            )
    return edits


def folder_to_layouts(
    boards_folder: Path,
    out: Path,
    *,
    top_mm: tuple[float, float] | None = None,
    wishes: Wishes | None = None,
    n_best: int = 3,
    seed: int = 0,
    marks_file: Path | None = None,
    progress: Progress | None = None,
    cache: ReadingCache | None = None,
) -> list[SavedLayout]:
    """Search the best layouts of measured boards and write each with its picture, best first.

    marks_file: see `read_marks_file`; the layouts name it, for their papers to be made from it too. cache:
    prices of seams and answers kept from earlier runs; the search gives the same answer to the same question.
    """
    edits = read_marks_file(marks_file, boards_folder) if marks_file else {}
    wishes = wishes or Wishes()
    chosen = shortlist_boards(read_boards(boards_folder, pictures_of=()), top_mm=top_mm, wishes=wishes)
    ids = [b.id for b in chosen.boards]
    told = ("layouts", *tell_boards(boards_folder, ids, edits), top_mm, wishes, n_best, seed)
    found: Sequence[_Proposal] | None = cache.recall(told, _KINDS) if cache else None
    if found is None:
        if progress:
            progress(0, 0, "pricing every seam")
        length_mm = top_mm[0] if top_mm else None
        pile = read_known_pile(boards_folder, ids, length_mm=length_mm, edits=edits, cache=cache)
        problem = price_pile(pile, top_mm=top_mm, wishes=wishes)
        layouts = search_layouts(problem, n_best=n_best, seed=seed, progress=progress)
        found = _draw_proposals(boards_folder, [tell_shortlist(layout, chosen) for layout in layouts])
        if cache:
            cache.remember(told, found)
    source = {
        "boards": _path_from(out, boards_folder),
        "boards_sha256": sha256_of(boards_folder / BOARDS_FILE),
    }
    if marks_file:
        source |= {"marks": _path_from(out, marks_file), "marks_sha256": sha256_of(marks_file)}
    sweep_parts(out)
    saved = []
    for number, proposal in enumerate(found, 1):
        traced = replace(proposal.layout, made_from={**proposal.layout.made_from, **source})
        path = write_layout(out / f"layout_{number}.json", traced)
        write_bytes(out / f"top_{number}.png", proposal.png.tobytes())
        saved.append(SavedLayout(path, traced))
    return saved


def _draw_proposals(boards_folder: Path, layouts: Sequence[Layout]) -> tuple[_Proposal, ...]:
    boards = read_boards(boards_folder, pictures_of=_faces_up(layouts))
    with ThreadPoolExecutor(_WORKERS) as pool:
        pngs = pool.map(partial(draw_png, boards=boards), layouts)
    pictures = (np.frombuffer(png, dtype=np.uint8) for png in pngs)
    return tuple(_Proposal(layout, png) for layout, png in zip(layouts, pictures, strict=True))


def _faces_up(layouts: Iterable[Layout]) -> set[tuple[str, Side]]:
    """The faces that lie up in any of the layouts, by (board id, side)."""
    return {(p.board_id, p.pose.side_up) for layout in layouts for p in layout.placements}


def _path_from(folder: Path, path: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def layout_to_files(
    layout: Layout,
    boards: Sequence[Board],
    folder: Path,
    *,
    paper: Paper = "a4",
    units: LengthUnits = "mm",
    strips: bool = False,
    features: Mapping[tuple[str, Side], Features] | None = None,
    tools: Tools | None = None,
    base: Base | None = None,
    room: Room = DEFAULT_ROOM,
) -> list[Path]:
    """The papers for the clamps, the cut lists, drawings and pictures of one layout; returns the files.

    features: what was read from the faces before, None to read them now. tools: the shop's, None for a
    small shop's usual ones. base: what the top is fastened to. room: where the top will stand.
    """
    used = {p.board_id for p in layout.placements}
    chosen = [b for b in boards if b.id in used]
    known = read_features(chosen) if features is None else features
    marks = {key: found.marks for key, found in known.items()}
    trim = plan_trim(layout, boards, layout.top_mm, marks=marks)
    cut_width_mm = trim.cut_mm[3] - trim.cut_mm[1]
    base = base or Base()
    fastening = plan_fastening(
        predict_top_year(layout, boards, room=room),
        base.places_mm or usual_places_mm(cut_width_mm),
        screw_mm=base.screw_mm,
        fixed_line=base.fixed_line,
        traps=base.traps,
        top_width_mm=cut_width_mm,
    )
    return write_papers(
        folder,
        layout,
        boards,
        glueup=plan_glueup(layout, boards, tools=tools or Tools(), room=room),
        trim=trim,
        fastening=fastening,
        paper=paper,
        units=units,
        features=known,
        room=room,
        strips=strips,
    )


def usual_places_mm(width_mm: float) -> tuple[float, ...]:
    """Where a base usually meets a top, from its upper edge: near both edges and at the middle.

    A tenth of the width in from each edge; common practice, no source. The maker moves them to suit
    the base.
    """
    return (0.1 * width_mm, 0.5 * width_mm, 0.9 * width_mm)


def file_to_papers(
    layout_file: Path,
    folder: Path,
    *,
    paper: Paper = "a4",
    units: LengthUnits = "mm",
    strips: bool = False,
) -> list[Path]:
    """The papers of a saved layout, from the boards it was made from."""
    layout = read_layout(layout_file)
    place = boards_folder_of(layout, layout_file)
    edits = _edits_of(layout, layout_file, place)
    features = read_known_features(place, [p.board_id for p in layout.placements], edits)
    boards = read_boards(place, pictures_of=_faces_up([layout]))
    return layout_to_files(layout, boards, folder, paper=paper, units=units, strips=strips, features=features)


def _edits_of(layout: Layout, layout_file: Path, boards_folder: Path) -> dict[tuple[str, Side], Edits]:
    """What was corrected by hand when a layout file was made. Raises StoreError when that changed since."""
    if "marks" not in layout.made_from:
        return {}
    path = layout_file.parent / layout.made_from["marks"]
    edits = read_marks_file(path, boards_folder)
    if layout.made_from.get("marks_sha256") != sha256_of(path):
        raise StoreError(
            f"{path.name} changed after {layout_file.name} was made.", "Arrange the boards again."
        )
    return edits


def boards_folder_of(layout: Layout, layout_file: Path) -> Path:
    """The folder of measured boards a layout file was made from.

    Raises StoreError when their folder is gone or they were measured anew since.
    """
    place = layout.made_from.get("boards")
    if not place:
        raise StoreError(
            f"{layout_file.name} does not say which boards it was made from.",
            "Arrange the boards again, or write the papers from the app.",
        )
    folder = layout_file.parent / place
    if not is_folder(folder) or not (folder / BOARDS_FILE).is_file():
        raise StoreError(
            f"The boards of {layout_file.name} are not where they were when it was made.",
            "Put the folder with boards.json back in its place, or arrange the boards again.",
        )
    if layout.made_from.get("boards_sha256") not in (None, sha256_of(folder / BOARDS_FILE)):
        raise StoreError(
            f"The boards were measured anew after {layout_file.name} was made.", "Arrange the boards again."
        )
    return folder
