"""Bare boards for tests that look at sizes and rings only."""

from typing import Any

import numpy as np

from grainmatch.model import Board, EndGrain, Face, Layout, Placement, Pose, Score, Side


def make_board(
    board_id: str, *, width_mm: float = 120.0, rings: tuple[float, float] | None = None, **more: Any
) -> Board:
    """A board of no visible wood. rings: pith across and pith depth, read with full confidence."""
    length_mm = more.pop("length_mm", 1850.0)
    thickness_mm = more.pop("thickness_mm", 27.0)
    edge = np.array([[0.0, 0.0], [length_mm, 0.0]])
    face = Face(
        "A",
        np.zeros((2, 4, 3), np.uint8),
        np.ones((2, 4), np.bool_),
        0.01,
        edge,
        edge + np.array([0.0, width_mm]),
    )
    end = None
    if rings is not None:
        bark: Side = "A" if rings[1] > thickness_mm / 2 else "B"
        end = EndGrain(bark, rings[0], rings[1], 3.0, 3.0, 0.1, 1.0)
    return Board(
        id=board_id,
        length_mm=length_mm,
        start_width_mm=more.pop("start_width_mm", width_mm),
        end_width_mm=width_mm,
        thickness_mm=thickness_mm,
        crook_mm=0.0,
        faces=(face,),
        species=more.pop("species", "cherry"),
        end_grain=end,
        **more,
    )


def make_layout(*board_ids: str, **more: Any) -> Layout:
    """Those boards in order, face A up; `flip` and `turn` name the ids that lie otherwise."""
    flip, turn, rip = more.pop("flip", ""), more.pop("turn", ""), more.pop("rip_mm", {})
    slide = more.pop("slide_mm", {})
    return Layout(
        tuple(
            Placement(
                i, Pose("B" if i in flip else "A", i in turn, slide.get(i, 0.0)), rip.get(i, (0.0, 0.0))
            )
            for i in board_ids
        ),
        Score({}, 0.0),
        **more,
    )
