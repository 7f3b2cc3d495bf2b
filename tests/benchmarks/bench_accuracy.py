"""How well boards are found and measured, on scenes whose truth is known.

Run: python -m tests.benchmarks.bench_accuracy [--scenes N] [--first K] [--only shared|drawn|real] [--each]

Three parts: photos with truth in GRAINMATCH_SHARED/scenes (or ../shared/scenes beside the checkout),
scenes drawn on the spot (tilt, blur, noise, px/mm, light, gaps, taper, crook, bench kinds), and real
boards on black in photos/boards beside those scenes. A missing folder is skipped with one line.
"""

from __future__ import annotations

import argparse
import io
import json
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from grainmatch.board.bare import measure_bare_face
from grainmatch.board.segment import find_boards
from grainmatch.colour import delta_e_2000, srgb_to_lab
from grainmatch.errors import GrainmatchError
from grainmatch.face.extent import find_wood
from grainmatch.geometry import Points, polygon_mask
from grainmatch.model import Board, Photo
from grainmatch.photo.pose import guess_bench
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.measure import measure_boards
from grainmatch.synth import BoardPlace, SheetPlace, SolidBoard, aim_camera, draw_scene, grow_board
from tests.benchmarks.shared import shared_folder

Floats = NDArray[np.float64]
BENCHES: tuple[Literal["concrete", "dark", "green", "wood"], ...] = ("concrete", "dark", "green", "wood")
LIGHTS = ((1.0, 1.0, 1.0), (1.0, 0.93, 0.82), (1.0, 0.8, 0.55), (0.9, 0.97, 1.0))
SPECIES = ("cherry", "oak", "walnut", "maple", "ash", "pine")


@dataclass(frozen=True, eq=False)
class Truth:
    """One board as it is: outline (n, 2) px, sizes in mm, mean Lab or None."""

    outline_px: Points
    length_mm: float
    start_width_mm: float
    end_width_mm: float
    crook_mm: float
    lab: Floats | None


@dataclass(frozen=True, eq=False)
class Case:
    """A photo and what is in it."""

    name: str
    photo: Photo
    thickness_mm: float
    sheet_on: str
    boards: tuple[Truth, ...]


@dataclass
class Tally:
    """What was measured against what is."""

    found: int = 0
    missed: int = 0
    false: int = 0
    seconds: float = 0.0
    wrong_count: list[str] = field(default_factory=list)
    rows: list[dict[str, float]] = field(default_factory=list)


# --- cases -----------------------------------------------------------------------------------


def shared_cases() -> Iterator[Case]:
    """Photos with a truth file beside them."""
    for path in sorted((shared_folder() / "scenes").glob("*.json")):
        truth = json.loads(path.read_text())
        if "outline_px" not in truth["boards"][0]:
            continue  # board ends, not faces
        photo = read_photo(path.with_suffix(".jpg"))
        boards = tuple(_shared_truth(b) for b in truth["boards"])
        yield Case(path.stem, photo, truth["boards"][0]["thick"], truth["sheet_on"], boards)


def _shared_truth(board: dict[str, Any]) -> Truth:
    corner = np.asarray(
        board["outline_mm"], dtype=np.float64
    )  # lower left, lower right, upper right, upper left
    lab = np.asarray(srgb_to_lab(np.rint(board["mean_srgb"]).astype(np.uint8)), dtype=np.float64)
    widths = corner[3, 1] - corner[0, 1], corner[2, 1] - corner[1, 1]
    outline = np.asarray(board["outline_px"], dtype=np.float64)
    return Truth(outline, float(np.ptp(corner[:, 0])), float(widths[0]), float(widths[1]), 0.0, lab)


def drawn_cases(n: int, first: int = 0) -> Iterator[Case]:
    """Scenes drawn from seeds first to first + n - 1."""
    for seed in range(first, first + n):
        yield _drawn(seed)


