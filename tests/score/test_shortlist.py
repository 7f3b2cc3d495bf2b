"""A rack of boards narrowed to those worth weighing."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Rule, Wishes
from grainmatch.pipeline.arrange import arrange
from grainmatch.score.shortlist import measure_tone_lab, shortlist_boards
from tests.faces import straight_face
from tests.score.boards import draw_plank, make_board, rip_pair

TOP_MM = (600.0, 600.0)


def plain_board(board_id: str, grey: float, *, species: str = "oak", thickness_mm: float = 27.0) -> Board:
    """A board of one even tone, 700 mm by 100 mm."""
    rgb = np.full((30, 210, 3), np.clip(np.array([1.0, 0.8, 0.6]) * grey, 0, 255), dtype=np.uint8)
    face = straight_face(rgb, px_per_mm=0.3)
    return Board(board_id, 700.0, 100.0, 100.0, thickness_mm, 0.0, (face,), species=species)


def make_rack(count: int, seed: int = 3) -> list[Board]:
    """Half oak half ash, a third too thick, tones spread wide with one close lot of thirty among them."""
    rng = np.random.default_rng(seed)
    rack = [
        plain_board(
            f"r{k}",
            rng.uniform(90, 250),
            species="oak" if k % 3 else "ash",
            thickness_mm=27.0 if rng.random() < 0.7 else 40.0,
        )
        for k in range(count - 30)
    ]
    lot = [plain_board(f"lot{k}", rng.uniform(148, 152)) for k in range(30)]
    return [(rack + lot)[k] for k in rng.permutation(count)]


def test_a_rack_is_narrowed_to_one_lot() -> None:
    found = shortlist_boards(make_rack(200), top_mm=TOP_MM)
    assert found.of_n == 200
    assert found.narrowed_by == ("species", "thickness", "tone")
    assert len(found.boards) == 24
    assert {b.species for b in found.boards} == {"oak"}
    assert {b.thickness_mm for b in found.boards} == {27.0}
    light = [measure_tone_lab(b)[0] for b in found.boards]
    assert np.ptp(light) < 4
    assert sum(b.id.startswith("lot") for b in found.boards) >= 20


def test_boards_named_by_rules_stay_and_the_others_follow_them() -> None:
    rack = [*make_rack(60), plain_board("mine", 230, species="ash", thickness_mm=33.0)]
    wishes = Wishes(rules=(Rule("include", ("mine",)), Rule("exclude", ("lot3",))))
    found = shortlist_boards(rack, top_mm=TOP_MM, wishes=wishes)
    assert "mine" in {b.id for b in found.boards}
    assert {b.species for b in found.boards if b.id != "lot3"} == {"ash"}


def test_nothing_is_left_out_without_need() -> None:
    few = make_rack(60)[:24]
    assert shortlist_boards(few, top_mm=TOP_MM).boards == tuple(few)
    many = make_rack(60)
    assert shortlist_boards(many, top_mm=None).boards == tuple(many)
    short = [replace(b, length_mm=500.0) for b in many[20:]]
    found = shortlist_boards([*many[:20], *short], top_mm=TOP_MM)
    assert (len(found.boards), found.narrowed_by) == (20, ())
    with pytest.raises(LayoutError):
        shortlist_boards(short, top_mm=TOP_MM)


def test_a_wide_top_of_narrow_boards_keeps_enough_of_them() -> None:
    found = shortlist_boards(make_rack(200), top_mm=(600.0, 3000.0))
    assert sum(b.width_mm for b in found.boards) >= 3000


def test_the_layout_says_so_and_claims_no_proof() -> None:
    pairs = [rip_pair(draw_plank(seed, width_mm=90.0)) for seed in range(20, 33)]
    rack = [make_board(f"{k}{side}", rgb) for k, pair in enumerate(pairs) for side, rgb in enumerate(pair)]
    width = 2.5 * rack[0].width_mm
    best = arrange(rack, top_mm=(600.0, width), n_best=1)[0]
    assert not best.proven_optimal
    assert best.bound is None
    assert "Chosen among 24 of 26 boards, narrowed by tone" in best.remarks[0]
    assert "proven best among those" in best.remarks[0]


def test_two_thousand_boards_take_less_than_a_second() -> None:
    rack = make_rack(2000)
    start = time.process_time()
    found = shortlist_boards(rack, top_mm=TOP_MM)
    assert time.process_time() - start < 1.0
    assert len(found.boards) == 24
