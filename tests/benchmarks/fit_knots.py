"""Fit the pixel model of the knot finder and write grainmatch/face/knots.json.

Fitted on the ten boxed spruce boards described in `real_knots`, on faces drawn by `synth` in every wood it
knows (for other colours and for camera noise), and on four photographs of wood without knots. Pixels
within the ellipse in a box are knot; pixels between ellipse and box do not count. Figures printed are
cross-validated: each board is judged by a model that has not seen it.

    python -m tests.benchmarks.fit_knots [--write]
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.face.extent import find_wood
from grainmatch.face.grid import Floats, lay_grid
from grainmatch.face.knot_pixels import MODEL_PX_PER_MM, KnotModel, measure_pixels
from grainmatch.face.knots import find_knots
from grainmatch.synth import draw_face, grow_board
from tests.benchmarks.real_knots import (
    LabelledFace,
    count_matches,
    read_boxed_boards,
    read_rgb,
    scale_box,
    shared_photos,
)

HIDDEN_N = 16
FACE_MM = 125.0  # the photographs have no scale; a common width for such boards
SPECIES = ("cherry", "walnut", "maple", "oak", "pine", "ash")
OUT = Path(__file__).parents[2] / "grainmatch" / "face" / "knots.json"
Samples = tuple[Floats, NDArray[np.uint8]]


def main() -> None:
    """Cross-validate, and with --write fit on everything and save the weights."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    photos = shared_photos()
    if photos is None:
        print("skipped: no photographs (set GRAINMATCH_SHARED)")
        return
    boards = read_boxed_boards(photos)
    by_board = [sample_board(b, np.random.default_rng([1, i])) for i, b in enumerate(boards)]
    always = [*sample_synth(np.random.default_rng(2)), *sample_clear(photos, np.random.default_rng(3))]
    total = np.zeros(3, dtype=np.int64)
    half = len(boards) // 2
    for fold in range(half):
        held = {fold, fold + half}
        model = fit([s for i, s in enumerate(by_board) if i not in held] + always)
        for i in held:
            total += judge(boards[i], model)
    print(
        f"cross-validated by board: recall {total[0] / total[1]:.3f}"
        f" precision {total[0] / (total[0] + total[2]):.3f}"
        f" of {total[1]} knots at least 2 % of the face width"
    )
    if parser.parse_args().write:
        write(fit(by_board + always))


def judge(face: LabelledFace, model: KnotModel) -> NDArray[np.int64]:
    """Matches of the whole finder on one board."""
    inside = find_wood(face.rgb)
    px_per_mm = face.rgb.shape[0] / FACE_MM
    grid = lay_grid(face.rgb, inside, px_per_mm=px_per_mm)
    lab = np.asarray(srgb_to_lab(grid.rgb), dtype=np.float32)
    boxes = [scale_box(m.box_mm, px_per_mm) for m in find_knots(lab, grid, model=model)]
    face_px = float(np.median(inside.sum(axis=0)))
    return count_matches(boxes, face.knots, least_px=0.02 * face_px)


def sample_board(face: LabelledFace, rng: np.random.Generator) -> Samples:
    """Pixels of one board as it is, and of copies stretched, tinted, resized and made noisy."""
    parts = []
    for copy in range(4):
        height_mm = 140.0 if copy == 0 else float(rng.choice([115, 140, 165]))
        stretch = 1.6 if copy % 2 else 1.0
        size = (
            round(face.rgb.shape[1] * height_mm * MODEL_PX_PER_MM / face.rgb.shape[0] * stretch),
            round(height_mm * MODEL_PX_PER_MM),
        )
        rgb = np.asarray(cv2.resize(face.rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        inside = find_wood(rgb)
        if copy:
            rgb = _vary(rgb, rng)
        to_work = np.array([size[0] / face.rgb.shape[1], size[1] / face.rgb.shape[0]] * 2)
        truth, unsure = _paint([np.asarray(k) * to_work for k in face.knots], inside.shape)
        parts.append(_choose(rgb, inside, truth, unsure, rng))
    return _join(parts)


def sample_synth(rng: np.random.Generator) -> list[Samples]:
    """Pixels of drawn faces: other woods, round knots, strong noise."""
    found = []
    for seed in range(16):
        board = grow_board(seed=900 + seed, length_mm=700, knots=3, species=SPECIES[seed % len(SPECIES)])
        face = draw_face(board, px_per_mm=float(rng.choice([1.2, 1.5, 2.0])), noise=float(rng.uniform(0, 10)))
        unsure = np.zeros(face.inside.shape, dtype=np.uint8)
        found.append(
            _choose(face.rgb, face.inside, face.knot_mask.astype(np.uint8), unsure, rng, face.px_per_mm)
        )
    return found


def sample_clear(photos: Path, rng: np.random.Generator) -> list[Samples]:
    """Pixels of photographs of wood that holds no knots, grain turned along x."""
    found = []
    for path in sorted((photos / "faces").glob("*.jpg")):
        rgb = np.ascontiguousarray(np.rot90(read_rgb(path)))
        for width_px in (300, 500):
            size = (width_px, width_px)
            small = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
            none = np.zeros(small.shape[:2], dtype=np.uint8)
            found.append(_choose(small, none == 0, none, none, rng))
    return found


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


def _slopes(weights: list[Floats], x: Floats, y: NDArray[np.uint8]) -> list[Floats]:
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


def write(model: KnotModel) -> None:
    """Save the weights with four digits."""

    def short(values: Floats) -> list[object]:
        return [short(v) if np.ndim(v) else float(f"{v:.4g}") for v in values]

    arrays = ("mean", "sd", "hidden", "hidden_bias", "output")
    table: dict[str, object] = {name: short(getattr(model, name)) for name in arrays}
    table["output_bias"] = float(f"{model.output_bias:.4g}")
    table["about"] = (
        "Weights of grainmatch.face.knot_pixels, by tests/benchmarks/fit_knots.py. Fitted in part on the"
        " VSB-TUO wood surface defects data set, Kodytek, Bodzas & Bilik 2021, Zenodo 4694695, CC BY 4.0."
    )
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
    rng: np.random.Generator, px_per_mm: float = MODEL_PX_PER_MM,
) -> Samples:  # fmt: skip
    """Measures and labels of a choice of pixels: small knots weigh in, and so do their surroundings."""
    measures = measure_pixels(np.asarray(srgb_to_lab(rgb), dtype=np.float32), inside, px_per_mm=px_per_mm)
    flat = measures.reshape(-1, measures.shape[2])
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
    share = max(3000, len(knot)) if truth.any() else 1000
    rows = np.concatenate([
        knot,
        _some(np.flatnonzero(ring), len(knot), rng), _some(np.flatnonzero(near), int(0.8 * len(knot)), rng),
        _some(far, min(share, 3000), rng), _some(darkest, min(share, 2000), rng),
    ])  # fmt: skip
    return flat[rows], truth.ravel()[rows]


def _grow(mask: NDArray[np.uint8], mm: float, px_per_mm: float) -> NDArray[np.uint8]:
    side = max(3, int(2 * mm * px_per_mm) | 1)
    return np.asarray(cv2.dilate(mask, np.ones((side, side), np.uint8)), dtype=np.uint8)


def _some(pixels: NDArray[np.int64], n: int, rng: np.random.Generator) -> NDArray[np.int64]:
    return rng.choice(pixels, min(n, len(pixels)), replace=False)


def _join(parts: list[Samples]) -> Samples:
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


if __name__ == "__main__":
    main()
