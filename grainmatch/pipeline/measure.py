"""Photos -> boards: read, find the scale, find the boards, lay their faces flat, pair faces and ends."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from grainmatch.board.alike import doubt_alike, find_alike, keep_sure
from grainmatch.board.backdrop import Backdrop, fit_backdrop
from grainmatch.board.correct import Correction, apply_corrections
from grainmatch.board.doubts import has_sure_edges, tell_doubts
from grainmatch.board.ends import find_ends, is_ends_photo
from grainmatch.board.measure import measure_outline
from grainmatch.board.outline import BoardOutline, polygon_px
from grainmatch.board.segment import find_boards
from grainmatch.errors import GrainmatchError, PhotoError, UsageError
from grainmatch.face.endgrain import read_end
from grainmatch.model import Bench, Board, Face, Photo
from grainmatch.photo.agreement import tell_disagreement
from grainmatch.photo.evenness import even_light
from grainmatch.photo.pose import (
    KnownBoard,
    KnownScale,
    SheetOn,
    bend_apart_mm,
    carry_points,
    fit_bench,
    fit_bench_from_board,
    guess_bench,
    refine_with_boards,
)
from grainmatch.photo.read import read_photo
from grainmatch.photo.rectify import FaceFrame, rectify_face
from grainmatch.pipeline.gather import PART, Failure, Reading, Shows, tell_what_it_shows

BENT_PX = 0.5
"""How far the lens may bend an edge before a hairline along it is no straight line (own choice)."""


def measure_boards(
    photo: Photo, *, thickness_mm: float, sheet_on: SheetOn = "bench", known: KnownScale | str | None = None
) -> list[Board]:
    """Every board in a photo, in reading order, each with the face that is up as face A.

    thickness_mm: of the boards, from a caliper; with sheet_on "bench" their faces lie that far above
    the sheet. known: for photos without a reference sheet, a plain paper (`"a4"`, `"letter"`) or a
    KnownBoard with the length or width of the first board in reading order.
    Raises PhotoError when there is no scale or no board.
    """
    bench, outlines = find_straight(scale_photo(photo, thickness_mm, sheet_on, known))
    if not outlines:
        raise no_boards(photo)
    lit = even_light(bench, [o.outline_px for o in outlines])
    return list(lay_outlines(lit, outlines, thickness_mm))


def find_straight(bench: Bench) -> tuple[Bench, tuple[BoardOutline, ...]]:
    """The bench with its camera fitted again with the boards, and their outlines on it.

    A sheet in the middle hardly tells what the lens bends. When the boards' own edges tell that it bends them
    by more than half a pixel, they are found again with that lens: seams are looked for on straight lines.
    The first outline has a note where boards of the bench's own colour seem to lie unseen.
    """
    backdrop = fit_backdrop(bench.photo.rgb, bench.sheet_outlines_px, bench.photo.colour_step)
    found = _find_all(bench, backdrop)
    fitted, outlines = _fit_camera(bench, found)
    seen = [o.outline_px for o in found]
    if bend_apart_mm(bench, fitted, seen) * bench.px_per_mm >= BENT_PX:
        again = _find_all(fitted, backdrop)
        if len(again) >= len(found):  # if not, a seam that hardly shows was seen the first time
            fitted, outlines = _fit_camera(fitted, again)
    return fitted, doubt_alike(fitted, backdrop, outlines)


def _find_all(bench: Bench, backdrop: Backdrop) -> tuple[BoardOutline, ...]:
    """The outlines of all boards, those of the bench's own colour too where their ends tell of them."""
    found = find_boards(bench, backdrop=backdrop)
    alike = find_alike(bench, backdrop, found)
    if alike is None:
        return found
    return keep_sure(backdrop, found, find_boards(bench, backdrop=backdrop, alike=alike))


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
    bench = guess_bench(photo, thickness_mm=thickness_mm)
    for _ in range(2):  # only then are upright sides told from faces in a slanted view
        backdrop = fit_backdrop(bench.photo.rgb, bench.sheet_outlines_px, bench.photo.colour_step)
        outlines = _find_all(bench, backdrop)
        if not outlines:
            raise no_boards(photo)
        if not 1 <= known.place <= len(outlines):
            raise UsageError(
                f"There is no board {known.place} in {photo.name}.", f"Give one from 1 to {len(outlines)}."
            )
        bench = fit_bench_from_board(bench, [o.outline_px for o in outlines], known)
    return bench


