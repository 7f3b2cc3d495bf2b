"""Photos -> boards: read, find the scale, find the boards, lay their faces flat, pair faces and ends."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from grainmatch.board.measure import measure_outline
from grainmatch.board.outline import BoardOutline
from grainmatch.board.segment import find_boards
from grainmatch.errors import GrainmatchError, PhotoError
from grainmatch.face.endgrain import read_end
from grainmatch.face.reading import read_face
from grainmatch.model import Bench, Board, EndGrain, Face, Features, Photo, Progress, Side
from grainmatch.photo.evenness import even_light
from grainmatch.photo.pose import KnownScale, SheetOn, check_thickness, fit_bench
from grainmatch.photo.read import read_photo
from grainmatch.photo.rectify import FaceFrame, rectify_face
from grainmatch.wood.species import find_species

PHOTO_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"})
_WORKERS = 2

Shows = Literal["show", "back", "ends", "unsaid"]


@dataclass(frozen=True)
class Failure:
    """A photo that could not be used, and why."""

    photo: str
    message: str
    advice: str


@dataclass(frozen=True, eq=False)
class Measured:
    """All boards of a set of photos, what was read from their faces, and what to tell the user."""

    boards: tuple[Board, ...]
    features: Mapping[tuple[str, Side], Features]
    warnings: tuple[str, ...] = ()
    failures: tuple[Failure, ...] = ()


@dataclass(frozen=True, eq=False)
class _Reading:
    """What one photo gave: boards with one face each, or end pictures already read."""

    path: Path
    boards: tuple[Board, ...] = ()
    ends: tuple[EndGrain, ...] = ()
    warnings: tuple[str, ...] = ()
    failure: Failure | None = None


def measure_boards(
    photo: Photo, *, thickness_mm: float, sheet_on: SheetOn = "bench", known: KnownScale | None = None
) -> list[Board]:
    """Every board in a photo, in reading order, each with the face that is up as face A.

    thickness_mm: of the boards, from a caliper; with sheet_on "bench" their faces lie that far above
    the sheet. known: a plain paper size or one board's size, for photos without a reference sheet.
    Raises PhotoError when there is no scale or no board.
    """
    bench = fit_bench(photo, thickness_mm=thickness_mm, sheet_on=sheet_on, known=known)
    return list(_boards_on(bench, thickness_mm))


def _boards_on(bench: Bench, thickness_mm: float) -> tuple[Board, ...]:
    outlines = find_boards(bench)
    if not outlines:
        raise PhotoError(
            f"No boards were found in {bench.photo.name}.",
            "Lay whole boards on a bench of another colour, with all ends in the picture.",
        )
    lit = even_light(bench, [o.outline_px for o in outlines])
    return tuple(_lay_flat(lit, o, str(n), thickness_mm) for n, o in enumerate(outlines, 1))


def _lay_flat(bench: Bench, outline: BoardOutline, board_id: str, thickness_mm: float) -> Board:
    sizes = measure_outline(bench, outline)
    extent = (
        max(sizes.upper_mm[:, 0].max(), sizes.lower_mm[:, 0].max()),
        max(sizes.upper_mm[:, 1].max(), sizes.lower_mm[:, 1].max()),
    )
    frame = FaceFrame((float(sizes.origin_mm[0]), float(sizes.origin_mm[1])), sizes.angle_rad, extent)
    flat = rectify_face(bench, outline.outline_px, frame=frame)
    face = Face(
        side="A",
        rgb=flat.rgb,
        inside=flat.inside,
        px_per_mm=flat.px_per_mm,
        upper_edge_mm=sizes.upper_mm,
        lower_edge_mm=sizes.lower_mm,
        photo=bench.photo.name,
        outline_px=outline.outline_px,
    )
    return Board(
        id=board_id,
        length_mm=sizes.length_mm,
        start_width_mm=sizes.start_width_mm,
        end_width_mm=sizes.end_width_mm,
        thickness_mm=thickness_mm,
        crook_mm=sizes.crook_mm,
        faces=(face,),
        sigma_length_mm=sizes.sigma_length_mm,
        sigma_width_mm=sizes.sigma_width_mm,
    )


# --- many photos -----------------------------------------------------------------------------


def photos_to_boards(
    paths: Iterable[Path],
    *,
    thickness_mm: float,
    sheet_on: SheetOn = "bench",
    species: str = "",
    known: KnownScale | None = None,
    progress: Progress | None = None,
) -> Measured:
    """Photos of faces, backs and ends -> boards with up to two faces, their end rings and features.

    paths: photos, or folders of photos. What a photo shows is told by `show`, `back` or `ends` in its
    file name, else by what is in it. Boards are numbered over all show photos in the order given.
    A photo that cannot be used becomes a Failure and the others go on. Raises UsageError for an
    impossible thickness, WoodError for an unknown species, PhotoError when no photo is named.
    """
    check_thickness(thickness_mm)
    species_name = find_species(species).name if species else ""
    photos = list(_photo_paths(paths))
    if not photos:
        raise PhotoError("There is no photo to measure.", "Name a photo, or a folder with photos in it.")

    def read_one(path: Path) -> _Reading:
        return _read_one(path, thickness_mm, sheet_on, known)

    readings: list[_Reading] = []
    with ThreadPoolExecutor(_WORKERS) as pool:
        for done, reading in enumerate(pool.map(read_one, photos)):
            readings.append(reading)
            if progress:
                progress(done + 1, len(photos), reading.path.name)
    boards, questions = _assemble(readings)
    boards = [replace(b, species=species_name) for b in boards]
    return Measured(
        tuple(boards),
        read_features(boards),
        tuple([w for r in readings for w in r.warnings] + questions),
        tuple(r.failure for r in readings if r.failure),
    )


def read_features(boards: Sequence[Board]) -> dict[tuple[str, Side], Features]:
    """What a maker's eye reads from every face, by (board id, side)."""
    faces = [(b.id, f) for b in boards for f in b.faces]
    with ThreadPoolExecutor(_WORKERS) as pool:
        found = pool.map(
            lambda f: read_face(f.rgb, px_per_mm=f.px_per_mm, inside=f.inside), (f for _, f in faces)
        )
        return {
            (board_id, face.side): features for (board_id, face), features in zip(faces, found, strict=True)
        }


