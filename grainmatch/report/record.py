"""Layouts and measured boards as files, and back again.

A layout file is one JSON document. Measured boards are a folder: boards.json with one PNG a face
and one a mask beside it, so that reading a folder gives the very boards that were written.
"""

from __future__ import annotations

import hashlib
import io
import math
import re
from collections.abc import Container, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from grainmatch.colour import lab_to_linear, linear_to_srgb
from grainmatch.disk import read_bytes, sweep_parts, write_bytes, write_pieces
from grainmatch.errors import StoreError
from grainmatch.geometry import Points
from grainmatch.model import (
    Board,
    EndGrain,
    Face,
    Features,
    Layout,
    Mark,
    Mask,
    Placement,
    Pose,
    Rgb,
    Score,
    Side,
)
from grainmatch.report.pack import let_go
from grainmatch.report.place import FaceFeatures
from grainmatch.report.png import FacePngs, encode_face
from grainmatch.report.schema import (
    BoardRecord,
    BoardsRecord,
    EndRecord,
    FaceRecord,
    LayoutRecord,
    MarkRecord,
    PlacementRecord,
    ScoreRecord,
    parse,
    refusing,
)

LAYOUT_VERSION: Final = 1
BOARDS_VERSION: Final = 1
BOARDS_FILE = "boards.json"
_LARGEST_FACE_PX = 80_000_000
_WORKERS = 2


# --- layouts ---------------------------------------------------------------------------------


def layout_to_json(layout: Layout) -> str:
    """A layout as an indented JSON document. Raises StoreError when it holds what a file cannot."""
    return _layout_record(layout).model_dump_json(indent=2)


def layout_from_json(text: str | bytes) -> Layout:
    """Read what layout_to_json wrote. Raises StoreError, or LayoutError for a board used twice."""
    data = text.encode() if isinstance(text, str) else text
    record = parse(data, LayoutRecord, version=LAYOUT_VERSION, what="layout file")
    placements = tuple(
        Placement(p.board_id, Pose(p.side_up, p.turned, p.slide_mm), p.rip_mm) for p in record.placements
    )
    return Layout(
        placements=placements,
        score=Score(record.score.terms, record.score.total, tuple(record.score.seams)),
        proven_optimal=record.proven_optimal,
        bound=record.bound,
        top_mm=record.top_mm,
        made_from=record.made_from,
        remarks=tuple(record.remarks),
    )


def write_layout(path: Path, layout: Layout) -> Path:
    """Write a layout file, whole or not at all."""
    return write_bytes(path, layout_to_json(layout).encode())


def read_layout(path: Path) -> Layout:
    """Read a layout file. Raises StoreError with one sentence on what is wrong and one on what to do."""
    return layout_from_json(read_bytes(path, largest_mb=20, what="layout file"))


def layout_id(layout: Layout) -> str:
    """Eight hex digits that change with any board, pose, rip or size: printed on every paper."""
    content = _layout_record(layout).model_dump_json(include={"placements", "top_mm"})
    digest = hashlib.sha256(content.encode()).hexdigest()
    return f"{digest[:4]}-{digest[4:8]}"


@refusing("layout")
def _layout_record(layout: Layout) -> LayoutRecord:
    placements = [
        PlacementRecord(
            board_id=p.board_id,
            side_up=p.pose.side_up,
            turned=bool(p.pose.turned),
            slide_mm=_plain(p.pose.slide_mm),
            rip_mm=(_plain(p.rip_mm[0]), _plain(p.rip_mm[1])),
        )
        for p in layout.placements
    ]
    score = layout.score
    return LayoutRecord(
        schema_version=LAYOUT_VERSION,
        placements=placements,
        score=ScoreRecord(
            terms={k: _plain(v) for k, v in score.terms.items()},
            total=_plain(score.total),
            seams=[_plain(v) for v in score.seams],
        ),
        proven_optimal=bool(layout.proven_optimal),
        bound=None if layout.bound is None else _plain(layout.bound),
        top_mm=None if layout.top_mm is None else (_plain(layout.top_mm[0]), _plain(layout.top_mm[1])),
        made_from=dict(layout.made_from),
        remarks=list(layout.remarks),
    )


