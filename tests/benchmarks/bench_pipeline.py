"""Every arrow of the pipeline with the stopwatch: seconds, peak memory, and how often its yardstick fits in.

The yardstick of an arrow is what a well-kept library needs for the heart of it, timed in the same run:
decode beside Pillow, rectify beside one cv2.warpPerspective a face, reading beside one scikit-image
structure_tensor a face, the search beside OR-Tools CP-SAT on the pair costs, a pile of photos and the
whole job beside the sum of their Pillow decodes. Memory is this process and its children, sampled.
Run: python -m tests.benchmarks.bench_pipeline [photos|boards|job|pile N ...]
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from PIL import Image
from skimage.feature import structure_tensor

from grainmatch.model import Board, Features, Side
from grainmatch.photo.evenness import even_light
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.arrange import pose_problem
from grainmatch.pipeline.cache import ReadingCache, usual_cache
from grainmatch.pipeline.features import read_features
from grainmatch.pipeline.files import file_to_papers, folder_to_layouts, save_measured
from grainmatch.pipeline.measure import find_straight, lay_outlines, scale_photo
from grainmatch.pipeline.pile import photos_to_boards
from grainmatch.search.best import search_layouts, search_one
from grainmatch.search.evaluate import open_table
from tests.benchmarks.bench_search import solve_circuit
from tests.benchmarks.held import watch_memory

T = TypeVar("T")
SAMPLES = Path(__file__).parents[2] / "sample_images"
FACES = sorted(SAMPLES.glob("demo_boards_*.jpg"))
PHOTOS = sorted(SAMPLES.glob("demo_*.jpg"))
THICKNESS_MM = 27.0
PROCESSES = 2
CPSAT_S = 30.0


class Stopwatch:
    """Runs calls and prints, for each, its seconds, the peak memory meanwhile, and a ratio."""

    def time(self, name: str, call: Callable[[], T], yardstick: tuple[str, float] | None = None) -> T:
        with watch_memory() as peak_mb:
            start_s = time.perf_counter()
            answer = call()
            seconds = time.perf_counter() - start_s
        beside = "" if yardstick is None else f"{seconds / yardstick[1]:8.1f} x {yardstick[0]}"
        print(f"  {name:<44}{seconds:9.3f} s {peak_mb[0]:7.0f} MB {beside}", flush=True)
        return answer


def main(parts: Sequence[str]) -> None:
    """Time what is named, all but the pile when nothing is."""
    watch = Stopwatch()
    if "pile" in parts:
        time_pile(watch, int(parts[parts.index("pile") + 1]))
    for name, part in (("photos", time_photos), ("boards", time_boards), ("job", time_job)):
        if name in parts or not parts:
            part(watch)


def time_photos(watch: Stopwatch) -> None:
    """Photo -> boards, arrow by arrow on one photo, then piles of 1, 4 and 8 photos."""
    path = FACES[0]
    print(f"one photo of {_megapixels(path):.0f} megapixels and four boards")
    decode_s = _decode_s(path)
    decode = ("its Pillow decode", decode_s)
    photo = watch.time("read (decode, turn, colour profile)", lambda: read_photo(path), decode)
    bench = watch.time("scale (sheet, camera)", lambda: scale_photo(photo, THICKNESS_MM), decode)
    bench, outlines = watch.time("find (outlines, camera again)", lambda: find_straight(bench), decode)
    bench = watch.time("even light", lambda: even_light(bench, [o.outline_px for o in outlines]), decode)
    boards = watch.time("lay flat (rectify)", lambda: lay_outlines(bench, outlines, THICKNESS_MM), decode)
    faces = [b.faces[0] for b in boards]
    _beside("of which the warps alone, by OpenCV", lambda: [_warp(photo.rgb, f.rgb.shape) for f in faces])
    tensor_s = _beside("structure tensors of the faces, by skimage", lambda: [_tensor(f.rgb) for f in faces])
    watch.time(
        "read the wood of the faces", lambda: read_features(boards), ("skimage structure_tensor", tensor_s)
    )
    for n in (1, 4, 8):
        pile = [FACES[k % len(FACES)] for k in range(n)]
        decodes_s = sum(_decode_s(p) for p in pile)
        watch.time(
            f"pile of {n} photos, {PROCESSES} processes",
            partial(_measure_copies, pile),
            ("their Pillow decodes", decodes_s),
        )


def time_boards(watch: Stopwatch) -> None:
    """Boards -> layouts for 8, 16 and 16 of 24 boards, beside CP-SAT on the pair costs."""
    measured = photos_to_boards(PHOTOS, thickness_mm=THICKNESS_MM, cache=usual_cache())
    for n, picked in ((8, 8), (16, 16), (24, 16)):
        boards, features = _copies(measured, n)
        print(f"{picked} of {n} boards")
        price = partial(pose_problem, boards, features=features)
        problem = replace(watch.time("price every pair of edges", price), n_pick=picked)
        status, _, _, cpsat_s = solve_circuit(problem, CPSAT_S)
        print(f"  CP-SAT on the pair costs: {status} after {cpsat_s:.1f} s")
        yardstick = ("CP-SAT on the pair costs", cpsat_s)
        found = watch.time("search the one best", partial(search_one, open_table(problem)), yardstick)
        print(f"    proven: {found.complete}")
        watch.time("search three proposals", partial(search_layouts, problem, n_best=3, seed=0), yardstick)


def time_job(watch: Stopwatch) -> None:
    """The demo job as the command line does it, photos to papers, afresh and again from the cache."""
    decodes = ("the Pillow decodes", sum(_decode_s(p) for p in PHOTOS))
    with tempfile.TemporaryDirectory() as folder:
        cache = ReadingCache(Path(folder) / "cache")
        for name in ("afresh", "again, from the cache"):
            print(f"the demo job, {name}")
            out = Path(folder) / name
            watch.time("all of it", partial(_whole_job, out, cache, watch), decodes)


def time_pile(watch: Stopwatch, photos_n: int) -> None:
    """A yard's pile: memory and seconds after ever more photos, then once more from the cache."""
    with tempfile.TemporaryDirectory() as folder:
        photos = list(_small_photos(Path(folder) / "photos", photos_n))
        cache = ReadingCache(Path(folder) / "cache")
        for n in (*(k for k in (10, 50) if k < photos_n), photos_n):
            out = Path(folder) / f"out_{n}"
            watch.time(f"the first {n} of {photos_n}", partial(_measure_to, photos[:n], out, cache))
            shutil.rmtree(out)
        watch.time("all of them again", lambda: _measure_to(photos, Path(folder) / "again", cache))


