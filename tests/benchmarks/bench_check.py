"""How well boards of a dry fit are recognised, and mistakes named.

Tops are composed from drawn boards and from real spruce (photos/boards: tiles of a line scan, cut to the
wood and stretched 1.7 times lengthwise, as their notes say). Every seen face gets other light, another
scale, blur, noise and chalk over a tenth of it; each top holds one random mistake that must be named, and
nothing else.

    python -m tests.benchmarks.bench_check [tops] [seed]
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from grainmatch.board.segment import find_boards
from grainmatch.colour import srgb_to_linear
from grainmatch.model import Board, Face, Layout, Photo, Placement, Pose, Rgb, Score, Side
from grainmatch.photo.whole import rectify_top
from grainmatch.pipeline.measure import scale_photo
from grainmatch.score.differences import describe_differences
from grainmatch.score.recognise import Recognition, recognise_top
from grainmatch.synth import (
    BoardPlace,
    SheetPlace,
    SolidBoard,
    aim_camera,
    draw_face,
    draw_scene,
    grow_board,
)
from grainmatch.synth.bench import BenchKind
from grainmatch.synth.cut import encode
from tests.benchmarks.shared import shared_folder
from tests.faces import straight_face
from tests.score.dry_fit import lay_down

BOARDS_N = 5
PX_PER_MM = 2.0
KINDS = ("turned", "other face", "changed places", "slid")


@dataclass(frozen=True)
class Lying:
    """A board as it lies: its left end's place along the bench is slide_mm off the plan's."""

    board_id: str
    side: Side
    turned: bool
    slide_mm: float


def as_board(name: str, front: Rgb, back: Rgb) -> Board:
    h, w = front.shape[0] / PX_PER_MM, front.shape[1] / PX_PER_MM
    faces = (
        straight_face(front, "A", px_per_mm=PX_PER_MM),
        straight_face(back, "B", px_per_mm=PX_PER_MM),
    )
    return Board(name, w, h, h, 27.0, 0.0, faces)


def drawn_boards(rng: np.random.Generator) -> list[Board]:
    boards = []
    for n in range(BOARDS_N):
        board = grow_board(
            seed=int(rng.integers(1 << 30)),
            length_mm=float(rng.uniform(1250, 1320)),
            width_mm=float(rng.uniform(100, 150)),
            species=str(rng.choice(["cherry", "walnut", "maple", "oak", "pine", "ash"]))
            if n == 0
            else "cherry",
        )
        front, back = (draw_face(board, side=s, px_per_mm=PX_PER_MM, noise=2).rgb for s in ("A", "B"))
        boards.append(as_board(str(n + 1), front, back))
    return boards


def real_pieces(folder: Path, length_mm: float = 600.0, width_mm: float = 120.0) -> list[Rgb]:
    """Pieces of real spruce boards, one face each, cut to the wood."""
    pieces: list[Rgb] = []
    for path in sorted(folder.glob("*.jpg")):
        photo = np.asarray(cv2.imread(str(path)), dtype=np.uint8)[..., ::-1]
        wood = photo.max(axis=2) > 70
        columns = np.flatnonzero(wood.mean(axis=0) > 0.5)
        top = np.array([np.flatnonzero(wood[:, c])[0] for c in columns[::20]])
        bottom = np.array([np.flatnonzero(wood[:, c])[-1] for c in columns[::20]])
        upper, lower = (np.polyfit(columns[::20], edge, 1) for edge in (top, bottom))
        step = int(length_mm / width_mm * np.median(bottom - top) / 1.7)
        for left in range(int(columns[0]), int(columns[-1]) - step, step):
            ends = np.array([left, left + step])
            corners = np.column_stack([ends, np.polyval(upper, ends) + 8])[:2].tolist()
            corners.append([float(left), float(np.polyval(lower, left)) - 8])
            size = (round(length_mm * PX_PER_MM), round(width_mm * PX_PER_MM))
            target = np.array([[0, 0], [size[0], 0], [0, size[1]]], dtype=np.float32)
            turn = cv2.getAffineTransform(np.asarray(corners, dtype=np.float32), target)
            flat = cv2.warpAffine(cv2.GaussianBlur(photo, (0, 0), 1.5), turn, size, flags=cv2.INTER_LINEAR)
            pieces.append(np.ascontiguousarray(flat, dtype=np.uint8))
    return pieces


def disturb(rgb: Rgb, rng: np.random.Generator) -> tuple[Rgb, float]:
    """Another photo of a face (ragged crop, scale, light, chalk over a tenth, blur, noise), its px per mm."""
    cut = np.abs(rng.normal(0, 1.0, 4) * PX_PER_MM).astype(int)
    rgb = rgb[cut[0] : rgb.shape[0] - cut[1], cut[2] : rgb.shape[1] - cut[3]]
    factor = rng.uniform(0.5, 1.0)
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor * rng.uniform(0.995, 1.005)))
    small = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    h, w = small.shape[:2]
    light = np.array([1, rng.uniform(0.75, 1), rng.uniform(0.55, 1)]) * rng.uniform(0.5, 1.2)
    linear = srgb_to_linear(small) * light.astype(np.float32)
    linear *= (1 + rng.uniform(-0.4, 0.4) * (np.arange(w) / w - 0.5))[None, :, None].astype(np.float32)
    linear *= (1 + rng.uniform(-0.3, 0.3) * (np.arange(h) / h - 0.5))[:, None, None].astype(np.float32)
    chalk = np.zeros((h, w), dtype=np.uint8)
    while (chalk > 0).mean() < 0.1:
        start = rng.uniform(0, 1, 2) * (w, h)
        end = start + rng.normal(0, 0.6 * h, 2)
        thick = max(1, int(h * rng.uniform(0.03, 0.1)))
        cv2.line(chalk, start.astype(int).tolist(), end.astype(int).tolist(), 255, thick)
    linear = np.where(chalk[..., None] > 0, 0.3 * linear + 0.6, linear)
    linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), rng.uniform(0.3, 1.5)), dtype=np.float32)
    noisy = encode(linear) + rng.normal(0, rng.uniform(0, 8), linear.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8), PX_PER_MM * factor


def plan_top(boards: list[Board], rng: np.random.Generator) -> Layout:
    placements = []
    for n in rng.permutation(len(boards)):
        side: Side = "A" if rng.random() < 0.6 else "B"
        pose = Pose(side, bool(rng.random() < 0.5), float(rng.uniform(-15, 15)))
        placements.append(Placement(boards[n].id, pose))
    return Layout(tuple(placements), Score({}, 0.0))


def make_mistake(layout: Layout, kind: str, rng: np.random.Generator) -> tuple[list[Lying], str]:
    """The boards as they lie with one mistake in them, and the sentence that names it."""
    lying = [Lying(p.board_id, p.pose.side_up, p.pose.turned, p.pose.slide_mm) for p in layout.placements]
    k = int(rng.integers(len(lying)))
    it = lying[k]
    if kind == "turned":
        lying[k] = replace(it, turned=not it.turned)
        return lying, f"board {it.board_id} is turned end for end"
    if kind == "other face":
        lying[k] = replace(it, side="B" if it.side == "A" else "A")
        return lying, f"board {it.board_id} shows its other face"
    if kind == "slid":
        slide_mm = float(rng.uniform(20, 80) * rng.choice([-1, 1]))
        lying[k] = replace(it, slide_mm=it.slide_mm + slide_mm)
        return lying, f"board {it.board_id} is slid * mm to the {'right' if slide_mm > 0 else 'left'}"
    j = int(rng.choice([n for n in range(len(lying)) if n != k]))
    first, second = sorted((k, j))
    # The exchanged boards keep their own slides.
    lying[k], lying[j] = lying[j], lying[k]
    ids = [layout.placements[n].board_id for n in (first, second)]
    return lying, f"boards {ids[0]} and {ids[1]} have changed places"


def look_at(lying: list[Lying], boards: list[Board], rng: np.random.Generator) -> Face:
    """The picture of a top, boards touching."""
    by_id = {b.id: b for b in boards}
    faces, lefts = [], []
    off = rng.uniform(0.985, 1.015)  # one photo has one error of scale
    for it in lying:
        face = by_id[it.board_id].face(it.side)
        assert face is not None
        rgb = face.rgb[::-1, ::-1] if it.turned else face.rgb
        seen, px_per_mm = disturb(rgb, rng)
        faces.append(straight_face(seen, px_per_mm=px_per_mm / off))
        lefts.append(off * (700 + it.slide_mm - by_id[it.board_id].length_mm / 2) + rng.normal(0, 1))
    return lay_down(faces, lefts)


def right(found: Recognition, it: Lying | None) -> bool:
    return it is not None and (found.board_id, found.side, found.turned) == (it.board_id, it.side, it.turned)


def names_it(lines: list[str], sentence: str) -> bool:
    if len(lines) != 1:
        return False
    return all(part in lines[0].lower() for part in sentence.split("*"))


def run(title: str, tops: list[list[Board]], mistakes_n: int, rng: np.random.Generator) -> None:
    sure, sure_right, any_right, named = 0, 0, 0, Counter[str]()
    asked, total = Counter[str](), 0
    start = time.process_time()
    for n in range(mistakes_n):
        boards, kind = tops[n % len(tops)], KINDS[n % len(KINDS)]
        layout = plan_top(boards, rng)
        lying, sentence = make_mistake(layout, kind, rng)
        found = recognise_top(look_at(lying, boards, rng), boards)
        lines = describe_differences(found, layout)
        asked[kind] += 1
        if names_it(lines, sentence):
            named[kind] += 1
        else:
            print(f"  wanted: {sentence}; said: {lines}")
        truth = {it.board_id: it for it in lying}
        total += len(lying)
        sure += sum(r.sure for r in found)
        sure_right += sum(r.sure and right(r, truth.get(r.board_id)) for r in found)
        any_right += sum(right(r, truth.get(r.board_id)) for r in found)
    per_top_s = (time.process_time() - start) / max(mistakes_n, 1)
    print(
        f"{title:14s} boards {total}: sure {sure / total:.1%}, "
        f"right when sure {sure_right / max(sure, 1):.2%}, right {any_right / total:.1%}; mistakes named: "
        + ", ".join(f"{k} {named[k]}/{asked[k]}" for k in KINDS)
        + f"; {per_top_s:.1f} s of processor time a top of {BOARDS_N}"
    )


def run_strangers(title: str, tops: list[list[Board]], rng: np.random.Generator) -> None:
    """Boards that are not among the known ones must not be named."""
    claimed, total = 0, 0
    for top, others in zip(tops, tops[1:] + tops[:1], strict=True):
        lying = [Lying(b.id, "A", bool(rng.random() < 0.5), 0.0) for b in others[:3]]
        claimed += sum(r.sure for r in recognise_top(look_at(lying, others, rng), top))
        total += len(lying)
    print(f"{title:14s} strangers {total}: named for sure {claimed / max(total, 1):.1%}")


def run_photos(scenes_n: int, rng: np.random.Generator) -> None:
    """Drawn photos of touching boards with a reference sheet, from pixels to words, each with one mistake."""
    named, sure, total = 0, 0, 0
    for n in range(scenes_n):
        species = ("cherry", "walnut", "maple", "oak", "pine", "ash")[n % 6]
        solids = [
            grow_board(
                seed=int(rng.integers(1 << 30)), species=species,
                length_mm=float(rng.uniform(1200, 1260)), width_mm=float(rng.uniform(105, 150)),
            )
            for _ in range(BOARDS_N)
        ]  # fmt: skip
        pictures = [
            [draw_face(b, side=s, px_per_mm=PX_PER_MM, noise=2).rgb for s in ("A", "B")] for b in solids
        ]
        boards = [as_board(str(k + 1), *pair) for k, pair in enumerate(pictures)]
        layout = plan_top(boards, rng)
        lying, sentence = make_mistake(layout, KINDS[n % len(KINDS)], rng)
        photo = _photograph(solids, lying, rng, ("green", "concrete", "dark")[n % 3])
        bench = scale_photo(photo, 27.0, "bench", None)
        top, left_mm = rectify_top(bench, [o.outline_px for o in find_boards(bench)])
        found = recognise_top(top, boards, left_mm=left_mm)
        lines = describe_differences(found, layout)
        named += names_it(lines, sentence)
        sure += sum(r.sure for r in found)
        total += len(lying)
        if not names_it(lines, sentence):
            print(f"  {species}: wanted: {sentence}; said: {lines}")
    print(f"photos of touching boards: sure {sure / total:.1%}; mistakes named {named}/{scenes_n}")


def _photograph(
    solids: list[SolidBoard], lying: list[Lying], rng: np.random.Generator, bench: BenchKind
) -> Photo:
    size = (2400, 1800)
    order = [int(it.board_id) - 1 for it in lying]
    y_mm, places = -sum(b.width_mm for b in solids) / 2 - 60, []
    for k, it in zip(order, lying, strict=True):
        width_mm = solids[k].width_mm
        places.append(BoardPlace((it.slide_mm, y_mm + width_mm / 2), 0.0, it.side, it.turned))
        y_mm += width_mm + 0.3
    roll = rng.uniform(-3, 3)
    camera = aim_camera(size_px=size, eye_mm=(20, 120, 1300), roll_deg=roll, hfov_deg=66)
    return draw_scene(
        [solids[k] for k in order], camera=camera, places=places, sheet=SheetPlace((-200, 480), 5.0),
        size_px=size, light=(1.0, 0.85, 0.65), light_gradient=(0.4, 0.2), bench=bench, noise=3,
    ).photo  # fmt: skip


def main() -> None:
    mistakes_n = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    tops = [drawn_boards(rng) for _ in range(max(2, min(8, mistakes_n // 8)))]
    run("drawn", tops, mistakes_n // 2, rng)
    run_strangers("drawn", tops, rng)
    run_photos(max(2, mistakes_n // 16), rng)
    folder = shared_folder() / "photos" / "boards"
    if not folder.is_dir():
        print("skip: photos/boards not found; set GRAINMATCH_SHARED to the folder that holds photos")
        return
    pieces = real_pieces(folder)
    tops = []
    for _ in range(4):
        order = rng.permutation(len(pieces))[: 2 * BOARDS_N]
        tops.append(
            [as_board(str(n + 1), pieces[order[2 * n]], pieces[order[2 * n + 1]]) for n in range(BOARDS_N)]
        )
    run("real spruce", tops, mistakes_n - mistakes_n // 2, rng)
    half = len(pieces) // 4
    groups = [
        [
            as_board(str(n), pieces[g * 2 * half + 2 * n], pieces[g * 2 * half + 2 * n + 1])
            for n in range(half)
        ]
        for g in range(2)
    ]
    run_strangers("real spruce", groups, rng)


if __name__ == "__main__":
    main()
