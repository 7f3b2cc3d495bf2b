"""How well rings on board ends are read: windows cut from photographed discs, and drawn ends.

Windows of 120-180 x 22-30 units are cut from the Douglas fir discs in photos/ends, turned at random, with
the pith inside the window or up to 1.5 window widths outside it; pith.json holds the pith, read by eye.

    python -m tests.benchmarks.bench_rings [windows] [seed]
"""

from __future__ import annotations

import json
import math
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.face.endgrain import read_end, ring_angle_deg
from grainmatch.model import EndGrain, Rgb
from grainmatch.synth import SolidBoard, draw_end, grow_board
from tests.benchmarks.shared import shared_folder


@dataclass(frozen=True, eq=False)
class EndCase:
    """A picture of an end and where its pith is, in the frame of EndGrain."""

    source: str
    rgb: Rgb
    px_per_mm: float
    across_mm: float
    depth_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        return self.rgb.shape[1] / self.px_per_mm, self.rgb.shape[0] / self.px_per_mm


@dataclass(frozen=True)
class Reading:
    source: str
    distance_error_frac: float
    place_error_frac: float
    angle_error_deg: float
    told: bool
    right: bool
    error_over_sigma: float
    reason: str


def load_discs(folder: Path) -> dict[str, tuple[Rgb, NDArray[np.uint8], NDArray[np.float64]]]:
    """Each disc's picture, the mask of its wood well inside the bark, and its pith in px."""
    discs = {}
    for name, pith in json.loads((folder / "pith.json").read_text())["pith"].items():
        rgb = np.ascontiguousarray(np.asarray(cv2.imread(str(folder / name)), dtype=np.uint8)[..., ::-1])
        wood = (rgb.min(axis=2) < 235).astype(np.uint8)
        wood = cv2.morphologyEx(wood, cv2.MORPH_CLOSE, np.ones((25, 25), np.uint8))
        wood = cv2.morphologyEx(wood, cv2.MORPH_OPEN, np.ones((61, 61), np.uint8))
        wood = np.asarray(cv2.erode(wood, np.ones((31, 31), np.uint8), borderValue=0))
        discs[name] = (rgb, wood, np.asarray(pith, dtype=np.float64))
    return discs


def cut_window(
    source: str,
    disc: tuple[Rgb, NDArray[np.uint8], NDArray[np.float64]],
    rng: np.random.Generator,
) -> EndCase | None:
    """One random window that lies on the wood, None when chance gave none."""
    rgb, wood, pith = disc
    scale = math.exp(rng.uniform(math.log(1.6), math.log(6)))
    width, height = rng.uniform(120, 180), rng.uniform(22, 30)
    turn = rng.uniform(0, 2 * math.pi)
    to_disc = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    grid = np.stack(
        np.meshgrid(np.linspace(-0.5, 0.5, 25) * width, np.linspace(-0.5, 0.5, 7) * height), axis=-1
    )
    spread = grid.reshape(-1, 2) * scale @ to_disc.T
    for _ in range(200):
        centre = rng.uniform(0, 1, 2) * (wood.shape[1], wood.shape[0])
        at = np.rint(spread + centre).astype(int)
        if at.min() < 0 or (at >= (wood.shape[1], wood.shape[0])).any() or not wood[at[:, 1], at[:, 0]].all():
            continue
        across, down = (pith - centre) @ to_disc / scale
        if max(abs(across) - width / 2, abs(down) - height / 2) > 1.5 * width:
            continue
        w, h = int(width * scale), int(height * scale)
        matrix = np.column_stack([to_disc, centre - to_disc @ np.array([(w - 1) / 2, (h - 1) / 2])])
        window = cv2.warpAffine(rgb, matrix, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        return EndCase(source, np.asarray(window, dtype=np.uint8), scale, across, down + h / scale / 2)
    return None


def judge(case: EndCase) -> Reading:
    """Read one end and compare it with the truth."""
    end = read_end(case.rgb, px_per_mm=case.px_per_mm)
    width, height = case.size_mm
    true = math.hypot(case.across_mm, case.depth_mm - height / 2)
    found = math.hypot(end.pith_across_mm, end.pith_depth_mm - height / 2)
    apart = math.hypot(end.pith_across_mm - case.across_mm, end.pith_depth_mm - case.depth_mm)
    truth = EndGrain(None, case.across_mm, case.depth_mm, 0, 0, 0, 0)
    at = np.array([-0.5, -0.25, 0, 0.25, 0.5]) * width
    angle = np.abs(ring_angle_deg(end, at) - ring_angle_deg(truth, at)).mean()
    bark = "A" if case.depth_mm > height / 2 else "B"
    return Reading(
        case.source, abs(found - true) / true, apart / true, float(angle), end.bark_side is not None,
        end.bark_side == bark, apart / end.pith_sigma_mm, end.reason,
    )  # fmt: skip


def drawn_case(seed: int) -> EndCase:
    rng = np.random.default_rng([seed, 99])
    species = ("cherry", "walnut", "maple", "oak", "pine", "ash")[seed % 6]
    board: SolidBoard = grow_board(seed=seed, species=species, knots=0)
    scale = float(rng.choice([2, 4, 8]))
    rgb = draw_end(board, px_per_mm=scale, noise=rng.uniform(0, 10), blur_px=rng.uniform(0, 1))
    return EndCase(species, rgb, scale, board.pith_across_mm, board.pith_depth_mm)


def blank_case(index: int) -> EndCase:
    """An end without rings: smooth paint, blots, saw stripes or brush strokes."""
    rng = np.random.default_rng([index, 98])
    kind = ("paint", "blots", "stripes", "strokes")[index % 4]
    scale = float(rng.choice([2, 4, 7]))
    w, h = int(rng.uniform(120, 180) * scale), int(rng.uniform(22, 30) * scale)
    noise = rng.standard_normal((h, w)).astype(np.float32)
    if kind == "blots":
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), rng.uniform(0.8, 8)))
    elif kind == "stripes":
        y, x = np.mgrid[:h, :w]
        turn, pitch = rng.uniform(0, math.pi), rng.uniform(6, 30)
        noise = 0.6 * noise + np.sin((x * math.cos(turn) + y * math.sin(turn)) * 2 * math.pi / pitch)
    elif kind == "strokes":
        noise = np.asarray(
            cv2.GaussianBlur(noise, (0, 0), sigmaX=rng.uniform(5, 40), sigmaY=rng.uniform(1, 3))
        )
    contrast = 0.0 if kind == "paint" else 12.0
    grey = 150 + contrast * (noise / noise.std())[..., None] + rng.normal(0, 2, (h, w, 3))
    return EndCase(kind, np.clip(grey, 0, 255).astype(np.uint8), scale, 0.0, 1.0)