def _drawn(seed: int) -> Case:
    rng = np.random.default_rng([seed, 77])
    width = int(rng.choice([2000, 2600, 3200, 4032]))
    size = (width, width * 3 // 4)
    length = float(rng.uniform(700, 1900))
    thickness = float(rng.choice([19, 22, 27, 40]))
    kind = ("gaps", "touching", "mixed")[seed % 3]
    species = str(rng.choice(SPECIES))
    boards = [
        _board(rng, seed * 100 + i, length, thickness, species, kind) for i in range(int(rng.integers(1, 8)))
    ]
    places, bottom = _lay(rng, boards, kind)
    tilt = float(rng.choice([0.0, 0.0, 0.15, 0.35, 0.65]))
    span = max(length + 150, (bottom * 2 + 420) * 4 / 3)
    height = span / 2 / np.tan(np.radians(33)) * float(rng.uniform(1.02, 1.3))
    camera = aim_camera(
        size_px=size,
        eye_mm=(float(rng.uniform(-150, 150)), height * np.tan(tilt) + float(rng.uniform(-100, 150)), height),
        target_mm=(0.0, 60.0),
        roll_deg=float(rng.uniform(-3, 3)),
        hfov_deg=66.0,
        k1=float(rng.choice([0.0, -0.03])),
    )
    on_boards = kind == "touching" and len(boards) > 1 and bool(rng.random() < 0.5)
    sheet = (float(rng.uniform(-200, 200)), 0.0 if on_boards else bottom + 150.0)
    scene = draw_scene(
        boards,
        camera=camera,
        places=places,
        sheet=SheetPlace(sheet, float(rng.uniform(-6, 6))),
        sheet_on="boards" if on_boards else "bench",
        light=LIGHTS[int(rng.integers(len(LIGHTS)))],
        light_gradient=(float(rng.uniform(-0.4, 0.4)), float(rng.uniform(-0.2, 0.2))),
        bench=BENCHES[seed % 4],
        blur_px=float(rng.uniform(0.4, 1.3)),
        noise=float(rng.uniform(0.5, 4.0)),
        size_px=size,
        seed=seed,
        name=f"drawn {seed}",
    )
    name = f"drawn {seed} {kind} {BENCHES[seed % 4]} {species} n={len(boards)} tilt={np.degrees(tilt):.0f}"
    truths = tuple(
        Truth(o, b.length_mm, b.width_mm, b.end_width_mm or b.width_mm, b.crook_mm, lab)
        for b, o, lab in zip(boards, scene.outlines_px, scene.mean_lab, strict=True)
    )
    return Case(name, scene.photo, thickness, "boards" if on_boards else "bench", truths)


def _board(
    rng: np.random.Generator, seed: int, length: float, thickness: float, species: str, kind: str
) -> SolidBoard:
    width = float(rng.uniform(70, 190))
    shaped = kind == "mixed"
    return grow_board(
        seed=seed,
        length_mm=length + float(rng.uniform(-40, 40)),
        width_mm=width,
        thickness_mm=thickness,
        species=str(rng.choice(SPECIES)) if shaped else species,
        end_width_mm=width - float(rng.uniform(0, 12)) if shaped and rng.random() < 0.5 else None,
        crook_mm=float(rng.uniform(-5, 5)) if shaped and rng.random() < 0.4 else 0.0,
    )


def _lay(rng: np.random.Generator, boards: Sequence[SolidBoard], kind: str) -> tuple[list[BoardPlace], float]:
    """Places from the top down, and half the height they take."""
    gaps = [float(rng.uniform(0.2, 0.7) if kind == "touching" else rng.uniform(4, 30)) for _ in boards]
    for above, (first, second) in enumerate(pairwise(boards)):  # no board lies through another
        gaps[above + 1] += abs(first.crook_mm) + abs(second.crook_mm)
    total = sum(b.width_mm for b in boards) + sum(gaps[1:])
    y = -total / 2
    places: list[BoardPlace] = []
    for k, board in enumerate(boards):
        y += gaps[k] if places else 0.0
        least = min(gaps[max(k, 1) : k + 2], default=30.0)
        yaw = 0.0 if kind == "touching" else float(rng.uniform(-1, 1)) * min(0.8, least / 40)
        places.append(BoardPlace((float(rng.uniform(-12, 12)), y + board.width_mm / 2), yaw))
        y += board.width_mm
    return places, total / 2


# --- scoring -----------------------------------------------------------------------------------


def score_case(case: Case, tally: Tally, each: bool) -> None:
    """Measure one photo and add what came out."""
    start = time.perf_counter()
    try:
        boards = measure_boards(case.photo, thickness_mm=case.thickness_mm, sheet_on=case.sheet_on)  # type: ignore[arg-type]
    except GrainmatchError as error:
        boards = []
        print(f"  {case.name}: {error}")
    seconds = time.perf_counter() - start
    tally.seconds += seconds
    left = list(boards)
    missed = 0
    for truth in case.boards:
        best = max(left, key=lambda b: overlap(_outline(b), truth.outline_px), default=None)
        share = overlap(_outline(best), truth.outline_px) if best is not None else 0.0
        if best is None or share < 0.5:
            missed += 1
            continue
        left.remove(best)
        tally.rows.append(_row(best, truth, share))
        if each:
            print("    ", {k: round(v, 3) for k, v in tally.rows[-1].items()})
    tally.found += len(case.boards) - missed
    tally.missed += missed
    tally.false += len(left)
    if missed or left:
        tally.wrong_count.append(f"{case.name}: missed {missed}, false {len(left)}")
    if each:
        print(f"  {case.name}: {len(boards)} of {len(case.boards)}, {seconds:.2f} s")


def _outline(board: Board) -> Points:
    outline = board.faces[0].outline_px
    assert outline is not None
    return outline


def overlap(a: Points, b: Points, scale: float = 2.0) -> float:
    """Intersection over union of two polygons in photo pixels, drawn at `scale`."""
    low = np.minimum(a.min(axis=0), b.min(axis=0)) - 2
    high = np.maximum(a.max(axis=0), b.max(axis=0)) + 2
    shape = tuple(int(v) for v in np.ceil((high - low)[::-1] * scale))
    masks = []
    for polygon in (a, b):
        mask = np.zeros(shape, np.uint8)
        cv2.fillPoly(mask, [np.rint(((polygon - low) * scale - 0.5) * 16).astype(np.int32)], 1, shift=4)
        masks.append(mask)
    return float((masks[0] & masks[1]).sum() / max(int((masks[0] | masks[1]).sum()), 1))


def _row(board: Board, truth: Truth, share: float) -> dict[str, float]:
    start = board.start_width_mm - truth.start_width_mm
    end = board.end_width_mm - truth.end_width_mm
    length = board.length_mm - truth.length_mm
    face = board.faces[0]
    colour = float("nan")
    if truth.lab is not None:
        seen = srgb_to_lab(face.rgb[face.inside][::7]).mean(axis=0)
        colour = float(delta_e_2000(seen, truth.lab))
    return {
        "iou": share,
        "start": start,
        "end": end,
        "length": length,
        "length_pct": 100 * length / truth.length_mm,
        "taper": start - end,
        "crook": board.crook_mm - truth.crook_mm,
        "z_width": max(abs(start), abs(end)) / max(board.sigma_width_mm, 1e-6),
        "z_start": start / max(board.sigma_width_mm, 1e-6),
        "z_end": end / max(board.sigma_width_mm, 1e-6),
        "z_length": length / max(board.sigma_length_mm, 1e-6),
        "sigma_width": board.sigma_width_mm,
        "sigma_length": board.sigma_length_mm,
        "colour": colour,
    }


def report(tally: Tally, title: str) -> None:
    """Print counts, errors (median, 95 %, worst), cover by 2 sigma and sigma against the spread."""
    print(
        f"== {title}: found {tally.found}, missed {tally.missed}, false {tally.false}; {tally.seconds:.1f} s"
    )
    for line in tally.wrong_count:
        print("   ", line)
    if not tally.rows:
        return
    table = {k: np.array([r[k] for r in tally.rows]) for k in tally.rows[0]}
    iou = table["iou"]
    print(
        f"   IoU median {np.median(iou):.4f} worst {iou.min():.4f}; "
        f"below 0.985: {(iou < 0.985).sum()} of {len(iou)}"
    )
    widths = np.concatenate([table["start"], table["end"]])
    for name, values, unit in (
        ("width", widths, "mm"),
        ("length", table["length_pct"], "%"),
        ("taper", table["taper"], "mm"),
        ("crook", table["crook"], "mm"),
        ("colour", table["colour"], "dE00"),
    ):
        size = np.abs(values[np.isfinite(values)])
        if len(size):
            print(
                f"   {name:7s} error median {np.median(size):.3f} p95 {np.percentile(size, 95):.3f} "
                f"worst {size.max():.3f} {unit}"
            )
    z_width = np.concatenate([table["z_start"], table["z_end"]])
    for name, z, sigma, error in (
        ("width", z_width, table["sigma_width"], widths),
        ("length", table["z_length"], table["sigma_length"], table["length"]),
    ):
        ratio = float(np.median(sigma) / max(1.4826 * float(np.median(np.abs(error))), 1e-9))
        print(
            f"   {name}: truth within 2 sigma {100 * (np.abs(z) <= 2).mean():.1f} %; sigma/spread {ratio:.2f}"
        )


# --- time and real boards --------------------------------------------------------------------

REAL_LONG_SIDE_PX = 3200
TURNS = 15


def check_real_boards() -> None:
    """Real boards, one on black a picture: its outline, and that it stays one board on a black bench."""
    paths = sorted((shared_folder() / "photos" / "boards").glob("*.jpg"))
    if not paths:
        print(f"skipped: no photos of real boards in {shared_folder()}")
        return
    found, whole, share, likeness = 0, 0, [], []
    for path in paths:
        with Image.open(path) as picture:
            picture.thumbnail((REAL_LONG_SIDE_PX, REAL_LONG_SIDE_PX))
            rgb = np.pad(np.asarray(picture.convert("RGB")), ((80, 80), (80, 80), (0, 0)))
        try:
            outline = _outline(
                measure_bare_face(rgb, find_wood(rgb), px_per_mm=1.0, board_id="1", thickness_mm=22.0)
            )
        except GrainmatchError as error:
            print(f"  {path.stem}: {error}")
            continue
        found += 1
        wood = rgb.max(axis=2) > 60
        share.append(float(wood[polygon_mask(outline, (rgb.shape[0], rgb.shape[1]))].sum() / wood.sum()))
        ground = ~polygon_mask(outline, (rgb.shape[0], rgb.shape[1]))
        rgb[ground] = 0  # the scanner's bed is not as black as the margin
        boards = find_boards(guess_bench(Photo(path.name, rgb), thickness_mm=22))
        whole += len(boards) == 1
        if boards:
            likeness.append(max(overlap(b.outline_px, outline, 1.0) for b in boards))
        if len(boards) != 1:
            print(f"  {path.stem}: {len(boards)} boards seen instead of one")
    print(
        f"== real boards on black: outline found on {found} of {len(paths)}, least share of the wood inside "
        f"{min(share, default=0.0):.4f}; seen as one board on a bench, no split at rings or cracks: {whole} "
        f"of {len(paths)}, least IoU of the two outlines {min(likeness, default=0.0):.4f}"
    )


def time_against_decode() -> None:
    """A 12-megapixel photo with five boards: decode to measured boards, over Pillow's own decode, in turns.

    The least of both times, and the median of the turns' own ratios: other work on the machine adds to each.
    """
    boards = [grow_board(seed=900 + i, length_mm=1500, width_mm=120 + 10 * i) for i in range(5)]
    size = (4032, 3024)
    camera = aim_camera(size_px=size, eye_mm=(0, 100, 1650))
    scene = draw_scene(boards, camera=camera, sheet=SheetPlace((0, 550)), size_px=size, seed=4)
    file = io.BytesIO()
    Image.fromarray(scene.photo.rgb).save(file, "JPEG", quality=92)
    data = file.getvalue()
    decode, whole = [], []
    for _ in range(TURNS):
        start = time.perf_counter()
        np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
        decode.append(time.perf_counter() - start)
        start = time.perf_counter()
        found = measure_boards(read_photo(data, name="five.jpg"), thickness_mm=27)
        whole.append(time.perf_counter() - start)
    print(
        f"== time: decode {min(decode):.3f} s, decode to {len(found)} measured boards {min(whole):.3f} s, "
        f"ratio {min(whole) / min(decode):.1f}, turn by turn {np.median(np.divide(whole, decode)):.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", choices=("shared", "drawn", "real", "time"))
    parser.add_argument("--each", action="store_true")
    args = parser.parse_args()
    if args.only in (None, "shared"):
        tally = Tally()
        for case in shared_cases():
            score_case(case, tally, args.each)
        if tally.rows:
            report(tally, "photos with truth")
        else:
            print(f"skipped: no scenes in {shared_folder()}")
    if args.only in (None, "drawn"):
        tally = Tally()
        for case in drawn_cases(args.scenes, args.first):
            score_case(case, tally, args.each)
        report(tally, f"{args.scenes} drawn scenes")
    if args.only in (None, "real"):
        check_real_boards()
    if args.only in (None, "time"):
        time_against_decode()


if __name__ == "__main__":
    main()
