"""Photos -> boards: read, find the scale, find the boards, lay their faces flat, pair faces and ends."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from types import MappingProxyType

import cv2

from grainmatch.board.correct import Correction, apply_corrections
from grainmatch.board.ends import find_ends, is_ends_photo
from grainmatch.board.join import join_lengthwise
from grainmatch.board.measure import measure_outline
from grainmatch.board.outline import BoardOutline
from grainmatch.board.segment import find_boards
from grainmatch.disk import is_folder
from grainmatch.errors import GrainmatchError, PhotoError, UsageError
from grainmatch.face.endgrain import read_end
from grainmatch.face.reading import read_face
from grainmatch.model import Bench, Board, Face, Features, Photo, Progress, Side
from grainmatch.photo.evenness import even_light
from grainmatch.photo.pose import (
    KnownBoard,
    KnownScale,
    SheetOn,
    carry_points,
    check_thickness,
    fit_bench,
    fit_bench_from_board,
    guess_bench,
    refine_with_boards,
)
from grainmatch.photo.read import read_photo
from grainmatch.photo.rectify import FaceFrame, rectify_face
from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.gather import Failure, Reading, Shows, gather_boards, tell_what_it_shows
from grainmatch.wood.species import find_species

PHOTO_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"})
_WORKERS = 2
_PART = re.compile(r"[^a-z0-9]*part[^a-z0-9]*\d+")


@dataclass(frozen=True, eq=False)
class Measured:
    """All boards of a set of photos, what was read from their faces, and what to tell the user."""

    boards: tuple[Board, ...]
    features: Mapping[tuple[str, Side], Features]
    warnings: tuple[str, ...] = ()
    failures: tuple[Failure, ...] = ()


def measure_boards(
    photo: Photo, *, thickness_mm: float, sheet_on: SheetOn = "bench", known: KnownScale | str | None = None
) -> list[Board]:
    """Every board in a photo, in reading order, each with the face that is up as face A.

    thickness_mm: of the boards, from a caliper; with sheet_on "bench" their faces lie that far above
    the sheet. known: for photos without a reference sheet, a plain paper (`"a4"`, `"letter"`) or a
    KnownBoard with the length or width of the first board in reading order.
    Raises PhotoError when there is no scale or no board.
    """
    bench = scale_photo(photo, thickness_mm, sheet_on, known)
    outlines = find_boards(bench)
    if not outlines:
        raise no_boards(photo)
    return list(lay_outlines(bench, outlines, thickness_mm))


def scale_photo(
    photo: Photo, thickness_mm: float, sheet_on: SheetOn = "bench", known: KnownScale | str | None = None
) -> Bench:
    """Photo -> Bench from what gives the scale best: sheets, then plain paper, then a board's typed size.

    A KnownBoard is outlined in a guessed view first. Raises PhotoError when nothing of known size is
    found.
    """
    if not isinstance(known, KnownBoard):
        return fit_bench(photo, thickness_mm=thickness_mm, sheet_on=sheet_on, known=known)
    with suppress(PhotoError):
        return fit_bench(photo, thickness_mm=thickness_mm, sheet_on=sheet_on)
    outlines = find_boards(guess_bench(photo, thickness_mm=thickness_mm))
    if not outlines:
        raise no_boards(photo)
    if not 1 <= known.place <= len(outlines):
        raise UsageError(
            f"There is no board {known.place} in {photo.name}.", f"Give one from 1 to {len(outlines)}."
        )
    typed = outlines[known.place - 1].outline_px
    return fit_bench_from_board(photo, typed, known, thickness_mm=thickness_mm)


def _read_faces(
    path: Path, shows: Shows, bench: Bench, thickness_mm: float, corrections: Sequence[Correction]
) -> Reading:
    """The boards of one photo as found and corrected, each with what is read from its face."""
    corrected = apply_corrections(bench, find_boards(bench), corrections)
    if not corrected.boards:
        raise no_boards(bench.photo)
    lit, outlines = _fit_again(bench, [c.outline for c in corrected.boards])
    boards = _lay_all(lit, outlines, thickness_mm)
    unused = [f"a {type(c).__name__} correction found no board at its place" for c in corrected.unused]
    return Reading(
        path,
        shows,
        boards=boards,
        names=tuple(c.id for c in corrected.boards),
        turned_over=tuple(c.side == "B" for c in corrected.boards),
        features=tuple(_read_one_face(b.faces[0]) for b in boards),
        warnings=(*lit.warnings, *unused),
    )


def no_boards(photo: Photo) -> PhotoError:
    """The error for a photo in which no board was found."""
    return PhotoError(
        f"No boards were found in {photo.name}.",
        "Lay whole boards on a bench of another colour, with all ends in the picture.",
    )


def lay_outlines(bench: Bench, outlines: Sequence[BoardOutline], thickness_mm: float) -> tuple[Board, ...]:
    """Boards from outlines, each face laid flat in even light."""
    return _lay_all(*_fit_again(bench, outlines), thickness_mm)


def _fit_again(bench: Bench, outlines: Sequence[BoardOutline]) -> tuple[Bench, list[BoardOutline]]:
    """The bench with its camera and light fitted again with the boards, and their outlines on it."""
    seen = [o.outline_px for o in outlines]
    fitted = refine_with_boards(bench, seen)
    carried = [
        replace(
            o,
            upper_mm=carry_points(bench, fitted, o.upper_mm),
            lower_mm=carry_points(bench, fitted, o.lower_mm),
        )
        for o in outlines
    ]
    return even_light(fitted, seen), carried


def _lay_all(bench: Bench, outlines: Sequence[BoardOutline], thickness_mm: float) -> tuple[Board, ...]:
    return tuple(_lay_flat(bench, o, str(n), thickness_mm) for n, o in enumerate(outlines, 1))


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
    known: KnownScale | str | None = None,
    corrections: Mapping[str, Sequence[Correction]] = MappingProxyType({}),
    progress: Progress | None = None,
    cache: ReadingCache | None = None,
    processes: int = 1,
) -> Measured:
    """Photos of faces, backs and ends -> boards with up to two faces, their end rings and features.

    paths: photos, or folders of photos. What a photo shows is told by `show`, `back` or `ends` in its
    file name, else by what is in it. Boards are numbered over all show photos in the order given.
    Photos named `NAME_part1`, `NAME_part2` ... show stretches of the same long boards and are joined.
    A photo that cannot be used becomes a Failure and the others go on. corrections: what the user
    changed, by photo file name. cache: readings kept from earlier runs, None to read every photo anew.
    processes: how many photos to read at a time, each in a process of its own when above 1 (a script
    that asks for that must guard its start with `if __name__ == "__main__"`).
    Raises UsageError for an impossible thickness, WoodError for an unknown species, PhotoError when no
    photo is named.
    """
    check_thickness(thickness_mm)
    species_name = find_species(species).name if species else ""
    photos = list(list_photos(paths))
    if not photos:
        raise PhotoError("There is no photo to measure.", "Name a photo, or a folder with photos in it.")

    options = _Options(thickness_mm, sheet_on, known, corrections, cache)
    readings: list[Reading] = []
    for reading in _read_all(photos, options, processes):
        readings.append(reading)
        if progress:
            progress(len(readings), len(photos), reading.path.name)
    readings = join_parts(readings)
    gathered = gather_boards(readings)
    warnings = [f"{r.path.name}: {w}" for r in readings for w in r.warnings]
    return Measured(
        tuple(replace(b, species=species_name) for b in gathered.boards),
        gathered.features,
        (*warnings, *gathered.questions),
        tuple(r.failure for r in readings if r.failure),
    )


@dataclass(frozen=True)
class _Options:
    """What every photo of a set is read with."""

    thickness_mm: float
    sheet_on: SheetOn
    known: KnownScale | str | None
    corrections: Mapping[str, Sequence[Correction]]
    cache: ReadingCache | None

    def read(self, path: Path) -> Reading:
        return read_bench_photo(
            path,
            thickness_mm=self.thickness_mm,
            sheet_on=self.sheet_on,
            known=self.known,
            corrections=tuple(self.corrections.get(path.name, ())),
            cache=self.cache,
        )


def _read_all(photos: Sequence[Path], options: _Options, processes: int) -> Iterator[Reading]:
    """Readings in the photos' order; those kept from before need no process."""
    fresh = [p for p in photos if not _is_kept(p, options)]
    if processes < 2 or len(fresh) < 2:
        yield from map(options.read, photos)
        return
    options = replace(options, corrections=dict(options.corrections))  # a read-only view cannot travel
    with ProcessPoolExecutor(
        min(processes, len(fresh)),
        mp_context=get_context("spawn"),
        initializer=cv2.setNumThreads,
        initargs=(1,),
    ) as pool:
        coming = {path: pool.submit(options.read, path) for path in fresh}
        for path in photos:
            yield coming[path].result() if path in coming else options.read(path)