def tell_what_it_shows(name: str) -> Shows:
    """What a photo shows, from the words in its file name."""
    words = re.findall(r"[a-z]+", name.lower())
    if any(w in {"end", "ends"} for w in words):
        return "ends"
    if any(w in {"back", "backs", "rear"} for w in words):
        return "back"
    return "show" if any(w in {"show", "front", "face", "faces"} for w in words) else "unsaid"


def _photo_paths(paths: Iterable[Path]) -> Iterator[Path]:
    for path in paths:
        if path.is_dir():
            inside = [p for p in path.iterdir() if p.suffix.lower() in PHOTO_ENDINGS]
            yield from sorted(inside, key=lambda p: _natural(p.name))
        else:
            yield path


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort key in which photo 2 comes before photo 10."""
    return [(int(part), "") if part.isdecimal() else (0, part) for part in re.split(r"(\d+)", name.lower())]


def _read_one(path: Path, thickness_mm: float, sheet_on: SheetOn, known: KnownScale | None) -> _Reading:
    try:
        photo = read_photo(path)
        bench = fit_bench(photo, thickness_mm=thickness_mm, sheet_on=sheet_on, known=known)
        shows = tell_what_it_shows(path.stem)
        if shows == "ends" or (shows == "unsaid" and is_ends_photo(bench, thickness_mm=thickness_mm)):
            pictures = find_ends(bench, thickness_mm=thickness_mm, sheet_on=sheet_on)
            if not pictures:
                raise PhotoError(
                    f"No board ends were found in {photo.name}.", "Take the ends from closer by."
                )
            ends = tuple(read_end(e.rgb, px_per_mm=e.px_per_mm) for e in pictures)
            return _Reading(path, ends=ends, warnings=bench.warnings)
        return _Reading(path, boards=_boards_on(bench, thickness_mm), warnings=bench.warnings)
    except GrainmatchError as error:
        return _Reading(path, failure=Failure(path.name, error.message, error.advice))
