"""Fit the model of cracks and pitch streaks and write grainmatch/face/lines.json.

Fitted on the boxes that the ten spruce boards and the masked tiles of `real_knots` carry for cracks, resin
and pith, on faces drawn by `synth` in every wood it knows with lines drawn on them, and on four
photographs of wood without such faults. Figures printed are cross-validated: each board or tile is judged
by a model that has not seen it; the weight of photographs, the decay and the least chance were chosen with
them in view. Parts without a label are not proven clear: some of the finds on no label are end checks.

    python -m tests.benchmarks.fit_lines [--write]
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
from grainmatch.face.lines import (
    LineModel,
    find_candidates,
    find_lines,
    measure_candidates,
    multiply_measures,
    soft_along,
)
from grainmatch.face.tone import measure_lab
from grainmatch.model import Mask, Rgb
from grainmatch.synth import draw_face, grow_board
from tests.benchmarks.real_knots import (
    Box,
    LabelledFace,
    count_lines,
    length_overlap,
    read_boxed_boards,
    read_masked_tiles,
    read_rgb,
    scale_box,
)
from tests.benchmarks.shared import shared_photos

FACE_MM = 125.0  # the photographs have no scale; a common width for such boards
REAL_VOICE = 3.0  # of a line on a photograph, where one on a drawn face has 1
DECAY = 10.0
SPECIES = ("cherry", "walnut", "maple", "oak", "pine", "ash")
OUT = Path(__file__).parents[2] / "grainmatch" / "face" / "lines.json"


@dataclass(frozen=True, eq=False)
class Lines:
    """The lines of one face: their measures (n, 12), how well each fits its label (n,), the labels by kind in
    mm, and the square metres."""

    name: str
    lab: Floats
    grid: Grid
    measures: NDArray[np.float64]
    fit: NDArray[np.float64]
    labels: dict[str, tuple[Box, ...]]
    drawn: bool

    @property
    def area_m2(self) -> float:
        """Wood on the face."""
        return float(self.grid.inside.sum()) / self.grid.px_per_mm**2 / 1e6


def main() -> None:
    """Cross-validate, and with --write fit on everything and save the weights."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true")
    photos = shared_photos()
    if photos is None:
        print("skipped: no photographs (set GRAINMATCH_SHARED)")
        return
    real = [read_lines(f, f.rgb.shape[0] / FACE_MM) for f in read_boxed_boards(photos)]
    tiles = [read_lines(f, f.rgb.shape[0] / FACE_MM) for f in read_masked_tiles(photos)]
    others = read_others(photos)
    for name, group in (("boards", real), ("masked tiles", tiles), ("drawn and clear", others)):
        total: dict[str, NDArray[np.int64]] = {}
        for case in group:
            model = fit([c for c in (*real, *tiles, *others) if c is not case])
            for what, numbers in judge(case, model).items():
                total[what] = total.get(what, np.zeros(3, np.int64)) + numbers
        print(f"cross-validated, {name}, {sum(c.area_m2 for c in group):.2f} m2")
        for what, (hit, true, false) in total.items():
            print(f"  {what}: found {hit} of {true}, {false} others")
    if parser.parse_args().write:
        write(fit([*real, *tiles, *others]))


def judge(case: Lines, model: LineModel) -> dict[str, NDArray[np.int64]]:
    """(labels found, labels, marks that lie on no label) of one face, whatever the kind and by kind."""
    soft = soft_along(case.lab, case.grid)
    marks = find_lines(case.lab, soft, case.grid, model=model)
    every = tuple(b for boxes in case.labels.values() for b in boxes)
    rows = {"a fault, whatever its kind": (marks, every)}
    for kind, label in (("crack", "crack"), ("pitch", "resin")):
        rows[kind] = ([m for m in marks if m.kind == kind], case.labels.get(label, ()))
    return {name: count_lines([m.box_mm for m in found], true) for name, (found, true) in rows.items()}


def read_lines(
    face: LabelledFace, px_per_mm: float, inside: Mask | None = None, *, drawn: bool = False
) -> Lines:
    """A labelled face's candidates, measured."""
    grid = lay_grid(face.rgb, find_wood(face.rgb) if inside is None else inside, px_per_mm=px_per_mm)
    lab = measure_lab(grid.rgb)
    candidates = find_candidates(lab, soft_along(lab, grid), grid)
    labels = {k: tuple(scale_box(b, 1 / px_per_mm) for b in boxes) for k, boxes in face.others.items()}
    every = [b for boxes in labels.values() for b in boxes]
    boxes = [scale_box((x, y, x + w, y + h), 1 / grid.px_per_mm) for x, y, w, h in candidates.box.tolist()]
    fits = [max((length_overlap(box, b) for b in every), default=0.0) for box in boxes]
    measures = measure_candidates(candidates, lab, grid) if len(candidates) else np.zeros((0, 12))
    return Lines(face.name, lab, grid, measures, np.array(fits), labels, drawn)