# --- boards ----------------------------------------------------------------------------------


def write_boards(
    folder: Path,
    boards: Sequence[Board],
    features: FaceFeatures | None = None,
    *,
    warnings: Sequence[str] = (),
    pngs: Mapping[tuple[str, Side], FacePngs] = MappingProxyType({}),
) -> Path:
    """Write boards.json and the face images beside it; returns the path of boards.json.

    The images are written first, so that boards.json never names one that is not there. pngs: images that
    were encoded before, by (board id, side).
    """
    stems = _stems(boards)
    record = _boards_record(boards, stems, features or {}, list(warnings))
    sweep_parts(folder)
    with ThreadPoolExecutor(_WORKERS) as pool:
        list(pool.map(partial(_write_faces, folder, stems, pngs), boards))
    return write_bytes(folder / BOARDS_FILE, record.model_dump_json(indent=1).encode())


def read_boards(folder: Path, *, pictures_of: Container[tuple[str, Side]] | None = None) -> list[Board]:
    """The boards of a folder that write_boards wrote.

    pictures_of: the faces whose pictures are wanted, by (board id, side), None for all; the others are one
    pixel of their mean tone, so that a yard's pile fits into memory. Raises StoreError for a missing, damaged
    or hostile file; images are only ever read from the folder.
    """
    with ThreadPoolExecutor(_WORKERS) as pool:
        return list(pool.map(partial(_board, folder, pictures_of), read_boards_record(folder).boards))


