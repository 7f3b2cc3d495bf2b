"""A photo of the dry fit against its layout: which board lies where, and what differs, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from grainmatch.board.segment import find_boards
from grainmatch.errors import LayoutError
from grainmatch.model import Board, Layout, Photo
from grainmatch.photo.pose import KnownBoard
from grainmatch.photo.read import read_photo
from grainmatch.photo.whole import rectify_top
from grainmatch.pipeline.files import boards_folder_of
from grainmatch.pipeline.measure import no_boards, scale_photo
from grainmatch.report.record import layout_id, read_boards, read_layout
from grainmatch.score.differences import describe_differences
from grainmatch.score.recognise import Recognition, recognise_top


@dataclass(frozen=True, eq=False)
class DryFit:
    """What was recognised, top edge first, and the differences; sentences are for the reader."""

    layout: Layout
    seen: tuple[Recognition, ...]
    differences: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to tell the maker: each difference, or that all is as planned."""
        return self.differences or ("Every board lies as in the layout.",)

    def document(self) -> dict[str, Any]:
        """Plain data, ready for JSON."""
        return {
            "schema_version": 1,
            "layout": layout_id(self.layout),
            "agrees": not self.differences,
            "differences": list(self.differences),
            "boards": [{"place": n, **asdict(seen)} for n, seen in enumerate(self.seen, 1)],
        }


def check_photo(photo: Photo, layout: Layout, boards: Sequence[Board]) -> DryFit:
    """Recognise every board in a photo of the laid-out top and say what differs from the layout.

    A reference sheet lies on the bench; without one the scale comes from the boards' own usual length.
    Raises PhotoError when no board is found, LayoutError when the layout's boards are not among `boards`.
    """
    by_id = {b.id: b for b in boards}
    try:
        planned = [by_id[p.board_id] for p in layout.placements]
    except KeyError as error:
        raise LayoutError(
            f"Board {error.args[0]} of the layout is not among the boards.", "Arrange the boards again."
        ) from error
    thickness_mm = float(np.median([b.thickness_mm for b in planned]))
    usual = KnownBoard(length_mm=float(np.median([b.length_mm for b in planned])))
    bench = scale_photo(photo, thickness_mm, known=usual)
    outlines = find_boards(bench)
    if not outlines:
        raise no_boards(photo)
    # The boards are looked for in one picture of the whole top: where they touch, their own grain tells
    # them apart more surely than the seams between them.
    whole, left_mm = rectify_top(bench, [o.outline_px for o in outlines])
    seen = recognise_top(whole, boards, left_mm=left_mm)
    return DryFit(layout, tuple(seen), tuple(describe_differences(seen, layout)))


def check_dry_fit(layout_file: Path, photo_file: Path) -> DryFit:
    """The check for a saved layout and a photo file."""
    layout = read_layout(layout_file)
    boards = read_boards(boards_folder_of(layout, layout_file))
    return check_photo(read_photo(photo_file), layout, boards)
