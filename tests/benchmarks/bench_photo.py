"""Scale from true outlines, one board's colour under two lights, and the colour of boards that shine.

Run: python -m tests.benchmarks.bench_photo

The first table reads photos with truth in GRAINMATCH_SHARED/scenes (or ../shared/scenes beside the
checkout; skipped with one line when absent) and measures the true outlines in them: what is left is the
error of the camera and of the light alone. The second draws boards of five species on five benches, lights
each scene twice (warm from the side, cool from above) and compares the readings of every board by CIEDE2000.
The third sees boards from aslant that mirror a lamp more and more, against their true colour.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import delta_e_2000, linear_to_lab, linear_to_srgb, srgb_to_linear
from grainmatch.geometry import Points, pixels_to_plane, polygon_mask
from grainmatch.model import Bench, Photo
from grainmatch.photo.evenness import even_light
from grainmatch.photo.pose import fit_bench, refine_with_boards
from grainmatch.photo.read import read_photo
from grainmatch.photo.rectify import rectify_face
from grainmatch.synth import SheetPlace, SynthScene, aim_camera, draw_scene, grow_board
from grainmatch.synth.bench import BenchKind
from tests.benchmarks.shared import shared_folder

THICK_MM = 27.0
SIZE = (2016, 1512)
# (lamp x, y, height mm, its colour, colour of the light from all around)
WARM = ((-3000.0, 600.0, 2600.0), (1.0, 0.8, 0.55), (0.5, 0.46, 0.4))
COOL = ((500.0, -400.0, 3000.0), (0.9, 1.0, 1.08), (0.3, 0.32, 0.36))
STRONG = ((-1500.0, 200.0, 1100.0), (1.0, 0.8, 0.55), (0.18, 0.17, 0.16))


def main() -> None:
    scenes = sorted((shared_folder() / "scenes").glob("*.json"))
    if not scenes:
        print("skipped: no photos with truth in GRAINMATCH_SHARED/scenes")
    for truth in scenes:
        measure_true_outlines(truth)
    for name, side in (("mild side light", WARM), ("strong side light", STRONG)):
        compare_lights(name, side)
    for gloss in (0.0, 0.04, 0.1, 0.2):
        measure_shining(gloss)


def measure_true_outlines(path: Path) -> None:
    truth: dict[str, Any] = json.loads(path.read_text("utf-8"))
    if "sheet_on" not in truth:
        return
    photo = read_photo(path.with_suffix(".jpg"))
    thick_mm = float(truth["boards"][0]["thick"])
    outlines = [np.array(b["outline_px"], dtype=float) for b in truth["boards"]]
    started = time.perf_counter()
    bench = fit_bench(photo, thickness_mm=thick_mm, sheet_on=truth["sheet_on"])
    bench = even_light(refine_with_boards(bench, outlines), outlines)
    took = time.perf_counter() - started
    length_frac, width_mm, differ = [], [], []
    for board, outline in zip(truth["boards"], outlines, strict=True):
        seen = _sides(pixels_to_plane(bench.camera, outline, bench.face_height_mm))
        true = _sides(np.array(board["outline_mm"], dtype=float))
        length_frac += list(np.abs(seen / true - 1)[[0, 2]])
        width_mm += list(np.abs(seen - true)[[1, 3]])
        differ.append(delta_e_2000(_lab(bench, outline), _lab_of_srgb(board["mean_srgb"])))
    print(
        f"{path.stem:24s} length {100 * max(length_frac):.3f} %  width {max(width_mm):.2f} mm  "
        f"sigma {100 * bench.scale_sigma_frac:.3f} %  "
        f"colour {np.median(differ):.2f} worst {max(differ):.2f} dE00  {1000 * took:.0f} ms"
    )


def compare_lights(name: str, side: tuple[Any, ...]) -> None:
    by_sheet, by_field = [], []
    for scene in drawn_scenes():
        photos = relit(scene, *side, seed=1), relit(scene, *COOL, seed=2)
        benches = [fit_bench(p, thickness_mm=THICK_MM) for p in photos]
        by_sheet += _differences(benches, scene)
        by_field += _differences([even_light(b, scene.outlines_px) for b in benches], scene)
    print(
        f"{name}: white from the sheet alone {np.median(by_sheet):.2f} worst {max(by_sheet):.2f}; "
        f"field {np.median(by_field):.2f} worst {max(by_field):.2f} dE00 over {len(by_field)} boards"
    )


def measure_shining(gloss: float) -> None:
    """Colour of boards that mirror a lamp, seen from aslant, against their true colour."""
    by_sheet, by_field = [], []
    for scene, lamp_mm in slanted_scenes():
        light = relit(scene, lamp_mm, (1.0, 0.92, 0.8), (0.6, 0.6, 0.58), seed=3, gloss=gloss)
        bench = fit_bench(light, thickness_mm=THICK_MM)
        even = even_light(bench, scene.outlines_px)
        for outline, lab in zip(scene.outlines_px, scene.mean_lab, strict=True):
            by_sheet.append(float(delta_e_2000(_lab(bench, outline), lab)))
            by_field.append(float(delta_e_2000(_lab(even, outline), lab)))
    print(
        f"boards mirroring {100 * gloss:.0f} %: white from the sheet alone {np.median(by_sheet):.2f} worst "
        f"{max(by_sheet):.2f}; field {np.median(by_field):.2f} worst {max(by_field):.2f} dE00 over "
        f"{len(by_field)} boards"
    )


def slanted_scenes() -> Iterator[tuple[SynthScene, tuple[float, float, float]]]:
    """Four boards seen from aslant on benches of four kinds, and a lamp about where it mirrors towards us."""
    kinds: tuple[tuple[str, BenchKind, float, float], ...] = (
        ("pine", "concrete", 700, -1800),
        ("cherry", "dark", 1100, 900),
        ("oak", "green", 300, -2200),
        ("walnut", "wood", 900, 1500),
        ("maple", "concrete", 1300, -600),
        ("ash", "dark", 500, 2400),
    )
    for seed, (species, bench, back_mm, aside_mm) in enumerate(kinds):
        boards = [
            grow_board(seed=90 + 10 * seed + i, species=species, length_mm=1250, width_mm=110 + 15 * i)
            for i in range(4)
        ]
        camera = aim_camera(size_px=SIZE, eye_mm=(-150 + 60 * seed, 200 + back_mm, 1450), target_mm=(0, 80))
        scene = draw_scene(
            boards, camera=camera, size_px=SIZE, sheet=SheetPlace((-300 + 130 * seed, 480)), bench=bench,
            noise=0, seed=seed,
        )  # fmt: skip
        yield scene, (aside_mm, -back_mm, 2000.0)


def drawn_scenes() -> Iterator[SynthScene]:
    """Five boards of five species on benches of four kinds, the sheet above or below them."""
    kinds: tuple[tuple[str, BenchKind, float], ...] = (
        ("cherry", "concrete", 12),
        ("walnut", "green", 20),
        ("maple", "wood", 0),
        ("oak", "dark", 8),
        ("ash", "concrete", 25),
    )
    for seed, (species, bench, gap) in enumerate(kinds):
        boards = [
            grow_board(seed=10 * seed + i, species=species, length_mm=1500 + 30 * i, width_mm=120 + 10 * i)
            for i in range(5)
        ]
        below = seed % 2 == 0
        camera = aim_camera(size_px=SIZE, eye_mm=(30, 300 if below else 60, 1600))
        sheet = SheetPlace((-350 + 150 * seed, 520 if below else -520))
        yield draw_scene(
            boards, camera=camera, size_px=SIZE, sheet=sheet, gap_mm=gap, bench=bench, noise=0, seed=seed
        )


def relit(
    scene: SynthScene,
    lamp_mm: tuple[float, float, float],
    lamp: tuple[float, float, float],
    around: tuple[float, float, float],
    *,
    seed: int,
    gloss: float = 0.0,
) -> Photo:
    """The scene in the light of one lamp over the plane of the faces and of its surroundings, with noise.

    gloss: share of the lamp's light that boards mirror in a wide lobe around the mirror's direction (Blinn
    1977), where it is strongest.
    """
    height, width = scene.photo.rgb.shape[:2]
    x, y = np.meshgrid(np.arange(0, width + 8, 8), np.arange(0, height + 8, 8))
    places = pixels_to_plane(scene.camera, np.column_stack([x.ravel(), y.ravel()]), THICK_MM)
    away = np.hypot(np.hypot(*(places - lamp_mm[:2]).T), lamp_mm[2])
    strength = float(np.linalg.norm(lamp_mm)) ** 2 * lamp_mm[2]
    light = np.array(around) + (strength / away**3)[:, None] * np.array(lamp)
    field = cv2.resize(light.reshape(*x.shape, 3).astype(np.float32), None, fx=8, fy=8)[:height, :width]
    linear = srgb_to_linear(scene.photo.rgb) * field
    if gloss:
        linear += gloss * _mirrored(scene, places, x.shape, lamp_mm, lamp, strength / away**3)
    linear *= 0.85 / np.percentile(linear[..., 0], 99.7)
    noisy = linear_to_srgb(linear) + np.random.default_rng(seed).normal(0, 1.5, linear.shape)
    return replace(scene.photo, rgb=np.clip(np.rint(noisy), 0, 255).astype(np.uint8))


def _mirrored(
    scene: SynthScene,
    places: Points,
    grid: tuple[int, ...],
    lamp_mm: tuple[float, float, float],
    lamp: tuple[float, float, float],
    strength: NDArray[np.float64],
) -> NDArray[np.float32]:
    """The lamp's light (h, w, 3) in boards that mirror it wholly in a lobe of (normal . halfway)^12."""
    height, width = scene.photo.rgb.shape[:2]
    eye = -scene.camera.rotation.T @ scene.camera.translation_mm * (1, 1, -1) - (0, 0, THICK_MM)
    at = np.column_stack([places, np.zeros(len(places))])
    to_eye, to_lamp = (
        v / np.linalg.norm(v, axis=1, keepdims=True) for v in (eye - at, np.array(lamp_mm) - at)
    )
    halfway = to_eye + to_lamp
    lobe = (halfway[:, 2] / np.linalg.norm(halfway, axis=1)) ** 12 * strength
    whole = cv2.resize(lobe.reshape(grid).astype(np.float32), None, fx=8, fy=8)[:height, :width]
    boards = np.zeros((height, width), dtype=bool)
    for outline in scene.outlines_px:
        boards |= polygon_mask(outline, (height, width))
    return np.asarray((whole * boards)[..., None] * np.array(lamp, dtype=np.float32))