def sha256_of(path: Path) -> str:
    """What tells a file's content apart from any other. Raises OSError when it cannot be read."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def sha256_of_pictures(folder: Path, board_ids: Container[str]) -> str:
    """What tells the picture files of these boards apart from any others. Raises StoreError when one cannot
    be read."""
    told = hashlib.sha256()
    for board in read_boards_record(folder).boards:
        for face in (board, board.back):
            if face is not None and board.id in board_ids:
                for name in (face.face, face.inside):
                    told.update(hashlib.sha256(_picture_bytes(folder, name)).digest())
    return told.hexdigest()


def read_boards_record(folder: Path) -> BoardsRecord:
    """boards.json alone, checked, without opening an image."""
    data = read_bytes(folder / BOARDS_FILE, largest_mb=200, what="boards file")
    record = parse(data, BoardsRecord, version=BOARDS_VERSION, what="boards file")
    ids = [b.id for b in record.boards]
    if len(set(ids)) != len(ids):
        raise StoreError("The boards file names a board twice.", "Measure the boards again.")
    return record


@refusing("set of boards")
def _boards_record(
    boards: Sequence[Board], stems: Mapping[str, str], features: FaceFeatures, warnings: list[str]
) -> BoardsRecord:
    return BoardsRecord(
        schema_version=BOARDS_VERSION,
        warnings=warnings,
        boards=[_board_record(b, stems[b.id], features) for b in boards],
    )


def _board_record(board: Board, stem: str, features: FaceFeatures) -> BoardRecord:
    show, *rest = (_face_fields(f, f"{stem}_{f.side}", features.get((board.id, f.side))) for f in board.faces)
    end = board.end_grain
    return BoardRecord(
        id=board.id,
        species=board.species,
        length_mm=_plain(board.length_mm),
        start_width_mm=_plain(board.start_width_mm),
        end_width_mm=_plain(board.end_width_mm),
        thickness_mm=_plain(board.thickness_mm),
        crook_mm=_plain(board.crook_mm),
        sigma_length_mm=_plain(board.sigma_length_mm),
        sigma_width_mm=_plain(board.sigma_width_mm),
        moisture_pct=None if board.moisture_pct is None else _plain(board.moisture_pct),
        bark_side=board.bark_side,
        pair_confidence=_plain(board.pair_confidence),
        end_grain=None if end is None else _end_record(end),
        back=FaceRecord(**rest[0]) if rest else None,
        **show,
    )


def _face_fields(face: Face, stem: str, features: Features | None) -> dict[str, Any]:
    return {
        "photo": face.photo,
        "side": face.side,
        "outline_px": [] if face.outline_px is None else _pairs(face.outline_px, 2),
        "mean_lab": None if features is None else _known(*features.mean_lab, decimals=2),
        "grain_deg": None if features is None else _grain_deg(features),
        "marks": [] if features is None else [_mark_record(m) for m in features.marks],
        "face": f"{stem}.png",
        "inside": f"{stem}_inside.png",
        "px_per_mm": _plain(face.px_per_mm),
        "upper_edge_mm": _pairs(face.upper_edge_mm, 4),
        "lower_edge_mm": _pairs(face.lower_edge_mm, 4),
    }


def _grain_deg(features: Features) -> float | None:
    known = _known(math.degrees(features.mean_angle_rad), decimals=3)
    return None if known is None else known[0]


def _mark_record(mark: Mark) -> MarkRecord:
    return MarkRecord(
        kind=mark.kind,
        outline_mm=_pairs(mark.outline_mm, 2),
        confidence=_plain(mark.confidence),
        sound=bool(mark.sound),
    )


def _end_record(end: EndGrain) -> EndRecord:
    return EndRecord(
        bark_side=end.bark_side,
        pith_across_mm=_plain(end.pith_across_mm),
        pith_depth_mm=_plain(end.pith_depth_mm),
        pith_sigma_mm=_plain(end.pith_sigma_mm),
        ring_mm=_plain(end.ring_mm),
        residual_mm=_plain(end.residual_mm),
        confidence=_plain(end.confidence),
        reason=end.reason,
    )


def _board(folder: Path, pictures_of: Container[tuple[str, Side]] | None, record: BoardRecord) -> Board:
    faces = []
    for seen, nearly in ((record, 0.1), (record.back, 0.5)):  # the board's sizes are those of its show face
        if seen is None:
            continue
        if pictures_of is None or (record.id, seen.side) in pictures_of:
            faces.append(_face(seen, *_read_picture(folder, seen)))
            _check_face(record, faces[-1], nearly)
        else:
            faces.append(_face(seen, *_swatch(seen)))
    end = record.end_grain
    return Board(
        id=record.id,
        length_mm=record.length_mm,
        start_width_mm=record.start_width_mm,
        end_width_mm=record.end_width_mm,
        thickness_mm=record.thickness_mm,
        crook_mm=record.crook_mm,
        faces=tuple(faces),
        sigma_length_mm=record.sigma_length_mm,
        sigma_width_mm=record.sigma_width_mm,
        species=record.species,
        moisture_pct=record.moisture_pct,
        end_grain=None if end is None else EndGrain(**end.model_dump()),
        bark_side=record.bark_side,
        pair_confidence=record.pair_confidence,
    )


def _check_face(record: BoardRecord, face: Face, nearly: float) -> None:
    """A board's numbers must be those of its pictures, within a share `nearly` of them."""
    width_mm = (record.start_width_mm + record.end_width_mm) / 2
    upper, lower = face.upper_edge_mm, face.lower_edge_mm
    ends = np.array([[e[0, 0], e[-1, 0]] for e in (upper, lower)])
    seen = (
        (face.rgb.shape[1] / face.px_per_mm, record.length_mm),
        (float((ends[:, 1] - ends[:, 0]).min()), record.length_mm),
        (float(lower[:, 1].mean() - upper[:, 1].mean()), width_mm),
    )
    within = max(np.abs(upper).max(), np.abs(lower).max()) <= 2 * max(record.length_mm, width_mm) + 20
    if not within or any(abs(shown - said) > nearly * said + 20 for shown, said in seen):
        raise StoreError(
            f"The sizes of board {record.id} do not fit its picture of face {face.side}.",
            "Measure the boards again.",
        )


def _read_picture(folder: Path, record: FaceRecord) -> tuple[Rgb, Mask]:
    rgb = _read_image(folder, record.face, "RGB")
    inside = _read_image(folder, record.inside, "L")
    if rgb.shape[:2] != inside.shape:
        raise StoreError(
            f"The images {record.face} and {record.inside} differ in size.", "Measure the boards again."
        )
    return rgb, inside > 127


