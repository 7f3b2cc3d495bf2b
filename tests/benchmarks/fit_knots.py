"""Fit the two models of the knot finder and write grainmatch/face/knots.json.

Fitted on the ten boxed spruce boards and the eight masked tiles described in `real_knots`, on faces drawn by
`synth` in every wood it knows (for other colours and for camera noise), and on four photographs of wood
without knots. Within a box pixels of the ellipse are knot, and pixels between ellipse and box do not
count. Figures printed are cross-validated: each board or tile is judged by models that have not seen it,
and the patch model learns from odds that the pixel model gave to boards it had not seen.

    python -m tests.benchmarks.fit_knots [--write]
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.extent import find_wood
from grainmatch.face.grid import Floats, Grid, lay_grid
from grainmatch.face.knot_patches import find_patches, measure_patches
from grainmatch.face.knot_pixels import MODEL_PX_PER_MM, KnotModel, KnotModels, measure_pixels
from grainmatch.face.knots import find_knot_odds, seeking_scale
from grainmatch.face.marks import find_marks
from grainmatch.face.tone import measure_lab
from grainmatch.geometry import polygon_area
from grainmatch.model import Mask, Rgb
from grainmatch.synth import draw_face, grow_board
from tests.benchmarks.real_knots import (
    SEEN_TILES,
    LabelledFace,
    count_matches,
    cut_face,
    mask_boxes,
    overlap,
    read_boxed_boards,
    read_masked_tiles,
    read_rgb,
    scale_box,
)
from tests.benchmarks.shared import shared_photos

HIDDEN_N = 32
FOLDS_N = 5
FACE_MM = 125.0  # the photographs have no scale; a common width for such boards
TILE_SHARE = 0.366  # length over height of the data set's tiles
SPECIES = ("cherry", "walnut", "maple", "oak", "pine", "ash")
OUT = Path(__file__).parents[2] / "grainmatch" / "face" / "knots.json"
Samples = tuple[Floats, Floats]
Group = list["Case"]


@dataclass(frozen=True, eq=False)
class Case:
    """A labelled face at working scale, of one kind: board, tile cut from a board, masked tile, other."""

    kind: str
    face: LabelledFace
    grid: Grid
    lab: Floats
    px_per_mm: float


def main() -> None:
    """Cross-validate, and with --write fit on everything and save the weights."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    photos = shared_photos()
    if photos is None:
        print("skipped: no photographs (set GRAINMATCH_SHARED)")
        return
    groups = read_groups(photos)
    pixels = [sample_group(g, np.random.default_rng([1, i])) for i, g in enumerate(groups)]
    others = read_others(photos)
    other_pixels = [sample_other(c, np.random.default_rng([2, i])) for i, c in enumerate(others)]
    folds = [i % FOLDS_N for i in range(len(groups))]
    models = [
        fit([s for s, f in zip(pixels, folds, strict=True) if f != fold] + other_pixels)
        for fold in range(FOLDS_N)
    ]
    patches = [sample_patches(g, models[f]) for g, f in zip(groups, folds, strict=True)]
    other_patches = sample_patches(others, models[0])
    total: dict[str, NDArray[np.float64]] = {}
    for fold in range(FOLDS_N):
        judge = fit([*(s for s, f in zip(patches, folds, strict=True) if f != fold), other_patches])
        for group in (g for g, f in zip(groups, folds, strict=True) if f == fold):
            for case in group:
                total[case.kind] = total.get(case.kind, np.zeros(7)) + judge_case(
                    case, KnotModels(models[fold], judge)
                )
    for kind, numbers in total.items():
        print(f"cross-validated, {kind}: {describe(numbers)}")
    if parser.parse_args().write:
        write(KnotModels(fit([*pixels, *other_pixels]), fit([*patches, other_patches])))


def describe(numbers: NDArray[np.float64]) -> str:
    """Words for the sums `judge_case` gives."""
    hit, true, false, found_area, true_area, shared, joined = numbers
    words = (
        f"recall {hit / max(true, 1):.3f} precision {hit / max(hit + false, 1):.3f} of {true:.0f}"
        f" knots at least 2 % of the width, summed area {100 * (found_area / max(true_area, 1) - 1):+.0f} %"
    )
    return words + (f", overlap of pixels {shared / joined:.2f}" if joined else "")