def _read_faces(
    path: Path, shows: Shows, bench: Bench, thickness_mm: float, corrections: Sequence[Correction]
) -> Reading:
    """The boards of one photo as found and corrected; their wood is not read yet."""
    bench, found = find_straight(bench)
    corrected = apply_corrections(bench, found, corrections)
    if not corrected.boards:
        raise no_boards(bench.photo)
    outlines = tuple(c.outline for c in corrected.boards)
    if corrections:
        bench, outlines = _fit_camera(bench, outlines)
    lit = even_light(bench, [o.outline_px for o in outlines])
    boards = lay_outlines(lit, outlines, thickness_mm)
    doubts = tell_doubts(outlines, whole=not PART.search(path.stem.lower()))
    unused = [f"a {type(c).__name__} correction found no board at its place" for c in corrected.unused]
    return Reading(
        path,
        shows,
        boards=boards,
        names=tuple(c.id for c in corrected.boards),
        turned_over=tuple(c.side == "B" for c in corrected.boards),
        warnings=(*lit.warnings, *tell_disagreement(lit, outlines), *doubts, *unused),
        by_typed_size=lit.typed is not None,
    )


def no_boards(photo: Photo) -> PhotoError:
    """The error for a photo in which no board was found."""
    return PhotoError(
        f"No boards were found in {photo.name}.",
        "Lay whole boards on a bench of another colour, with all ends in the picture.",
    )


def lay_outlines(bench: Bench, outlines: Sequence[BoardOutline], thickness_mm: float) -> tuple[Board, ...]:
    """Boards from outlines, each face laid flat in the bench's light."""
    return tuple(_lay_flat(bench, o, str(n), thickness_mm) for n, o in enumerate(outlines, 1))


def _fit_camera(bench: Bench, outlines: Sequence[BoardOutline]) -> tuple[Bench, tuple[BoardOutline, ...]]:
    """The bench with its camera fitted again with the boards, and their outlines on it.

    Boards whose edges are doubted tell nothing of the camera, unless one has the size that was typed.
    """
    telling = [o for o in outlines if bench.typed is not None or has_sure_edges(o)]
    fitted = refine_with_boards(bench, [o.outline_px for o in telling])
    return fitted, tuple(_carry(bench, fitted, o) for o in outlines)


def _carry(before: Bench, after: Bench, outline: BoardOutline) -> BoardOutline:
    """An outline on the bench as fitted again: an edge bent by the lens alone becomes straight."""
    upper = carry_points(before, after, outline.upper_mm)
    lower = carry_points(before, after, outline.lower_mm)
    return replace(outline, upper_mm=upper, lower_mm=lower, outline_px=polygon_px(after, upper, lower))


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


# --- one photo of a pile ----------------------------------------------------------------------


def read_bench_photo(
    path: Path,
    *,
    thickness_mm: float,
    sheet_on: SheetOn = "bench",
    known: KnownScale | str | None = None,
    corrections: Sequence[Correction] = (),
) -> Reading:
    """The boards in one photo, or the board ends with their rings. What their faces show is not read yet.

    A photo that cannot be used gives a Reading with its failure.
    """
    shows = tell_what_it_shows(path.stem)
    try:
        photo = read_photo(path)
        bench = _scale_named(photo, path, shows, thickness_mm, sheet_on, known)
        if shows == "ends" or (
            shows == "unsaid" and is_ends_photo(bench, thickness_mm=thickness_mm, sheet_on=sheet_on)
        ):
            return _read_ends(path, bench, thickness_mm, sheet_on)
        return _read_faces(path, shows, bench, thickness_mm, corrections)
    except GrainmatchError as error:
        return Reading(path, shows, failure=Failure(path.name, error.message, error.advice))


def _scale_named(
    photo: Photo,
    path: Path,
    shows: Shows,
    thickness_mm: float,
    sheet_on: SheetOn,
    known: KnownScale | str | None,
) -> Bench:
    """As `scale_photo`, but by no typed size that a photo of this name does not show whole."""
    if isinstance(known, KnownBoard):
        if shows == "ends":
            return _scale_without(photo, thickness_mm, sheet_on, "A board's size cannot be seen from its end")
        if known.length_mm and PART.search(path.stem.lower()):
            return _scale_without(photo, thickness_mm, sheet_on, "A part of a board does not show its length")
    return scale_photo(photo, thickness_mm, sheet_on, known)


def _scale_without(photo: Photo, thickness_mm: float, sheet_on: SheetOn, why: str) -> Bench:
    """The bench by the sheets alone; when there is none, the error says why the typed size is no help."""
    with suppress(PhotoError):
        return scale_photo(photo, thickness_mm, sheet_on)
    raise PhotoError(
        f"{why}, so it gives no scale in {photo.name}.",
        "Lay the printed sheet, or a plain A4 or Letter sheet, beside them and take the photo again.",
    )


def _read_ends(path: Path, bench: Bench, thickness_mm: float, sheet_on: SheetOn) -> Reading:
    ends = tuple(find_ends(bench, thickness_mm=thickness_mm, sheet_on=sheet_on))
    if not ends:
        raise PhotoError(f"No board ends were found in {path.name}.", "Take the ends from closer by.")
    rings = tuple(read_end(e.rgb, px_per_mm=e.px_per_mm) for e in ends)
    return Reading(path, "ends", ends=ends, rings=rings, warnings=bench.warnings)