def _swatch(record: FaceRecord) -> tuple[Rgb, Mask]:
    """One pixel of a face's mean tone; grey when it was never read."""
    lab = np.array(record.mean_lab or (50.0, 0.0, 0.0), dtype=np.float64)
    return linear_to_srgb(lab_to_linear(lab)).reshape(1, 1, 3), np.ones((1, 1), dtype=bool)


def _face(record: FaceRecord, rgb: Rgb, inside: Mask) -> Face:
    outline = np.array(record.outline_px, dtype=np.float64).reshape(-1, 2)
    return Face(
        side=record.side,
        rgb=rgb,
        inside=inside,
        px_per_mm=record.px_per_mm,
        upper_edge_mm=np.array(record.upper_edge_mm, dtype=np.float64),
        lower_edge_mm=np.array(record.lower_edge_mm, dtype=np.float64),
        photo=record.photo,
        outline_px=outline if len(outline) else None,
    )


# --- small steps -----------------------------------------------------------------------------


def _stems(boards: Sequence[Board]) -> dict[str, str]:
    """A file name for each board: its id made safe, with a count when two would clash."""
    stems: dict[str, str] = {}
    for board in boards:
        safe = re.sub(r"[^A-Za-z0-9]+", "-", board.id).strip("-")[:60] or "x"
        stem = safe if safe.lower().startswith("board") else f"board-{safe}"
        taken = {s.lower() for s in stems.values()}
        if stem.lower() in taken:
            stem = next(f"{stem}-{k}" for k in range(2, 10_000) if f"{stem}-{k}".lower() not in taken)
        stems[board.id] = stem
    if len(stems) != len(boards):
        raise StoreError("Two boards have the same id.", "Give every board its own id.")
    return stems


def _write_faces(
    folder: Path, stems: Mapping[str, str], pngs: Mapping[tuple[str, Side], FacePngs], board: Board
) -> None:
    for face in board.faces:
        stem, files = f"{stems[board.id]}_{face.side}", pngs.get((board.id, face.side)) or encode_face(face)
        for name, data in ((f"{stem}.png", files.rgb), (f"{stem}_inside.png", files.inside)):
            write_pieces(folder / name, [data.data])
            let_go(data)
        let_go(face.rgb)
        let_go(face.inside)


def _read_image(folder: Path, name: str, mode: str) -> NDArray[np.uint8]:
    data = _picture_bytes(folder, name)
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as image:
            if image.width * image.height > _LARGEST_FACE_PX:
                raise StoreError(f"The image {name} is far too large.", "Measure the boards again.")
            return np.array(image if image.mode == mode else image.convert(mode), dtype=np.uint8)
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise StoreError(f"The face image {name} is damaged.", "Measure the boards again.") from error


def _picture_bytes(folder: Path, name: str) -> bytes:
    """An image file lying right in the folder; a name that leads anywhere else is refused."""
    if name != Path(name).name or "\\" in name or name in {"", ".", ".."} or "\0" in name:
        raise StoreError(
            "The boards file points to an image outside its folder.", "Measure the boards again."
        )
    path = folder / name
    if path.is_symlink():
        raise StoreError(
            f"The image {name} is a link to another file.", "Put the image itself in the folder."
        )
    return read_bytes(path, largest_mb=500, what="face image")


def _plain(value: Any, decimals: int | None = None) -> float:
    """A Python float, rounded where more digits would only be noise; no minus zero."""
    number = float(value)
    return (number if decimals is None else round(number, decimals)) + 0.0


def _known(*values: float, decimals: int) -> tuple[float, ...] | None:
    """Rounded values, None when one of them could not be measured."""
    return tuple(_plain(v, decimals) for v in values) if all(map(math.isfinite, values)) else None


def _pairs(points: Points, decimals: int) -> list[tuple[float, float]]:
    return [(x + 0.0, y + 0.0) for x, y in np.round(np.asarray(points, dtype=np.float64), decimals).tolist()]