def judge_case(case: Case, models: KnotModels) -> NDArray[np.float64]:
    """Matches of the whole finder on one face (hit, true, false), areas (found, true), and the pixels shared
    and joined where a mask is known. Lines are told from knots by the model as it is, not cross-validated."""
    marks = [m for m in find_marks(case.lab, case.grid, models=models) if m.kind in ("knot", "hole")]
    face, scale = case.face, case.px_per_mm
    boxes = [scale_box(m.box_mm, scale) for m in marks]
    counts = count_matches(boxes, face.knots, least_px=0.02 * _width_px(case))
    found = sum(abs(polygon_area(m.outline_mm)) for m in marks) * scale**2
    if face.mask is None:
        true = sum(np.pi / 4 * (k[2] - k[0]) * (k[3] - k[1]) for k in face.knots)
        return np.array([*counts, found, true, 0, 0])
    drawn = np.zeros(face.mask.shape, dtype=np.uint8)
    cv2.fillPoly(drawn, [np.rint(m.outline_mm * scale).astype(np.int32) for m in marks], 1)
    both = (drawn > 0) & face.mask
    return np.array([*counts, found, face.mask.sum(), both.sum(), ((drawn > 0) | face.mask).sum()])


def read_groups(photos: Path) -> list[Group]:
    """Faces of one board each: the board, tiles cut from it, and a masked tile that is part of it."""
    groups = []
    for board in read_boxed_boards(photos):
        tile_px = TILE_SHARE * board.rgb.shape[0]
        at = np.arange(tile_px, board.rgb.shape[1] - 0.5 * tile_px, tile_px)
        groups.append([make_case("boards", board), *(make_case("cut tiles", t) for t in cut_face(board, at))])
    for tile in read_masked_tiles(photos):
        case = make_case("masked tiles", tile)
        part_of = [g for g in groups if SEEN_TILES.get(tile.name) == g[0].face.name]
        if part_of:
            part_of[0].append(case)
        else:
            groups.append([case])
    return groups


def read_others(photos: Path) -> Group:
    """Drawn faces in every wood, and photographs of wood that holds no knots, grain turned along x."""
    rng = np.random.default_rng(2)
    cases = []
    for seed in range(16):
        board = grow_board(seed=900 + seed, length_mm=700, knots=3, species=SPECIES[seed % len(SPECIES)])
        px_per_mm = float(rng.choice([1.2, 1.5, 2.0]))
        drawn = draw_face(board, px_per_mm=px_per_mm, noise=float(rng.uniform(0, 10)))
        rgb = _draw_lines(drawn.rgb, drawn.knot_mask, px_per_mm, rng) if seed % 2 else drawn.rgb
        face = LabelledFace(f"drawn {seed}", rgb, mask_boxes(drawn.knot_mask), {}, drawn.knot_mask)
        cases.append(make_case("other", face, px_per_mm=px_per_mm, inside=drawn.inside))
    for path in sorted((photos / "faces").glob("*.jpg")):
        rgb = np.ascontiguousarray(np.rot90(read_rgb(path)))
        for width_px in (300, 500):
            small = np.asarray(
                cv2.resize(rgb, (width_px, width_px), interpolation=cv2.INTER_AREA), dtype=np.uint8
            )
            face = LabelledFace(path.stem, small, (), {}, np.zeros(small.shape[:2], dtype=bool))
            whole = np.ones(small.shape[:2], dtype=bool)
            cases.append(make_case("other", face, px_per_mm=MODEL_PX_PER_MM, inside=whole))
    return cases