def read_others(photos: Path) -> list[Lines]:
    """Drawn faces in every wood, cracks and pitch drawn on two of three, and photographs of clear wood."""
    rng = np.random.default_rng(3)
    cases = []
    for seed in range(18):
        board = grow_board(seed=950 + seed, length_mm=600, knots=2, species=SPECIES[seed % len(SPECIES)])
        px_per_mm = float(rng.choice([1.2, 1.6, 2.0, 2.6]))
        drawn = draw_face(board, px_per_mm=px_per_mm, noise=float(rng.uniform(0, 10)))
        rgb, labels = (
            _draw_faults(drawn.rgb, drawn.knot_mask, px_per_mm, rng) if seed % 3 else (drawn.rgb, {})
        )
        cases.append(
            read_lines(LabelledFace(f"drawn {seed}", rgb, (), labels), px_per_mm, drawn.inside, drawn=True)
        )
    for path in sorted((photos / "faces").glob("*.jpg")):
        rgb = np.ascontiguousarray(np.rot90(read_rgb(path)))
        for width_px in (300, 500):
            small = np.asarray(cv2.resize(rgb, (width_px,) * 2, interpolation=cv2.INTER_AREA), dtype=np.uint8)
            cases.append(read_lines(LabelledFace(path.stem, small, (), {}), 2.0))
    return cases


def _draw_faults(
    rgb: Rgb, knots: Mask, px_per_mm: float, rng: np.random.Generator
) -> tuple[Rgb, dict[str, tuple[Box, ...]]]:
    """A copy with a few cracks (shadows) and pitch streaks (redder) along the grain, clear of the knots."""
    fine, (height, width) = 4, rgb.shape[:2]
    darkened = rgb.astype(np.float32)
    labels: dict[str, list[Box]] = {"crack": [], "resin": []}
    for k in range(4):
        kind = ("crack", "resin")[k % 2]
        length, thick = rng.uniform(10, 80) * px_per_mm, rng.uniform(0.4, 1.6) * px_per_mm
        slope, start = rng.normal(0, 0.08), rng.uniform(0, 1, 2) * (width, height)
        along = np.linspace(0, length, 12)
        bend = start[1] + slope * along + rng.normal(0, 0.3 * px_per_mm, 12)
        line = np.zeros((height * fine, width * fine), dtype=np.uint8)
        points = np.rint(np.column_stack([start[0] + along, bend]) * fine).astype(np.int32)
        cv2.polylines(line, [points], False, 255, max(1, round(thick * fine)))
        cover = np.asarray(cv2.resize(line, (width, height), interpolation=cv2.INTER_AREA)) / np.float32(255)
        if (cover[knots] > 0).any() or not cover.any():
            continue
        tint = np.array([0.35, 0.35, 0.35] if kind == "crack" else [0.6, 0.42, 0.3], dtype=np.float32)
        darkened *= 1 - cover[..., None] * (1 - tint)
        rows, columns = np.nonzero(cover)
        box = (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1)
        labels[kind].append(tuple(float(v) for v in box))  # type: ignore[arg-type]
    return np.clip(darkened, 0, 255).astype(np.uint8), {k: tuple(v) for k, v in labels.items()}


def fit(cases: list[Lines]) -> LineModel:
    """Logistic regression by Newton's steps, with some decay; lines that only touch a label do not count."""
    x = np.concatenate([c.measures for c in cases])
    fits = np.concatenate([c.fit for c in cases])
    voice = np.concatenate([np.full(len(c.fit), 1.0 if c.drawn else REAL_VOICE) for c in cases])
    use = (fits >= 0.3) | (fits < 0.05)
    x, y, voice = x[use], (fits[use] >= 0.3).astype(np.float64), voice[use]
    mean, sd = x.mean(axis=0), x.std(axis=0) + 1e-6
    z = np.column_stack([multiply_measures((x - mean) / sd), np.ones(len(x))])
    hold = DECAY * np.diag([1.0] * (z.shape[1] - 1) + [0.0])
    beta = np.zeros(z.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(z @ beta, -30, 30)))
        curve = (z * (voice * p * (1 - p))[:, None]).T @ z + hold
        beta += np.linalg.solve(curve, z.T @ (voice * (y - p)) - hold @ beta)
    return LineModel(mean, sd, beta[:-1], float(beta[-1]))


def write(model: LineModel) -> None:
    """Save the weights with four digits."""
    about = (
        "Weights of grainmatch.face.lines, by tests/benchmarks/fit_lines.py. Fitted in part on the VSB-TUO"
        " wood surface defects data set, Kodytek, Bodzas & Bilik 2021, Zenodo 4694695, CC BY 4.0."
    )
    arrays = {"mean": model.mean, "sd": model.sd, "weights": model.weights}
    table = {name: [float(f"{v:.4g}") for v in values] for name, values in arrays.items()}
    OUT.write_text(json.dumps(table | {"bias": float(f"{model.bias:.4g}"), "about": about}) + "\n", "utf-8")
    print(f"wrote {OUT.name}")


if __name__ == "__main__":
    main()