def _is_kept(path: Path, options: _Options) -> bool:
    corrections = tuple(options.corrections.get(path.name, ()))
    cache = options.cache
    return cache is not None and cache.holds(
        path, options.thickness_mm, options.sheet_on, options.known, corrections
    )


def read_bench_photo(
    path: Path,
    *,
    thickness_mm: float,
    sheet_on: SheetOn = "bench",
    known: KnownScale | str | None = None,
    corrections: Sequence[Correction] = (),
    cache: ReadingCache | None = None,
) -> Reading:
    """Everything one photo tells, from the cache when it was read before with the same options.

    A photo that cannot be used gives a Reading with its failure.
    """
    key = cache.key(path, thickness_mm, sheet_on, known, corrections) if cache else None
    kept = cache.find(key, path) if cache and key else None
    if kept is not None:
        return kept
    reading = _read_photo_anew(path, thickness_mm, sheet_on, known, corrections)
    if cache and key:
        cache.keep(key, reading)
    return reading


def _read_photo_anew(
    path: Path,
    thickness_mm: float,
    sheet_on: SheetOn,
    known: KnownScale | str | None,
    corrections: Sequence[Correction],
) -> Reading:
    shows = tell_what_it_shows(path.stem)
    try:
        photo = read_photo(path)
        bench = scale_photo(photo, thickness_mm, sheet_on, known)
        if shows == "ends" or (
            shows == "unsaid" and is_ends_photo(bench, thickness_mm=thickness_mm, sheet_on=sheet_on)
        ):
            ends = tuple(find_ends(bench, thickness_mm=thickness_mm, sheet_on=sheet_on))
            if not ends:
                raise PhotoError(
                    f"No board ends were found in {photo.name}.", "Take the ends from closer by."
                )
            rings = tuple(read_end(e.rgb, px_per_mm=e.px_per_mm) for e in ends)
            return Reading(path, "ends", ends=ends, rings=rings, warnings=bench.warnings)
        return _read_faces(path, shows, bench, thickness_mm, corrections)
    except GrainmatchError as error:
        return Reading(path, shows, failure=Failure(path.name, error.message, error.advice))


