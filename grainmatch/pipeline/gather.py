"""Readings of single photos -> boards: which photo shows what, backs to fronts, ends to boards."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from grainmatch.board.ends import EndPicture, match_ends
from grainmatch.board.pair import pair_faces, swap_faces
from grainmatch.errors import BoardError
from grainmatch.face.bark import bark_side_of_pair
from grainmatch.model import Board, EndGrain, Features, Side
from grainmatch.report.pack import let_go
from grainmatch.report.png import FacePngs

Shows = Literal["show", "back", "ends", "unsaid"]
_WORDS: dict[str, Shows] = {
    "end": "ends", "ends": "ends",
    "back": "back", "backs": "back", "rear": "back",
    "show": "show", "front": "show", "face": "show", "faces": "show",
}  # fmt: skip
PART = re.compile(r"[^a-z0-9]*part[^a-z0-9]*\d+")
"""What the names of photos have that show stretches of the same long boards, in small letters."""


@dataclass(frozen=True)
class Failure:
    """A photo that could not be used, and why."""

    photo: str
    message: str
    advice: str


@dataclass(frozen=True, eq=False)
class FaceReading:
    """What is read from one face, and its pictures as they go to disk."""

    features: Features
    pngs: FacePngs


@dataclass(frozen=True, eq=False)
class Reading:
    """What one photo gave: boards with one face each and what was read from it, or board ends and their
    rings.

    names and turned_over hold, for each board, the name the user gave it (None: to be numbered) and
    whether the face seen here was said to be its back. by_typed_size: no sheet gave the scale, but the
    typed size of one of the boards.
    """

    path: Path
    shows: Shows
    boards: tuple[Board, ...] = ()
    names: tuple[str | None, ...] = ()
    turned_over: tuple[bool, ...] = ()
    faces: tuple[FaceReading, ...] = ()
    ends: tuple[EndPicture, ...] = ()
    rings: tuple[EndGrain, ...] = ()
    warnings: tuple[str, ...] = ()
    failure: Failure | None = None
    by_typed_size: bool = False


@dataclass(frozen=True, eq=False)
class Measured:
    """All boards of a set of photos, what was read from their faces, and what to tell the user.

    pngs: the pictures of faces as they go to disk, where they were encoded already. by_typed_size: the
    photos, by file name, that a board's typed size gave the scale.
    """

    boards: tuple[Board, ...]
    features: Mapping[tuple[str, Side], Features]
    warnings: tuple[str, ...] = ()
    failures: tuple[Failure, ...] = ()
    pngs: Mapping[tuple[str, Side], FacePngs] = field(default_factory=dict)
    by_typed_size: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Gathered:
    """Boards numbered over all photos, what was read from their faces, and what to ask the user."""

    boards: tuple[Board, ...]
    faces: dict[tuple[str, Side], FaceReading]
    questions: tuple[str, ...]


def tell_what_it_shows(stem: str) -> Shows:
    """What a photo shows, from the words in its file name."""
    found = [_WORDS[w] for w in re.findall(r"[a-z]+", stem.lower()) if w in _WORDS]
    return next((what for what in ("ends", "back") if what in found), found[0] if found else "unsaid")


def gather_boards(readings: Sequence[Reading]) -> Gathered:
    """Join the photos of one pile: fronts in the order given, each with its back, then the ends.

    A back belongs to the front whose file name differs only in the word for the side, else to the one
    front all its boards fit in order and size. What does not fit is asked about, never guessed.
    """
    fronts, backs, questions = _sort_faces([r for r in readings if r.boards])
    boards: list[Board] = []
    turned_over: list[bool] = []
    for front in fronts:
        names = front.names or (None,) * len(front.boards)
        numbered = [
            replace(b, id=name or str(len(boards) + k))
            for k, (b, name) in enumerate(zip(front.boards, names, strict=True), 1)
        ]
        back = backs.get(front.path)
        pairs = pair_faces(numbered, back.boards if back else ())
        boards += [p.board for p in pairs]
        for reading in (front, back) if back else (front,):
            let_go(reading.boards[0].faces[0].rgb)  # looked at one by one, a yard's pile would add up
        turned_over += front.turned_over or (False,) * len(front.boards)
        questions += [p.question for p in pairs if p.question]
    if len({b.id for b in boards}) != len(boards):
        raise BoardError("Two boards have the same name.", "Give each board its own name.")
    boards, end_questions = _give_ends(boards, readings)
    boards = [swap_faces(b) if over else b for b, over in zip(boards, turned_over, strict=True)]
    faces = _faces_of(boards, readings)
    boards = [_guess_bark_side(b, faces) for b in boards]
    return Gathered(tuple(boards), faces, (*questions, *end_questions))


def _sort_faces(faces: Sequence[Reading]) -> tuple[list[Reading], dict[Path, Reading], list[str]]:
    """Fronts in order, the back of each by the front's path, and questions on backs without a front."""
    fronts: list[Reading] = []
    loose: list[Reading] = []
    backs: dict[Path, Reading] = {}
    for reading in faces:
        previous = fronts[-1] if fronts else None
        if reading.shows == "back":
            loose.append(reading)
        elif (
            reading.shows == "unsaid"
            and previous is not None
            and previous.path not in backs
            and _fits(previous, reading)
        ):
            backs[previous.path] = reading
        else:
            fronts.append(reading)
    questions = []
    for back in loose:
        named = [f for f in fronts if f.path not in backs and _pile(f.path) == _pile(back.path)]
        fitting = named or [f for f in fronts if f.path not in backs and _fits(f, back)]
        if len(fitting) == 1:
            backs[fitting[0].path] = back
        else:
            questions.append(f"Which photo shows the other faces of the boards in {back.path.name}?")
    return fronts, backs, questions


