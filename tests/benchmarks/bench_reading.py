"""Measure what reading a face is worth, against drawn boards with known truth and real labelled knots.

    python -m tests.benchmarks.bench_reading [--quick]

Real photographs are looked for in GRAINMATCH_SHARED, or in the folder `shared` beside this project;
without them that part is skipped. Their scale is unknown: each is read as a face 125 mm wide (and, to see how
little that matters, as 100, 140 and 250 mm). The models of knots and lines were fitted on these boards and
tiles, so the honest figures are those that fit_knots and fit_lines print, cross-validated by board and tile.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab
from skimage.feature import structure_tensor

from grainmatch.colour import delta_e_2000, srgb_to_lab
from grainmatch.face.bark import bark_side_of_pair
from grainmatch.face.cut import PLAIN_BELOW_DEG, QUARTER_FROM_DEG
from grainmatch.face.planing import planing_direction
from grainmatch.face.reading import read_face
from grainmatch.model import Features, Side
from grainmatch.synth import SolidBoard, SynthFace, draw_face, grow_board, true_mean_lab
from grainmatch.synth import planing_direction as true_planing_direction
from tests.benchmarks.real_knots import (
    LabelledFace,
    count_lines,
    count_matches,
    mask_boxes,
    read_boxed_boards,
    read_masked_tiles,
    scale_box,
)
from tests.benchmarks.shared import shared_photos
from tests.face.marks import knot_area_mm2

SIDES: tuple[Side, Side] = ("A", "B")
WOODS = ("cherry", "walnut", "maple", "oak", "pine", "ash")
SCALES = (1.0, 1.5, 2.0, 3.0, 4.0)
NOISES = (0.0, 5.0, 10.0)
PEER_SIGMAS_PX = (2.0, 4.0, 8.0, 12.0)


@dataclass
class Tally:
    """Angle errors in degrees, how sure each was, and the peer's for each of its scales."""

    error: list[NDArray[np.float64]] = field(default_factory=list)
    coherence: list[NDArray[np.float64]] = field(default_factory=list)
    peer: dict[float, list[NDArray[np.float64]]] = field(default_factory=dict)
    peer_coherence: dict[float, list[NDArray[np.float64]]] = field(default_factory=dict)


def main() -> None:
    """Print every number."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a third of the boards")
    n = 6 if parser.parse_args().quick else 18
    bench_grain(n)
    bench_solid(n)
    bench_tone(n)
    bench_real_knots()
    bench_speed()


def bench_grain(n: int) -> None:
    """Grain angle by cell, ours and scikit-image's, over scales, noise, woods, arches and knots."""
    tally = Tally()
    for seed in range(n):
        board = grow_board(seed=2000 + seed, length_mm=700, knots=2, species=WOODS[seed % len(WOODS)])
        px_per_mm, noise = SCALES[seed % len(SCALES)], NOISES[seed % len(NOISES)]
        for side in SIDES:
            face = draw_face(board, side=side, px_per_mm=px_per_mm, noise=noise)
            features = read_face(face.rgb, px_per_mm=px_per_mm, inside=face.inside)
            _compare_angles(face, features, tally)
    error, sure = np.concatenate(tally.error), np.concatenate(tally.coherence) > 0.3
    print("Grain angle against the solid model (1-4 px/mm, noise 0-10/255, knots, arches)")
    print(f"  ours where coherence > 0.3: {_spread(error[sure])}, on {100 * sure.mean():.0f} % of cells")
    for name, choose in (("by its own coherence > 0.3", False), ("on our sure cells", True)):
        rows = []
        for sigma in PEER_SIGMAS_PX:
            peer = np.concatenate(tally.peer[sigma])
            use = sure if choose else np.concatenate(tally.peer_coherence[sigma]) > 0.3
            rows.append((float(peer[use].mean()), sigma, _spread(peer[use])))
        best = min(rows)
        print(f"  scikit-image structure_tensor {name}, best sigma {best[1]:.0f} px: {best[2]}")


