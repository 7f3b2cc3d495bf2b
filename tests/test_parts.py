"""Long boards in parts and corrections by hand, through the whole recipe on drawn photos."""

from __future__ import annotations

from pathlib import Path

import pytest

from grainmatch.board.correct import Correction, RemoveBoard, RenameBoard, SetShowFace
from grainmatch.pipeline.pile import photos_to_boards
from grainmatch.synth import SheetPlace, aim_camera, draw_scene, grow_board
from tests.phone import as_jpeg

SIZE_PX = (1600, 1200)


def test_a_long_board_in_two_photos_is_one_board(tmp_path: Path) -> None:
    boards = [grow_board(seed=s, length_mm=1800.0, width_mm=120.0) for s in (11, 12)]
    for part, x_mm in ((1, -420.0), (2, 420.0)):
        camera = aim_camera(size_px=SIZE_PX, eye_mm=(x_mm, 60.0, 1000.0), target_mm=(x_mm, 0.0))
        sheet = SheetPlace(centre_mm=(x_mm, 330.0))
        photo = draw_scene(boards, camera=camera, sheet=sheet, size_px=SIZE_PX).photo
        (tmp_path / f"long_part{part}.jpg").write_bytes(as_jpeg(photo))
    measured = photos_to_boards([tmp_path], thickness_mm=27.0)
    assert not measured.failures, measured.failures
    assert [b.id for b in measured.boards] == ["1", "2"]
    for board in measured.boards:
        assert board.length_mm == pytest.approx(1800, abs=max(6.0, 3 * board.sigma_length_mm))
        assert board.start_width_mm == pytest.approx(120, abs=1.5)


def test_corrections_are_applied_again_at_every_measuring(tmp_path: Path) -> None:
    boards = [grow_board(seed=s, length_mm=900.0, width_mm=110.0) for s in (1, 2, 3)]
    camera = aim_camera(size_px=SIZE_PX, eye_mm=(0.0, 60.0, 1000.0))
    scene = draw_scene(boards, camera=camera, sheet=SheetPlace(centre_mm=(-250.0, 330.0)), size_px=SIZE_PX)
    path = tmp_path / "pile.jpg"
    path.write_bytes(as_jpeg(scene.photo))
    middles = [tuple(float(v) for v in outline.mean(axis=0)) for outline in scene.outlines_px]
    changes: list[Correction] = [
        RemoveBoard(at_px=(middles[0][0], middles[0][1])),
        RenameBoard(at_px=(middles[1][0], middles[1][1]), id="sister"),
        SetShowFace(at_px=(middles[2][0], middles[2][1]), side="B"),
        RemoveBoard(at_px=(1.0, 1.0)),
    ]
    measured = photos_to_boards([path], thickness_mm=27.0, corrections={"pile.jpg": changes})
    assert [b.id for b in measured.boards] == ["sister", "2"]
    assert [f.side for f in measured.boards[1].faces] == ["B"]
    assert any("RemoveBoard" in w for w in measured.warnings)
