"""Already cropped face pictures of known scale -> boards."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from grainmatch.board.bare import measure_bare_face
from grainmatch.errors import GrainmatchError, PhotoError
from grainmatch.face.extent import find_wood
from grainmatch.model import Board, Progress
from grainmatch.photo.pose import check_thickness
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.features import read_features
from grainmatch.pipeline.gather import Failure, Measured
from grainmatch.pipeline.pile import list_photos
from grainmatch.wood.species import find_species

_BACK = re.compile(r"(?:^|[^a-z])(b|back)$")
_SIDE = re.compile(r"[^a-z0-9]*(?:a|b|show|front|back)$")


def faces_to_boards(
    paths: Iterable[Path],
    *,
    px_per_mm: float,
    thickness_mm: float,
    species: str = "",
    progress: Progress | None = None,
) -> Measured:
    """Pictures of single faces, or folders of them, -> boards, as if they had been photographed.

    Each picture holds one face and nothing else, or a dark ground round it; upright ones are turned a
    quarter clockwise. `NAME_a` and `NAME_b` (or `_show`, `_back`) are the two faces of one board, the
    second as seen after turning it over about its long axis. The light is taken as even and neutral.
    A picture that cannot be used becomes a Failure. Raises UsageError, WoodError and PhotoError as
    photos_to_boards does.
    """
    check_thickness(thickness_mm)
    species_name = find_species(species).name if species else ""
    pictures = list(list_photos(paths))
    if not pictures:
        raise PhotoError("There is no picture to read.", "Name a face picture, or a folder of them.")
    shows: dict[str, Board] = {}
    backs: dict[str, Board] = {}
    failures: list[Failure] = []
    for done, path in enumerate(pictures, 1):
        stem = path.stem.lower()
        faces = backs if _BACK.search(stem) else shows
        try:
            faces[_SIDE.sub("", stem) or stem] = _read_face_picture(path, px_per_mm, thickness_mm)
        except GrainmatchError as error:
            failures.append(Failure(path.name, error.message, error.advice))
        if progress:
            progress(done, len(pictures), path.name)
    boards = _join_sides(shows, backs, species_name)
    return Measured(tuple(boards), read_features(boards), (), tuple(failures))


def _read_face_picture(path: Path, px_per_mm: float, thickness_mm: float) -> Board:
    rgb = read_photo(path).rgb
    if rgb.shape[0] > rgb.shape[1]:
        rgb = np.ascontiguousarray(np.rot90(rgb, -1))
    return measure_bare_face(
        rgb,
        find_wood(rgb),
        px_per_mm=px_per_mm,
        board_id=path.stem,
        thickness_mm=thickness_mm,
        name=path.name,
    )


def _join_sides(shows: dict[str, Board], backs: dict[str, Board], species: str) -> list[Board]:
    boards = []
    for number, key in enumerate({**shows, **backs}, 1):
        show = shows.get(key) or backs[key]
        faces = show.faces
        if key in shows and key in backs:
            faces = (*faces, replace(backs[key].faces[0], side="B"))
        boards.append(replace(show, id=str(number), species=species, faces=faces))
    return boards