def _read_ends(path: Path, bench: Bench, thickness_mm: float, sheet_on: SheetOn) -> Reading:
    ends = tuple(find_ends(bench, thickness_mm=thickness_mm, sheet_on=sheet_on))
    if not ends:
        raise PhotoError(f"No board ends were found in {path.name}.", "Take the ends from closer by.")
    rings = tuple(read_end(e.rgb, px_per_mm=e.px_per_mm) for e in ends)
    return Reading(path, "ends", ends=ends, rings=rings, warnings=bench.warnings)


def join_parts(readings: Sequence[Reading]) -> list[Reading]:
    """Readings with the parts of long boards joined: the k-th board of each part is one board.

    A pile whose parts cannot be joined becomes a Reading with a failure.
    """
    piles: dict[str, list[Reading]] = {}
    for reading in readings:
        part = _PART.search(reading.path.stem.lower())
        whole = f"{part.start()} {_PART.sub('', reading.path.stem.lower())}" if part else str(reading.path)
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
        features=tuple(_read_one_face(b.faces[0]) for b in boards),
        warnings=tuple(w for p in ordered for w in p.warnings),
    )


def _read_one_face(face: Face) -> Features:
    return read_face(face.rgb, px_per_mm=face.px_per_mm, inside=face.inside)


def read_features(boards: Sequence[Board]) -> dict[tuple[str, Side], Features]:
    """What a maker's eye reads from every face, by (board id, side)."""
    faces = [(b.id, f) for b in boards for f in b.faces]
    with ThreadPoolExecutor(_WORKERS) as pool:
        found = pool.map(_read_one_face, [face for _, face in faces])
        return {(board_id, face.side): read for (board_id, face), read in zip(faces, found, strict=True)}


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