def _differences(benches: list[Bench], scene: SynthScene) -> list[float]:
    labs = [np.array([_lab(bench, o) for o in scene.outlines_px]) for bench in benches]
    return [float(v) for v in delta_e_2000(*labs)]


def _lab(bench: Bench, outline_px: Points) -> NDArray[np.float64]:
    """Mean colour of a face, sheets lying on it left out."""
    face = rectify_face(bench, outline_px)
    wood = face.inside.copy()
    for sheet in bench.sheet_outlines_px:
        grown = sheet.mean(axis=0) + (sheet - sheet.mean(axis=0)) * 1.05
        on_face = face.frame.from_bench(pixels_to_plane(bench.camera, grown, bench.face_height_mm))
        wood &= ~polygon_mask(on_face * face.px_per_mm, (wood.shape[0], wood.shape[1]))
    return _lab_of_srgb(face.rgb[wood].mean(axis=0))


def _lab_of_srgb(srgb: NDArray[np.float64] | list[float]) -> NDArray[np.float64]:
    share = np.asarray(srgb, dtype=float) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear_to_lab(linear))


def _sides(outline: Points) -> NDArray[np.float64]:
    return np.asarray(np.hypot(*(np.roll(outline, -1, axis=0) - outline).T))


if __name__ == "__main__":
    main()
