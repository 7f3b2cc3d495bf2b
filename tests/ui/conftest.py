"""A small measured job drawn by the synthesiser, in the shop of the test."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from grainmatch.model import Board
from grainmatch.report.record import write_boards
from grainmatch.store import Job, Shop
from tests.faces import grown_board

PX_PER_MM = 1.0
LENGTH_MM = 600.0
WIDTHS_MM = (118.0, 96.0, 131.0, 104.0)


@cache
def make_boards() -> tuple[Board, ...]:
    """Four short boards with two faces each."""
    return tuple(
        grown_board(number, length_mm=LENGTH_MM, width_mm=width, px_per_mm=PX_PER_MM)
        for number, width in enumerate(WIDTHS_MM, 1)
    )


@pytest.fixture(scope="session")
def measured_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("measured")
    write_boards(folder, make_boards())
    return folder


@pytest.fixture
def job(shop: Shop, measured_set: Path) -> Job:
    """A job with four measured boards and nothing else."""
    made = shop.add_job("Coffee table", {"top_mm": [560.0, 300.0], "thickness_mm": 27.0})
    sha256 = shop.add_set(measured_set)
    shop.put_boards(made.id, [(str(n), sha256, str(n)) for n in range(1, 5)])
    shop.write_setting("last_job", made.id)
    return shop.read_job(made.id)
