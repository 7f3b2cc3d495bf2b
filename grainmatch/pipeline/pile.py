"""A pile of photos -> boards: each photo read once, by as many processes as there are cores, then joined.

Readings stay on disk, in the cache or in a folder of this run, and are mapped: a pile of five hundred photos
takes little more memory than one of five.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import MappingProxyType

from grainmatch.board.correct import Correction
from grainmatch.board.join import join_lengthwise
from grainmatch.disk import is_folder
from grainmatch.errors import GrainmatchError, PhotoError
from grainmatch.model import Progress
from grainmatch.photo.pose import KnownScale, SheetOn, check_thickness
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.gather import PART, Failure, Measured, Reading, gather_boards, tell_what_it_shows
from grainmatch.pipeline.reader import Reader, read_whole_face
from grainmatch.pipeline.workers import Call, hire_workers
from grainmatch.wood.species import find_species

PHOTO_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"})


def photos_to_boards(
    paths: Iterable[Path],
    *,
    thickness_mm: float,
    sheet_on: SheetOn = "bench",
    species: str = "",
    known: KnownScale | str | None = None,
    known_in: Mapping[str, KnownScale] = MappingProxyType({}),
    corrections: Mapping[str, Sequence[Correction]] = MappingProxyType({}),
    progress: Progress | None = None,
    cache: ReadingCache | None = None,
    processes: int = 1,
) -> Measured:
    """Photos of faces, backs and ends -> boards with up to two faces, their end rings and features.

    paths: photos, or folders of photos. What a photo shows is told by `show`, `back` or `ends` in its
    file name, else by what is in it. Boards are numbered over all show photos in the order given.
    Photos named `NAME_part1`, `NAME_part2` ... show stretches of the same long boards and are joined.
    A photo that cannot be used becomes a Failure and the others go on. known: what gives the scale in
    photos without a reference sheet; known_in: the same for single photos, by file name, which goes first.
    corrections: what the user changed, by photo file name. cache: readings kept from earlier runs, None to
    read every photo anew. processes: how many photos to read at a time, each in a process of its own when
    above 1.
    Raises UsageError for an impossible thickness, WoodError for an unknown species, PhotoError when no
    photo is named.
    """
    check_thickness(thickness_mm)
    species_name = find_species(species).name if species else ""
    photos = list(list_photos(paths))
    if not photos:
        raise PhotoError("There is no photo to measure.", "Name a photo, or a folder with photos in it.")

    reader = Reader(thickness_mm, sheet_on, known, corrections, cache, known_in)
    readings: list[Reading] = []
    for reading in _read_all(photos, reader, processes):
        readings.append(reading)
        if progress:
            progress(len(readings), len(photos), reading.path.name)
    by_typed_size = tuple(r.path.name for r in readings if r.by_typed_size)
    readings = join_parts(readings)
    gathered = gather_boards(readings)
    warnings = [f"{r.path.name}: {w}" for r in readings for w in r.warnings]
    return Measured(
        tuple(replace(b, species=species_name) for b in gathered.boards),
        {key: face.features for key, face in gathered.faces.items()},
        (*warnings, *gathered.questions),
        tuple(r.failure for r in readings if r.failure),
        {key: face.pngs for key, face in gathered.faces.items()},
        by_typed_size,
    )


def _read_all(photos: Sequence[Path], reader: Reader, processes: int) -> Iterator[Reading]:
    """Readings in the photos' order; those kept from before need no process."""
    fresh = [p for p in dict.fromkeys(photos) if not reader.is_kept(p)]
    if processes < 2 or len(fresh) < 2:
        yield from map(reader.read, photos)
        return
    # A read-only view cannot travel.
    reader = replace(reader, corrections=dict(reader.corrections), known_in=dict(reader.known_in))
    with _somewhere_to_keep(reader) as keeping, hire_workers(min(processes, len(fresh))) as do:
        # Photos of ends hold many small pieces and take longest: whoever has one should not start last.
        in_turn = sorted(fresh, key=lambda path: tell_what_it_shows(path.stem) != "ends")
        arriving = _read_elsewhere(in_turn, keeping, do, at_a_time=2 * processes)
        arrived: dict[Path, bool] = {}
        for path in photos:
            while path in fresh and path not in arrived:
                arrived.update([next(arriving)])
            yield keeping.read(path) if arrived.get(path, True) else _lost(path)


