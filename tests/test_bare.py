"""Cropped face pictures of known scale enter like photographed boards."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grainmatch.board.bare import measure_bare_face
from grainmatch.cli import main
from grainmatch.errors import BoardError
from grainmatch.face.extent import find_wood
from grainmatch.pipeline.bare import faces_to_boards
from grainmatch.synth import draw_face, grow_board


def write_face(path: Path, rgb: np.ndarray, *, border_px: int = 0) -> None:
    padded = np.pad(rgb, ((border_px, border_px), (border_px, border_px), (0, 0)), constant_values=12)
    Image.fromarray(padded).save(path)


def test_two_faces_of_one_board_and_a_single_one(tmp_path: Path) -> None:
    board = grow_board(seed=4, length_mm=600.0, width_mm=90.0)
    write_face(tmp_path / "oak_1_a.png", draw_face(board, side="A", px_per_mm=2.0).rgb)
    write_face(tmp_path / "oak_1_b.png", draw_face(board, side="B", px_per_mm=2.0).rgb, border_px=30)
    upright = np.rot90(draw_face(grow_board(seed=5, length_mm=500.0, width_mm=80.0), px_per_mm=2.0).rgb)
    write_face(tmp_path / "oak_2.png", upright)
    (tmp_path / "oak_3.png").write_bytes(b"no picture")
    measured = faces_to_boards([tmp_path], px_per_mm=2.0, thickness_mm=25.0, species="cherry")
    assert [len(b.faces) for b in measured.boards] == [2, 1]
    assert measured.boards[0].length_mm == pytest.approx(600, abs=1.0)
    assert measured.boards[0].start_width_mm == pytest.approx(90, abs=1.0)
    assert measured.boards[1].length_mm == pytest.approx(500, abs=1.0)
    back = measured.boards[0].faces[1]
    assert back.lower_edge_mm[:, 1].mean() - back.upper_edge_mm[:, 1].mean() == pytest.approx(90, abs=1.5)
    assert [f.photo for f in measured.failures] == ["oak_3.png"]
    assert ("1", "B") in measured.features


def test_the_edges_of_a_board_on_black_bridge_cracks_and_knots() -> None:
    rng = np.random.default_rng(3)
    rgb = rng.integers(0, 12, (300, 1200, 3)).astype(np.uint8)
    y, x = np.arange(300)[:, None], np.arange(1200)[None, :]
    rgb[(y >= 60 + 0.02 * x) & (y < 230 + 0.02 * x) & (x >= 50) & (x < 1150)] = (190, 160, 110)
    rgb[140:146, 200:1000] = 5  # a crack along the grain
    rgb[70:110, 500:540] = 8  # a dark knot at the edge
    face = measure_bare_face(rgb, find_wood(rgb), px_per_mm=1.0, board_id="1", thickness_mm=25.0).faces[0]
    for edge, offset in ((face.upper_edge_mm, 60.0), (face.lower_edge_mm, 230.0)):
        np.testing.assert_allclose(edge[[0, -1], 0], (50, 1150), atol=2.0)
        np.testing.assert_allclose(edge[:, 1], offset + 0.02 * edge[:, 0], atol=2.0)


def test_darkness_holds_no_board() -> None:
    dark = np.zeros((50, 80, 3), np.uint8)
    with pytest.raises(BoardError, match="No wood"):
        measure_bare_face(dark, find_wood(dark), px_per_mm=1.0, board_id="1", thickness_mm=25.0)


def test_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_face(tmp_path / "one.png", draw_face(grow_board(seed=6, length_mm=400.0), px_per_mm=1.5).rgb)
    words = ["measure", str(tmp_path / "one.png"), "--thickness", "1in", "--out", str(tmp_path / "boards")]
    assert main([*words, "--px-per-mm", "1.5"]) == 0
    assert (tmp_path / "boards" / "boards.json").is_file()
    assert main([*words, "--px-per-mm", "none"]) == 2
    assert "pixels per millimetre" in capsys.readouterr().err
