"""What differs between a layout and the boards recognised on the bench, in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from grainmatch.model import Layout, Placement
from grainmatch.score.recognise import Recognition

SLID_MM = 10.0
"""Smaller slides are not mentioned: a photo cannot measure them well and the trim takes them."""


def describe_differences(recognitions: Sequence[Recognition], layout: Layout) -> list[str]:
    """Sentences on what differs, empty when the boards lie as planned.

    recognitions: from the top edge to the bottom edge of the photo. A photo taken from the other side of the
    bench (order reversed and every board turned) counts as the same top. Boards that were not recognised for
    sure are said to be so and not judged further.
    """
    as_seen = _differences(list(recognitions), layout)
    walked_round = _differences([_from_the_other_side(r) for r in reversed(recognitions)], layout)
    lines = walked_round if len(walked_round) < len(as_seen) else as_seen
    return [f"{line[:1].upper()}{line[1:]}." for line in lines]


def _from_the_other_side(seen: Recognition) -> Recognition:
    return replace(seen, turned=not seen.turned, centre_mm=-seen.centre_mm)


def _differences(seen: list[Recognition], layout: Layout) -> list[str]:
    planned = {p.board_id: p for p in layout.placements}
    order = [p.board_id for p in layout.placements]
    sure = [r for r in seen if r.sure and r.board_id in planned]
    lines = _order_lines([r.board_id for r in sure], order)
    lines += [line for r in sure for line in _pose_lines(r, planned[r.board_id])]
    lines += _slide_lines(sure, planned)
    return lines + _unclear_lines(seen, order)


def _pose_lines(seen: Recognition, planned: Placement) -> list[str]:
    name = _name(planned.board_id)
    lines = []
    if seen.side != planned.pose.side_up:
        lines.append(f"{name} shows its other face")
    if seen.turned != planned.pose.turned:
        lines.append(f"{name} is turned end for end")
    return lines


def _order_lines(found: list[str], order: list[str]) -> list[str]:
    """Boards out of order among those found: exchanged pairs, one board moved, or each board's place."""
    wanted = [b for b in order if b in found]
    moved = [b for b, w in zip(found, wanted, strict=True) if b != w]
    if not moved:
        return []
    single = _one_moved(found, wanted)
    lines, done = [], set()
    for board in moved:
        if board in done:
            continue
        partner = found[wanted.index(board)]
        if wanted[found.index(board)] == partner:
            first, second = sorted((board, partner), key=order.index)
            lines.append(f"boards {_bare(first)} and {_bare(second)} have changed places")
            done |= {board, partner}
    rest = [b for b in moved if b not in done]
    if rest and single is not None and not lines:
        rest = [single]
    for board in rest:
        lines.append(
            f"{_name(board)} lies in place {found.index(board) + 1} from the top edge "
            f"instead of place {wanted.index(board) + 1}"
        )
    return lines


def _one_moved(found: list[str], wanted: list[str]) -> str | None:
    """The one board that, taken out, leaves the others in order; None when there is none."""
    for board in found:
        if [b for b in found if b != board] == [b for b in wanted if b != board]:
            return board
    return None


def _slide_lines(sure: list[Recognition], planned: dict[str, Placement]) -> list[str]:
    """Slides against the other boards: the middle of all boards' slides is taken as the top's own place."""
    if len(sure) < 2:
        return []
    off_mm = np.array([r.centre_mm - planned[r.board_id].pose.slide_mm for r in sure])
    lines = []
    for k, seen in enumerate(sure):
        slid_mm = float(off_mm[k] - np.median(np.delete(off_mm, k)))
        if abs(slid_mm) >= SLID_MM and not _explained(off_mm, k):
            way = "right" if slid_mm > 0 else "left"
            lines.append(f"{_name(seen.board_id)} is slid {abs(slid_mm):.0f} mm to the {way}")
    return lines


def _explained(off_mm: np.ndarray, k: int) -> bool:
    """True when this board lies where most boards lie, so that the others are the ones that slid."""
    near = np.abs(off_mm - off_mm[k]) < SLID_MM / 2
    return bool(near.sum() > len(off_mm) / 2)


def _unclear_lines(seen: list[Recognition], order: list[str]) -> list[str]:
    """Boards not recognised, boards that are not of this layout, and boards that are missing."""
    lines = []
    named = {r.board_id for r in seen if r.sure}
    unclear = [k for k, r in enumerate(seen) if not r.sure]
    for r in seen:
        if r.sure and r.board_id not in order:
            lines.append(f"{_name(r.board_id)} does not belong to this layout")
    missing = [b for b in order if b not in named]
    for k in unclear:
        guess = seen[k].board_id
        maybe = f"; it may be {_name(guess)}" if guess in missing else ""
        lines.append(f"the board in place {k + 1} from the top edge is not recognised for sure{maybe}")
    if len(missing) > len(unclear):
        lines += [f"{_name(b)} is not found in the photo" for b in missing]
    return lines


def _bare(board_id: str) -> str:
    return board_id[5:].strip() if board_id.lower().startswith("board") else board_id


def _name(board_id: str) -> str:
    return f"board {_bare(board_id)}"
