"""Small boards with stripes, for tests that need faces but no real wood."""

from __future__ import annotations

from datetime import date

import numpy as np

from grainmatch.model import Board, Face, Layout, Placement, Pose, Score, Side
from grainmatch.report.page import Stamp

STAMP = Stamp("49fa-e0b1", date(2026, 11, 25))
CHERRY = np.array([178, 122, 84])


def fake_face(
    side: Side,
    *,
    length_mm: float = 1900.0,
    start_mm: float = 120.0,
    end_mm: float = 120.0,
    px_per_mm: float = 1.0,
    seed: int = 0,
    margin_mm: float = 6.0,
) -> Face:
    """A tapered face with wavy lines; its middle line lies level in the image."""
    rng = np.random.default_rng(seed)
    w = round((length_mm + 2 * margin_mm) * px_per_mm)
    h = round((max(start_mm, end_mm) + 2 * margin_mm) * px_per_mm)
    y, x = (np.indices((h, w)) + 0.5) / px_per_mm
    centre = h / px_per_mm / 2
    half = (start_mm + (end_mm - start_mm) * (x - margin_mm) / length_mm) / 2
    inside = (np.abs(y - centre) <= half) & (x >= margin_mm) & (x <= margin_mm + length_mm)
    wave = np.sin((y + 9 * np.sin(x / 260 + seed)) / (1.6 + 0.5 * rng.random()))
    tone = CHERRY + rng.normal(0, 9, 3)
    rgb = np.clip(tone + 10 * wave[..., None] + rng.normal(0, 2, (h, w, 1)), 0, 255).astype(np.uint8)
    rgb[~inside] = (120, 124, 128)
    ends = np.array([margin_mm, margin_mm + length_mm])
    widths = np.array([start_mm, end_mm])
    return Face(
        side=side,
        rgb=rgb,
        inside=inside,
        px_per_mm=px_per_mm,
        upper_edge_mm=np.column_stack([ends, centre - widths / 2]),
        lower_edge_mm=np.column_stack([ends, centre + widths / 2]),
        photo="bench.jpg",
        outline_px=np.array([[10.0, 10.0], [400.0, 10.0], [400.0, 60.0], [10.0, 60.0]]),
    )


def fake_board(
    board_id: str,
    *,
    seed: int = 0,
    back: bool = True,
    px_per_mm: float = 1.0,
    length_mm: float = 1900.0,
    start_mm: float = 120.0,
    end_mm: float = 120.0,
) -> Board:
    """A cherry board 27 mm thick."""
    sides: list[Side] = ["A", "B"] if back else ["A"]
    faces = tuple(
        fake_face(
            side,
            length_mm=length_mm,
            start_mm=start_mm,
            end_mm=end_mm,
            px_per_mm=px_per_mm,
            seed=seed + 100 * k,
        )
        for k, side in enumerate(sides)
    )
    return Board(board_id, length_mm, start_mm, end_mm, 27.0, 1.2, faces, species="black cherry")


def fake_boards(*, px_per_mm: float = 1.0) -> list[Board]:
    """Eight boards for a kitchen table top; board 6 has no photo of its back."""
    rng = np.random.default_rng(5)
    return [
        fake_board(
            str(k), seed=k, back=k != 6, px_per_mm=px_per_mm, length_mm=1850 + float(rng.integers(0, 90)),
            start_mm=112 + float(rng.integers(0, 18)), end_mm=112 + float(rng.integers(0, 18)),
        )
        for k in range(1, 9)
    ]  # fmt: skip


def fake_layout() -> Layout:
    """Those boards in an order, two of them on their other face, three turned."""
    order = [("3", "A", False), ("1", "B", True), ("7", "A", True), ("2", "A", False),
             ("6", "B", False), ("8", "A", True), ("5", "A", False), ("4", "A", False)]  # fmt: skip
    placements = tuple(
        Placement(i, Pose(side, turned, slide), (1.5, 1.0))  # type: ignore[arg-type]
        for (i, side, turned), slide in zip(order, [0, 12, -20, 5, 0, 30, -8, 0], strict=True)
    )
    terms = {"tone_match": 3.2, "line_flow": 2.1, "even_tone": 0.9, "stay_flat": 0.4}
    return Layout(
        placements, Score(terms, 6.6, (0.9, 0.4, 1.3, 0.7, 1.0, 1.2, 0.8)), True, 6.6, (1700.0, 850.0),
        {"boards": "boards", "seed": "0"}, ("Board 6 has no photo of its back.",),
    )  # fmt: skip