def _read_elsewhere(
    photos: Sequence[Path], reader: Reader, do: Callable[[Call], Future[bool]], *, at_a_time: int
) -> Iterator[tuple[Path, bool]]:
    """Each photo once its reading lies in the cache, and False when a process died over it.

    The faces of a photo come after the next few photos: at the end they fill the time that a process would
    wait for another's last photo.
    """
    waiting = list(reversed(photos))
    under_way: dict[Future[bool], Path] = {}
    faces_left: dict[Path, int] = {}
    alive = dict.fromkeys(photos, True)
    while waiting or under_way:
        while waiting and len(under_way) - sum(faces_left.values()) < at_a_time:
            path = waiting.pop()
            under_way[do(partial(reader.leave_boards, path))] = path
        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
            path = under_way.pop(future)
            alive[path] = alive[path] and future.result()
            if path in faces_left:
                faces_left[path] -= 1
            else:
                faces_left[path] = reader.count_left(path) if alive[path] else 0
                for number in range(faces_left[path]):
                    under_way[do(partial(reader.leave_face, path, number))] = path
            if faces_left[path] == 0:
                yield path, alive[path]


def _lost(path: Path) -> Reading:
    message = f"The program that read {path.name} stopped without a word."
    advice = "Close other programs to free memory, or save the photo anew as JPEG, and try again."
    return Reading(path, "unsaid", failure=Failure(path.name, message, advice))


@contextmanager
def _somewhere_to_keep(reader: Reader) -> Iterator[Reader]:
    """The reader with a cache for the workers to leave their readings in: of this run alone if need be."""
    if reader.cache is not None:
        yield reader
        return
    with tempfile.TemporaryDirectory(prefix="grainmatch-", ignore_cleanup_errors=True) as folder:
        yield replace(reader, cache=ReadingCache(Path(folder)))


def join_parts(readings: Sequence[Reading]) -> list[Reading]:
    """Readings with the parts of long boards joined: the k-th board of each part is one board.

    A pile whose parts cannot be joined becomes a Reading with a failure.
    """
    piles: dict[str, list[Reading]] = {}
    for reading in readings:
        part = PART.search(reading.path.stem.lower())
        whole = f"{part.start()} {PART.sub('', reading.path.stem.lower())}" if part else str(reading.path)
        piles.setdefault(whole, []).append(reading)
    return [_join_pile(parts) for parts in piles.values()]


def _join_pile(parts: list[Reading]) -> Reading:
    first = parts[0]
    if len(parts) == 1 or any(p.failure for p in parts):
        return next((p for p in parts if p.failure), first)
    ordered = sorted(parts, key=lambda p: _natural(p.path.name))
    try:
        joined = [join_lengthwise(same) for same in zip(*(p.boards for p in ordered), strict=True)]
    except (GrainmatchError, ValueError) as error:
        message = getattr(error, "message", "The parts show different numbers of boards.")
        advice = getattr(error, "advice", "Photograph every board in each part, in the same order.")
        return Reading(first.path, first.shows, failure=Failure(first.path.name, message, advice))
    boards = tuple(j.board for j in joined)
    return replace(
        ordered[0],
        boards=boards,
        faces=tuple(read_whole_face(b.faces[0]) for b in boards),
        warnings=tuple(w for p in ordered for w in p.warnings),
    )


def list_photos(paths: Iterable[Path]) -> Iterator[Path]:
    """The photos named, with those in named folders, counted as people count (2 before 10)."""
    for path in paths:
        if is_folder(path):
            try:
                inside = [p for p in path.iterdir() if p.suffix.lower() in PHOTO_ENDINGS]
            except OSError as error:
                raise PhotoError(
                    f"The folder {path.name} cannot be opened.", "Check that you may read it."
                ) from error
            yield from sorted(inside, key=lambda p: _natural(p.name))
        else:
            yield path


def _natural(name: str) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdecimal() else (0, part) for part in re.split(r"(\d+)", name.lower())]