# --- jobs ------------------------------------------------------------------------------------


def _whole_job(folder: Path, cache: ReadingCache, watch: Stopwatch) -> None:
    def measure() -> None:
        measured = photos_to_boards(
            PHOTOS, thickness_mm=THICKNESS_MM, species="black cherry", cache=cache, processes=PROCESSES
        )
        save_measured(measured, folder / "boards")

    watch.time("- measure", measure)
    saved = watch.time(
        "- arrange",
        lambda: folder_to_layouts(folder / "boards", folder / "layouts", top_mm=(1700.0, 850.0), cache=cache),
    )
    watch.time("- papers", lambda: file_to_papers(saved[0].path, folder / "papers"))


def _measure_copies(pile: Sequence[Path]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        copies = [Path(shutil.copy(p, Path(folder) / f"{k}_show.jpg")) for k, p in enumerate(pile)]
        photos_to_boards(copies, thickness_mm=THICKNESS_MM, processes=PROCESSES)


def _measure_to(photos: Sequence[Path], out: Path, cache: ReadingCache) -> None:
    measured = photos_to_boards(photos, thickness_mm=THICKNESS_MM, cache=cache, processes=PROCESSES)
    save_measured(measured, out)
    print(f"    {len(measured.boards)} boards, {len(measured.failures)} failures")


def _small_photos(folder: Path, photos_n: int) -> Iterator[Path]:
    """The demo photos at a third of their size, each a file of its own content."""
    folder.mkdir()
    small: list[tuple[Image.Image, Image.Exif]] = []
    for path in FACES:
        with Image.open(path) as image:
            exif = image.getexif()
            small.append((image.resize((image.width // 3, image.height // 3), Image.Resampling.BOX), exif))
    for k in range(photos_n):
        picture, exif = small[k % len(small)]
        path = folder / f"pile{k:04}_show.jpg"
        picture.save(path, quality=90, exif=exif, comment=f"{k}")
        yield path


def _copies(measured: Any, n: int) -> tuple[list[Board], dict[tuple[str, Side], Features]]:
    """n boards: the measured ones, then the same again under other names."""
    boards, features = [], {}
    for k in range(n):
        board = measured.boards[k % len(measured.boards)]
        name = str(k + 1)
        boards.append(replace(board, id=name))
        for face in board.faces:
            features[name, face.side] = measured.features[board.id, face.side]
    return boards, features


# --- yardsticks ------------------------------------------------------------------------------


def _beside(name: str, call: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    call()
    seconds = time.perf_counter() - start_s
    print(f"  ({name}: {seconds:.3f} s)")
    return seconds


def _decode_s(path: Path) -> float:
    def decode() -> None:
        with Image.open(path) as image:
            image.load()

    return min(_seconds(decode) for _ in range(3))


def _seconds(call: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    call()
    return time.perf_counter() - start_s


def _warp(picture: Any, shape: tuple[int, ...]) -> Any:
    return cv2.warpPerspective(picture, np.eye(3), (shape[1], shape[0]), flags=cv2.INTER_CUBIC)


def _tensor(rgb: Any) -> Any:
    tensor: Any = structure_tensor
    return tensor(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32), sigma=2.0)


def _megapixels(path: Path) -> float:
    with Image.open(path) as image:
        return image.width * image.height / 1e6


if __name__ == "__main__":
    main(sys.argv[1:])