def _draw_lines(rgb: Rgb, knots: Mask, px_per_mm: float, rng: np.random.Generator) -> Rgb:
    """A copy with cracks along the grain and pencil lines across it, clear of the knots: no knots either."""
    marked, height, width = rgb.copy(), *rgb.shape[:2]
    for k in range(8):
        length, thick = rng.uniform(15, 100) * px_per_mm, max(1, round(rng.uniform(0.5, 1.5) * px_per_mm))
        slope = rng.normal(0, 0.05) + (np.pi / 2 if k % 2 else 0)
        start = rng.uniform(0, 1, 2) * (width, height)
        end = start + length * np.array([np.cos(slope), np.sin(slope)])
        line = np.zeros((height, width), dtype=np.uint8)
        cv2.polylines(line, [np.rint([start, end]).astype(np.int32)], False, 1, thick)
        if not (line.astype(bool) & knots).any():
            marked[line > 0] = rng.uniform(20, 80) + rng.uniform(0, 12) * np.array([2, 1, 0])
    return marked


def make_case(
    kind: str, face: LabelledFace, *, px_per_mm: float | None = None, inside: Mask | None = None
) -> Case:
    """A face made ready, at its own scale or as one FACE_MM wide."""
    scale = px_per_mm or face.rgb.shape[0] / FACE_MM
    grid = lay_grid(face.rgb, find_wood(face.rgb) if inside is None else inside, px_per_mm=scale)
    return Case(kind, face, grid, measure_lab(grid.rgb), scale)


def sample_patches(group: Group, pixels: KnotModel) -> Samples:
    """Measures of all nested patches of some faces, and how well the box of each covers its best knot."""
    parts = [(np.zeros((0, 20), dtype=np.float32), np.zeros(0, dtype=np.float32))]
    for case in group:
        odds = find_knot_odds(case.lab, case.grid, model=pixels)
        scale, step = seeking_scale(case.grid), case.grid.step
        patches = find_patches(odds, scale=scale)
        boxes = [
            (p.left * step, p.top * step, (p.left + p.mask.shape[1]) * step, (p.top + p.mask.shape[0]) * step)
            for p in patches
        ]
        best = [max((overlap(b, k) for k in case.face.knots), default=0.0) for b in boxes]
        parts.append(
            (measure_patches(patches, odds, case.lab, scale=scale), np.array(best, dtype=np.float32))
        )
    return _join(parts)


def sample_group(group: Group, rng: np.random.Generator) -> Samples:
    """Pixels of one board as it is, and of copies cut up, stretched, tinted, resized and made noisy."""
    return _join([sample_face(c.face, rng) for c in group if c.kind != "cut tiles"])


def sample_face(face: LabelledFace, rng: np.random.Generator) -> Samples:
    """Pixels of four copies of a face, of which two are cut into pieces."""
    parts = []
    for copy in range(4):
        height_mm = 140.0 if copy == 0 else float(rng.choice([115, 140, 165]))
        stretch = 1.6 if copy % 2 else 1.0
        height_px = face.rgb.shape[0]
        lengths = rng.uniform(0.3, 1.2, 60) * height_px
        ends = np.cumsum(lengths)
        pieces = cut_face(face, ends[ends < face.rgb.shape[1] - 0.3 * height_px]) if copy >= 2 else [face]
        for piece in pieces:
            size = (
                round(piece.rgb.shape[1] * height_mm * MODEL_PX_PER_MM / height_px * stretch),
                round(height_mm * MODEL_PX_PER_MM),
            )
            parts.append(_sample_copy(piece, size, rng, vary=copy > 0))
    return _join(parts)