def _compare_angles(face: SynthFace, features: Features, tally: Tally) -> None:
    truth = true_cell_angles(face, features)
    known = np.isfinite(truth)
    tally.error.append(axis_error_deg(features.angle_rad, truth)[known])
    tally.coherence.append(features.coherence[known])
    light = face.rgb.astype(np.float64).mean(axis=2)
    cell = features.cell_mm * face.px_per_mm
    rows, columns = (
        np.minimum(((np.arange(n) + 0.5) * cell).astype(int), size - 1)
        for n, size in zip(features.angle_rad.shape, light.shape, strict=True)
    )
    for sigma in PEER_SIGMAS_PX:
        tensor = structure_tensor(light, sigma=sigma, order="rc")  # type: ignore[no-untyped-call]
        a_rr, a_rc, a_cc = (a[np.ix_(rows, columns)] for a in tensor)
        angle = 0.5 * np.arctan2(2 * a_rc, a_cc - a_rr) + np.pi / 2
        coherence = np.hypot(a_cc - a_rr, 2 * a_rc) / (a_rr + a_cc + 1e-12)
        tally.peer.setdefault(sigma, []).append(axis_error_deg(angle, truth)[known])
        tally.peer_coherence.setdefault(sigma, []).append(coherence[known])


def true_cell_angles(face: SynthFace, features: Features) -> NDArray[np.float64]:
    """Mean true direction in each cell by double angle, NaN where half of it is knot or not wood."""
    cell = features.cell_mm * face.px_per_mm
    shape = features.angle_rad.shape
    rows, columns = (
        np.minimum((np.arange(n) + 0.5) // cell, size - 1).astype(int)
        for n, size in zip(face.angle_rad.shape, shape, strict=True)
    )
    index = (rows[:, None] * shape[1] + columns[None]).ravel()
    clear = (face.inside & ~face.knot_mask).ravel()
    double = np.exp(2j * face.angle_rad).ravel()
    total = shape[0] * shape[1]
    parts = [np.bincount(index[clear], v[clear], total) for v in (double.real, double.imag)]
    share = np.bincount(index[clear], minlength=total) / np.maximum(np.bincount(index, minlength=total), 1)
    angle = np.arctan2(parts[1], parts[0]) / 2
    return np.asarray(np.where(share > 0.5, angle, np.nan).reshape(shape))


def axis_error_deg(angle: NDArray[np.float64], truth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Difference of undirected directions, 0..90 degrees."""
    return np.degrees(np.abs((angle - truth + np.pi / 2) % np.pi - np.pi / 2))


def bench_solid(n: int) -> None:
    """Arches, planing arrow, ring angle class, distance of the pith, bark side, line spacing, knots."""
    right = dict.fromkeys(("arches", "planing", "single", "pair"), 0)
    claimed = dict.fromkeys(right, 0)
    total = dict.fromkeys(right, 0)
    pith, spacing, classes, class_known = [], [], [], []
    knots = np.zeros(3, dtype=np.int64)

    def count(what: str, claim: object, truth: object) -> None:
        total[what] += 1
        claimed[what] += claim not in (None, 0)
        right[what] += claim not in (None, 0) and claim == truth

    for seed in range(n):
        board = grow_board(
            seed=3000 + seed, length_mm=(900.0, 1900.0)[seed % 2], species=WOODS[seed % len(WOODS)], knots=1
        )
        pair = []
        for side in SIDES:
            face = draw_face(board, side=side, px_per_mm=2.0, noise=NOISES[seed % 3])
            features = read_face(face.rgb, px_per_mm=2.0, inside=face.inside)
            pair.append(features)
            if face.arches_point:
                count("arches", features.cathedral and features.cathedral.arches_point, face.arches_point)
                arrow, _ = planing_direction(features, face.bark_side_up)
                count("planing", arrow, true_planing_direction(board, side))
            count("single", _as_side(features.bark_side_up, side), board.bark_side)
            distance, across = _true_pith(board, side)
            if features.cathedral is not None:
                pith.append(features.cathedral.pith_distance_mm / distance)
            hit, known = _classes_right(features, distance, across)
            classes.append(hit)
            class_known.append(known)
            spacing.append(_spacing_ratio(board, face, features))
            boxes = [scale_box(m.box_mm, 2.0) for m in features.marks if m.kind in ("knot", "hole")]
            knots += count_matches(boxes, mask_boxes(face.knot_mask), least_px=8)
        told, _ = bark_side_of_pair(pair[0], pair[1], thickness_mm=board.thickness_mm)
        count("pair", told, board.bark_side)
    print("Cut, arches and bark side against the solid model")
    names = {
        "arches": "way the arches point", "planing": "planing arrow, bark side given",
        "single": "bark side from one face", "pair": "bark side from both faces",
    }  # fmt: skip
    for what, name in names.items():
        print(f"  {name}: right {right[what]} of {claimed[what]} claimed, of {total[what]}")
    hits, known_rows = np.concatenate(classes), np.concatenate(class_known)
    claimed_frac = known_rows.mean()
    print(
        f"  plain / rift / quarter by row: right {hits[known_rows].mean():.2f} of {claimed_frac:.2f} claimed"
    )
    print(f"  pith distance over truth: {_quartiles(np.array(pith))}")
    print(f"  line spacing over truth: {_quartiles(np.concatenate(spacing))}")
    print(f"  drawn knots: recall {knots[0] / knots[1]:.2f}, false {knots[2]} on {knots[1]} knots")


def bench_tone(n: int) -> None:
    """Sapwood overlap, tone of clear wood, and CIEDE2000 beside scikit-image's."""
    print("Tone")
    for species in WOODS:
        overlaps, missed, false, tone = [], 0, 0, []
        for seed in range(n):
            board = grow_board(seed=4000 + seed, length_mm=800, species=species)
            face = draw_face(board, px_per_mm=2.0, noise=NOISES[seed % 3])
            features = read_face(face.rgb, px_per_mm=2.0, inside=face.inside)
            tone.append(float(delta_e_2000(features.mean_lab, true_mean_lab(board))))
            found = drawn_sapwood(features, face.inside.shape)
            share = face.sapwood_mask.sum() / face.inside.sum()
            if share > 0.02:
                overlaps.append((found & face.sapwood_mask).sum() / (found | face.sapwood_mask).sum())
                missed += features.sapwood_edges is None
            elif share == 0:
                false += features.sapwood_edges is not None
        print(
            f"  {species}: sapwood IoU mean {np.mean(overlaps or [np.nan]):.3f} median"
            f" {np.median(overlaps or [np.nan]):.3f} (missed {missed} of {len(overlaps)}, false {false});"
            f" mean tone off by {np.mean(tone):.2f} CIEDE2000"
        )
    rgb = np.random.default_rng(0).integers(0, 256, (200, 200, 3), dtype=np.uint8)
    ours, theirs = srgb_to_lab(rgb).astype(np.float64), rgb2lab(rgb)
    their_pair = deltaE_ciede2000(theirs[:100], theirs[100:])  # type: ignore[no-untyped-call]
    pair = delta_e_2000(ours[:100], ours[100:]) - their_pair
    print(
        f"  beside scikit-image: CIELAB {np.abs(ours - theirs).max():.1e}, CIEDE2000 {np.abs(pair).max():.1e}"
    )


def drawn_sapwood(features: Features, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Face pixels (h, w) of sapwood, from its depth along each edge; for faces that fill the picture."""
    edges = features.sapwood_edges
    if edges is None:
        return np.zeros(shape, dtype=bool)
    at = (np.arange(shape[1]) + 0.5) / (features.cell_mm * features.px_per_mm) - 0.5
    columns = np.arange(len(edges.upper_mm))
    upper, lower = (np.interp(at, columns, d) * features.px_per_mm for d in (edges.upper_mm, edges.lower_mm))
    y = np.arange(shape[0])[:, None] + 0.5
    return np.asarray((y < upper) | (y > shape[0] - lower))


def bench_real_knots() -> None:
    """Recall, precision and summed area of knots on real spruce."""
    photos = shared_photos()
    if photos is None:
        print("Real knots: skipped, no photographs (set GRAINMATCH_SHARED)")
        return
    print("Real knots at least 2 % of the face width, IoU >= 0.3")
    boards, tiles = read_boxed_boards(photos), read_masked_tiles(photos)
    for face_mm in (100.0, 125.0, 140.0, 250.0):
        _print_knots(f"boxed boards (fitted on; see fit_knots), as {face_mm:.0f} mm", boards, face_mm)
    _print_knots("masked tiles (fitted on; see fit_knots), as 125 mm", tiles, 125.0)
    _print_lines([*boards, *tiles], 125.0)


def _print_lines(faces: list[LabelledFace], face_mm: float) -> None:
    """Cracks and pitch by kind, and finds on no label for each square metre."""
    total: dict[str, NDArray[np.int64]] = {}
    area_m2 = 0.0
    for face in faces:
        px_per_mm = face.rgb.shape[0] / face_mm
        area_m2 += face.rgb.shape[0] * face.rgb.shape[1] / px_per_mm**2 / 1e6
        marks = [m for m in read_face(face.rgb, px_per_mm=px_per_mm).marks if m.kind in ("crack", "pitch")]
        rows = {"whatever the kind": (marks, tuple(b for boxes in face.others.values() for b in boxes))}
        for kind, label in (("crack", "crack"), ("pitch", "resin")):
            rows[kind] = ([m for m in marks if m.kind == kind], face.others.get(label, ()))
        for name, (found, true) in rows.items():
            numbers = count_lines([scale_box(m.box_mm, px_per_mm) for m in found], true)
            total[name] = total.get(name, np.zeros(3, np.int64)) + numbers
    print(f"Cracks, resin and pith on {area_m2:.2f} m2 of spruce (fitted on; see fit_lines)")
    for name, (hit, true, false) in total.items():
        print(f"  {name}: found {hit} of {true}; {false} on no such label, {false / area_m2:.0f} a m2")


def _print_knots(name: str, faces: list[LabelledFace], face_mm: float) -> None:
    total = np.zeros(3, dtype=np.int64)
    areas = np.zeros(2)
    for face in faces:
        px_per_mm = face.rgb.shape[0] / face_mm
        features = read_face(face.rgb, px_per_mm=px_per_mm)
        boxes = [scale_box(m.box_mm, px_per_mm) for m in features.marks if m.kind in ("knot", "hole")]
        total += count_matches(boxes, face.knots, least_px=0.02 * face.rgb.shape[0] * 0.85)
        found_px = knot_area_mm2(features) * px_per_mm**2
        boxed = sum(np.pi / 4 * (k[2] - k[0]) * (k[3] - k[1]) for k in face.knots)
        areas += (found_px, boxed if face.mask is None else face.mask.sum())
    print(
        f"  {name}: recall {total[0] / total[1]:.3f} precision {total[0] / max(total[0] + total[2], 1):.3f}"
        f" of {total[1]}; summed area {100 * (areas[0] / areas[1] - 1):+.0f} %"
    )


def bench_speed() -> None:
    """One face of 2000 x 150 mm at 2 px/mm, beside one call of scikit-image's structure tensor."""
    board = grow_board(seed=5, length_mm=2000, width_mm=150, knots=1)
    face = draw_face(board, px_per_mm=2.0, noise=4)
    light = face.rgb.astype(np.float64).mean(axis=2)
    ours = _fastest(lambda: read_face(face.rgb, px_per_mm=2.0))
    for sigma in (2.0, 4.0):
        peer = _fastest(partial(structure_tensor, light, sigma=sigma))
        times = f"CPU time of read_face {ours:.3f} s, structure_tensor(sigma={sigma:.0f}) {peer:.3f} s"
        print(f"Speed: {times}, ratio {ours / peer:.2f}")


def _fastest(call: Callable[[], object], repeats: int = 9) -> float:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def _as_side(bark_side_up: bool | None, side: Side) -> Side | None:
    if bark_side_up is None:
        return None
    return side if bark_side_up else ("B" if side == "A" else "A")


def _true_pith(board: SolidBoard, side: Side) -> tuple[float, float]:
    """Distance of the pith from a face, and its place across in that face's frame."""
    depth = abs(board.pith_depth_mm - (0.0 if side == "A" else board.thickness_mm))
    return depth, board.width_mm / 2 + board.pith_across_mm * (1 if side == "A" else -1)


def _classes_right(
    features: Features, distance: float, across: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    assert features.cut_cells is not None
    y = (np.arange(features.cut_cells.shape[0]) + 0.5) * features.cell_mm
    angle = np.degrees(np.arctan2(np.abs(y - across), distance))
    truth = np.where(angle < PLAIN_BELOW_DEG, "plain", np.where(angle < QUARTER_FROM_DEG, "rift", "quarter"))
    read = features.cut_cells[:, 0]
    return read == truth, read != "unclear"


def _spacing_ratio(board: SolidBoard, face: SynthFace, features: Features) -> NDArray[np.float64]:
    """Read over true line spacing, where one is read."""
    down, right = np.gradient(face.radius_mm, 1 / face.px_per_mm)
    cell = features.cell_mm * face.px_per_mm
    shape = features.ring_mm.shape
    rows, columns = (
        np.minimum(((np.arange(n) + 0.5) * cell).astype(int), size - 1)
        for n, size in zip(shape, face.radius_mm.shape, strict=True)
    )
    true = board.ring_mm / np.hypot(down, right)[np.ix_(rows, columns)]
    ratio = features.ring_mm / true
    return np.asarray(ratio[np.isfinite(ratio)])


def _spread(error: NDArray[np.float64]) -> str:
    return f"mean {error.mean():.2f}, p95 {np.percentile(error, 95):.2f} degrees"


def _quartiles(values: NDArray[np.float64]) -> str:
    low, middle, high = np.percentile(values, [25, 50, 75])
    return f"median {middle:.2f}, quartiles {low:.2f} to {high:.2f}"


if __name__ == "__main__":
    main()
