"""Spare pieces as boards again, so that they can go back on the rack."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grainmatch.errors import BoardError
from grainmatch.model import Board, EndGrain, Face
from grainmatch.panel import strip_axis
from grainmatch.plans import SparePiece


def cut_spare_board(board: Board, piece: SparePiece, *, new_id: str) -> Board:
    """The piece as a board of its own, with its part of each face picture.

    Its rings are those of the board it came from (they change little along a board). Raises BoardError when
    the piece does not lie on the board.
    """
    inside = (
        piece.board_id == board.id
        and min(piece.from_left_mm, piece.from_upper_mm) > -1
        and piece.from_left_mm + piece.length_mm <= board.length_mm + 1
        and piece.from_upper_mm + piece.width_mm <= max(board.start_width_mm, board.end_width_mm) + 1
    )
    if not inside:
        raise BoardError(
            f"The piece does not come from board {board.id}.", "Cut it from the board the trim plan names."
        )
    return replace(
        board,
        id=new_id,
        length_mm=piece.length_mm,
        start_width_mm=piece.width_mm,
        end_width_mm=piece.width_mm,
        crook_mm=0.0,
        faces=tuple(_crop(face, board, piece) for face in board.faces),
        end_grain=_move_pith(board, piece),
    )


def _crop(face: Face, board: Board, piece: SparePiece) -> Face:
    x, middle, slope = strip_axis(face)
    # face B is recorded as seen after the flip: its upper edge is the lower one of face A
    from_upper = piece.from_upper_mm
    if face.side == "B":
        from_upper = board.width_mm - piece.from_upper_mm - piece.width_mm
    left_mm = x - board.length_mm / 2 + piece.from_left_mm
    level = middle + slope * (left_mm + piece.length_mm / 2 - x)
    top_mm = level - board.width_mm / 2 + from_upper
    height, width = face.inside.shape
    scale = face.px_per_mm
    x0, x1 = (int(np.clip(round(v * scale), 0, width)) for v in (left_mm, left_mm + piece.length_mm))
    y0, y1 = (int(np.clip(round(v * scale), 0, height)) for v in (top_mm, top_mm + piece.width_mm))
    rows, columns = slice(min(y0, height - 1), max(y1, y0 + 1)), slice(min(x0, width - 1), max(x1, x0 + 1))
    edge = np.array([[0.0, 0.0], [piece.length_mm, 0.0]])
    return replace(
        face,
        rgb=face.rgb[rows, columns].copy(),
        inside=face.inside[rows, columns].copy(),
        upper_edge_mm=edge,
        lower_edge_mm=edge + np.array([0.0, piece.width_mm]),
        outline_px=None,
    )


def _move_pith(board: Board, piece: SparePiece) -> EndGrain | None:
    if board.end_grain is None:
        return None
    shift = piece.from_upper_mm + piece.width_mm / 2 - board.width_mm / 2
    return replace(board.end_grain, pith_across_mm=board.end_grain.pith_across_mm - shift)
