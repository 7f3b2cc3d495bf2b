"""When a top is glued its boards leave the rack, and what was cut off them goes back onto it."""

from __future__ import annotations

import tempfile
from pathlib import Path

from grainmatch.glueup.spare import cut_spare_board
from grainmatch.glueup.trim import plan_trim
from grainmatch.model import Board, Layout
from grainmatch.report.record import write_boards
from grainmatch.store import Job, Shop
from grainmatch.ui.stock import Stock


def use_up(shop: Shop, job: Job, stock: Stock, layout: Layout) -> int:
    """Mark the layout's boards as used and put the offcuts worth keeping on the rack. Returns how many."""
    shop.drop_offcuts(job.id)
    shop.use_boards(job.id, [p.board_id for p in layout.placements])
    offcuts = cut_offcuts(stock, layout)
    if offcuts:
        with tempfile.TemporaryDirectory(prefix="grainmatch-") as folder:
            write_boards(Path(folder) / "set", offcuts)
            sha256 = shop.add_set(Path(folder) / "set")
        for board in offcuts:
            shop.add_to_rack(sha256, board.id, home_job=job.id, note="offcut")
    return len(offcuts)


def put_back(shop: Shop, job: Job) -> None:
    """Not glued after all: its boards are free again, and the offcuts are gone."""
    shop.use_boards(job.id, [])
    shop.drop_offcuts(job.id)


def cut_offcuts(stock: Stock, layout: Layout) -> list[Board]:
    """The pieces worth keeping that are left over, as boards of their own."""
    pieces = [p for p in plan_trim(layout, stock.boards).spare if p.keep and p.kind != "whole board"]
    number: dict[str, int] = {}
    offcuts = []
    for piece in pieces:
        number[piece.board_id] = number.get(piece.board_id, 0) + 1
        name = f"{piece.board_id}.{number[piece.board_id]}"
        offcuts.append(cut_spare_board(stock.by_id[piece.board_id], piece, new_id=name))
    return offcuts