def report(title: str, readings: list[Reading]) -> None:
    table = np.array(
        [[r.distance_error_frac, r.place_error_frac, r.angle_error_deg, r.told, r.right] for r in readings]
    )
    told = table[:, 3] > 0
    distance, place, angle = np.median(table[:, :3], axis=0)
    sigma = np.quantile([r.error_over_sigma for r in readings], [0.5, 0.9])
    right = table[told, 4].mean() if told.any() else math.nan
    print(
        f"{title:24s} n {len(readings):4d}  bark side told {told.mean():6.1%}, right when told {right:6.1%}; "
        f"median errors: distance {distance:5.1%}, place {place:5.1%}, ring angle {angle:4.1f} deg; "
        f"error/sigma median {sigma[0]:.2f}, p90 {sigma[1]:.2f}"
    )


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    folder = shared_folder() / "photos" / "ends"
    if (folder / "pith.json").exists():
        rng = np.random.default_rng(seed)
        discs = load_discs(folder)
        names = list(discs)
        cases: list[EndCase] = []
        while len(cases) < n:
            name = names[len(cases) % len(names)]
            case = cut_window(name, discs[name], rng)
            if case is not None:
                cases.append(case)
        start = time.process_time()
        readings = [judge(case) for case in cases]
        per_end_s = (time.process_time() - start) / n
        report("photographed discs", readings)
        for name in names:
            report("  " + name.split(".")[0], [r for r in readings if r.source == name])
        print(f"  {per_end_s:.2f} s of processor time an end; reasons:")
        for reason, count in Counter(r.reason for r in readings).most_common():
            print(f"    {count:4d} {reason or 'told'}")
    else:
        print("skip: photos/ends not found; set GRAINMATCH_SHARED to the folder that holds photos")
    report("drawn ends", [judge(drawn_case(s)) for s in range(seed * 1000, seed * 1000 + n // 3)])
    blanks = [judge(blank_case(seed * 1000 + k)) for k in range(n // 4)]
    for kind in ("paint", "blots", "stripes", "strokes"):
        told = [r.told for r in blanks if r.source == kind]
        print(f"no rings, {kind:10s} n {len(told):4d}  wrongly claimed {np.mean(told):6.1%}")


if __name__ == "__main__":
    main()