def _sample_copy(
    face: LabelledFace, size: tuple[int, int], rng: np.random.Generator, *, vary: bool
) -> Samples:
    """Pixels of a face brought to size (width, height)."""
    rgb = np.asarray(cv2.resize(face.rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    inside = find_wood(rgb)
    if vary:
        rgb = _vary(rgb, rng)
    to_work = np.array([size[0] / face.rgb.shape[1], size[1] / face.rgb.shape[0]] * 2)
    truth, unsure = _paint([np.asarray(k) * to_work for k in face.knots], inside.shape)
    if face.mask is not None:
        truth = np.asarray(cv2.resize(face.mask.astype(np.uint8), size, interpolation=cv2.INTER_AREA))
    faults = [np.asarray(b) * to_work for boxes in face.others.values() for b in boxes]
    return _choose(rgb, inside, truth, unsure, rng, faults=_paint(faults, inside.shape)[1])


def sample_other(case: Case, rng: np.random.Generator) -> Samples:
    """Pixels of a drawn face or a photograph without knots."""
    truth = np.zeros(case.face.rgb.shape[:2], dtype=np.uint8)
    if case.face.mask is not None:
        truth[case.face.mask] = 1
    inside = _inside(case)
    return _choose(case.face.rgb, inside, truth, np.zeros_like(truth), rng, case.px_per_mm)


def _inside(case: Case) -> Mask:
    """The face's wood at its own scale; faces used here fill the grid's first rows and columns."""
    height, width = case.face.rgb.shape[:2]
    return np.ascontiguousarray(case.grid.inside[:height, :width])


def _width_px(case: Case) -> float:
    """Median width of the wood in the face's own pixels."""
    return float(np.median(case.grid.inside.sum(axis=0))) * case.grid.step


def fit(samples: list[Samples]) -> KnotModel:
    """The layered logistic model by Adam (Kingma & Ba, 2015) on cross-entropy with a little decay."""
    x, y = _join(samples)
    mean, sd = x.mean(axis=0), x.std(axis=0) + 1e-6
    x = ((x - mean) / sd).astype(np.float32)
    rng = np.random.default_rng(0)
    n_in = x.shape[1]
    start_weights = [
        rng.normal(0, np.sqrt(2 / n_in), (n_in, HIDDEN_N)), np.zeros(HIDDEN_N),
        rng.normal(0, np.sqrt(2 / HIDDEN_N), HIDDEN_N), np.zeros(1),
    ]  # fmt: skip
    weights: list[Floats] = [w.astype(np.float32) for w in start_weights]
    first, second = [np.zeros_like(w) for w in weights], [np.zeros_like(w) for w in weights]
    step, epochs, batch = 0, 30, 512
    for epoch in range(epochs):
        rate = 3e-3 * (1 - epoch / epochs) + 1e-4
        order = rng.permutation(len(x))
        for start in range(0, len(x), batch):
            step += 1
            rows = order[start : start + batch]
            slopes = _slopes(weights, x[rows], y[rows])
            for w, g, m, v in zip(weights, slopes, first, second, strict=True):
                m += 0.1 * (g - m)
                v += 0.001 * (g * g - v)
                w -= rate * (m / (1 - 0.9**step)) / (np.sqrt(v / (1 - 0.999**step)) + 1e-8)
    return KnotModel(mean, sd, weights[0], weights[1], weights[2], float(weights[3][0]))


def _slopes(weights: list[Floats], x: Floats, y: Floats) -> list[Floats]:
    """Gradient of the mean loss for each weight array."""
    hidden, bias, output, offset = weights
    inner = np.maximum(x @ hidden + bias, 0)
    error = (1 / (1 + np.exp(-np.clip(inner @ output + offset[0], -30, 30))) - y) / len(x)
    back = np.outer(error, output) * (inner > 0)
    return [
        x.T @ back + 2e-6 * hidden,
        back.sum(axis=0),
        inner.T @ error + 2e-6 * output,
        error.sum(keepdims=True),
    ]


def write(models: KnotModels) -> None:
    """Save the weights with four digits."""

    def short(values: Floats) -> list[object]:
        return [short(v) if np.ndim(v) else float(f"{v:.4g}") for v in values]

    def lay_out(model: KnotModel) -> dict[str, object]:
        arrays = ("mean", "sd", "hidden", "hidden_bias", "output")
        rows: dict[str, object] = {name: short(getattr(model, name)) for name in arrays}
        return rows | {"output_bias": float(f"{model.output_bias:.4g}")}

    about = (
        "Weights of grainmatch.face.knot_pixels and knot_patches, by tests/benchmarks/fit_knots.py. Fitted in"
        " part on the VSB-TUO wood surface defects data set, Kodytek, Bodzas & Bilik 2021, Zenodo 4694695,"
        " CC BY 4.0."
    )
    table = {"pixels": lay_out(models.pixels), "patches": lay_out(models.patches), "about": about}
    OUT.write_text(
        json.dumps(table, indent=None, separators=(",", ":")).replace("],", "],\n") + "\n", "utf-8"
    )
    print(f"wrote {OUT.name}")


def _vary(rgb: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Another tint, contrast and noise."""
    gain = rng.uniform(0.75, 1.0) * np.array([1.0, rng.uniform(0.75, 1.05), rng.uniform(0.6, 1.1)])
    varied = 255 * (rgb / 255.0) ** rng.uniform(0.9, 1.3) * gain + rng.normal(0, rng.uniform(0, 8), rgb.shape)
    return np.clip(varied, 0, 255).astype(np.uint8)


def _paint(
    boxes: list[NDArray[np.float64]], shape: tuple[int, int]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Ellipses in the boxes (knot), and the rest of the boxes (unsure)."""
    truth, unsure = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    for x0, y0, x1, y1 in boxes:
        cv2.rectangle(unsure, (int(x0 - 1), int(y0 - 1)), (int(x1 + 1), int(y1 + 1)), 1, -1)
        middle = ((x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2)
        cv2.ellipse(truth, (middle, (max(1, x1 - x0), max(1, y1 - y0)), 0), 1, -1)
    return truth, unsure


def _choose(
    rgb: NDArray[np.uint8], inside: NDArray[np.bool_], truth: NDArray[np.uint8], unsure: NDArray[np.uint8],
    rng: np.random.Generator, px_per_mm: float = MODEL_PX_PER_MM, faults: NDArray[np.uint8] | None = None,
) -> Samples:  # fmt: skip
    """Measures and labels of a choice of pixels: small knots weigh in, and so do their surroundings and
    the dark parts of what are faults but no knots."""
    flat, _ = measure_pixels(measure_lab(rgb), inside, px_per_mm=px_per_mm)
    _, knots = cv2.connectedComponents(truth)
    knots[~inside] = 0
    picked = [np.zeros(0, dtype=np.int64)]
    for index in range(1, int(knots.max()) + 1):
        pixels = np.flatnonzero(knots == index)
        picked.append(_some(pixels, int(np.clip(4 * np.sqrt(len(pixels)), 20, 160)), rng))
    knot = np.concatenate(picked)
    clear = inside & (truth == 0) & (unsure == 0)
    ring = clear & (_grow(truth, 2.0, px_per_mm) > 0)
    near = clear & ~ring & (_grow(truth, 8.0, px_per_mm) > 0)
    far = np.flatnonzero(clear & ~ring & ~near)
    darkest = far[np.argsort(-flat[far, 0])[: len(far) // 20]]
    fault = np.flatnonzero(clear & (faults > 0)) if faults is not None else far[:0]
    fault = fault[flat[fault, 0] > 3.0]
    share = max(3000, len(knot)) if truth.any() else 1000
    share = min(share, inside.size // 40)  # small pieces must not outweigh whole boards
    rows = np.concatenate([
        knot,
        _some(np.flatnonzero(ring), len(knot), rng), _some(np.flatnonzero(near), int(0.8 * len(knot)), rng),
        _some(far, min(share, 3000), rng), _some(darkest, min(share, 2000), rng), _some(fault, 1500, rng),
    ])  # fmt: skip
    return flat[rows], truth.ravel()[rows].astype(np.float32)


def _grow(mask: NDArray[np.uint8], mm: float, px_per_mm: float) -> NDArray[np.uint8]:
    side = max(3, int(2 * mm * px_per_mm) | 1)
    return np.asarray(cv2.dilate(mask, np.ones((side, side), np.uint8)), dtype=np.uint8)


def _some(pixels: NDArray[np.int64], n: int, rng: np.random.Generator) -> NDArray[np.int64]:
    return rng.choice(pixels, min(n, len(pixels)), replace=False)


def _join(parts: list[Samples]) -> Samples:
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


if __name__ == "__main__":
    main()