def _pile(path: Path) -> str:
    """The file name without its words for the side, the same for front and back of one pile."""
    return "".join(p for p in re.findall(r"[a-z]+|\d+", path.stem.lower()) if _WORDS.get(p) is None)


def _fits(front: Reading, back: Reading) -> bool:
    """Whether every board agrees in order and size, as only the backs of the same boards would."""
    if len(front.boards) != len(back.boards):
        return False
    return all(pair.question is None for pair in pair_faces(front.boards, back.boards))


def _give_ends(boards: list[Board], readings: Sequence[Reading]) -> tuple[list[Board], list[str]]:
    ends = [e for r in readings for e in r.ends]
    rings = [g for r in readings for g in r.rings]
    if not ends:
        return boards, []
    matches = match_ends(ends, boards)
    given = [
        board if match.end is None else replace(board, end_grain=rings[match.end])
        for board, match in zip(boards, matches, strict=True)
    ]
    return given, [m.question for m in matches if m.question]


def _guess_bark_side(board: Board, faces: Mapping[tuple[str, Side], FaceReading]) -> Board:
    """Without a readable end, the bark side its two faces agree on, if they do."""
    end_tells = board.end_grain is not None and board.end_grain.bark_side is not None
    if end_tells or len(board.faces) < 2:
        return board
    show, back = faces[board.id, "A"].features, faces[board.id, "B"].features
    side, _ = bark_side_of_pair(show, back, thickness_mm=board.thickness_mm)
    for seen in (show, back):
        let_go(seen.lab)
    return replace(board, bark_side=side)


def _faces_of(boards: Sequence[Board], readings: Sequence[Reading]) -> dict[tuple[str, Side], FaceReading]:
    # Pairing gives a face a new side but keeps its picture, by which what was read from it is found again.
    read = {
        id(board.faces[0].rgb): face for r in readings for board, face in zip(r.boards, r.faces, strict=True)
    }
    return {(board.id, face.side): read[id(face.rgb)] for board in boards for face in board.faces}
