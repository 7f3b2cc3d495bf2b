"""The photos with truth as other cameras and messengers would deliver them: how well they are still read.

python -m tests.benchmarks.bench_delivered [--only WAY]

Each photo is darkened, brightened, coloured, blurred, sharpened, made noisy, turned, shrunk or compressed,
saved as a JPEG and read again. What changes colours changes what is read of them too. Photos with truth are
looked for in the shared folder; without them the run says so.
"""

from __future__ import annotations

import argparse
import io
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import ArrayLike
from PIL import Image

from grainmatch.model import Photo, Rgb
from grainmatch.photo.read import read_photo
from tests.benchmarks.bench_accuracy import Case, Tally, report, score_case, shared_cases
from tests.benchmarks.shared import shared_folder

Change = Callable[[Rgb], Rgb]


@dataclass(frozen=True)
class Way:
    """How photos are delivered: their pixels changed, their size, quarter turns clockwise, JPEG's quality."""

    change: Change = lambda rgb: rgb
    size: float = 1.0
    quarters: int = 0
    quality: int = 90


def _light(rgb: Rgb, share: ArrayLike, contrast: float = 1.0) -> Rgb:
    """A share of the linear light (broadcast over pixels and colours), its logarithm stretched."""
    linear = (rgb / 255.0) ** 2.2 * np.asarray(share)
    return np.asarray(np.rint(np.clip(linear, 0, 1) ** (contrast / 2.2) * 255), dtype=np.uint8)


def _from_the_side(rgb: Rgb) -> Rgb:
    return _light(rgb, np.linspace(0.35, 1.2, rgb.shape[1])[:, None])


def _dark_corners(rgb: Rgb) -> Rgb:
    h, w = rgb.shape[:2]
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    return _light(rgb, (1 - 0.27 * (x * x + y * y))[..., None])


def _colour(rgb: Rgb, times: float) -> Rgb:
    grey = rgb.mean(axis=2, keepdims=True)
    return np.asarray(np.rint(np.clip(grey + (rgb - grey) * times, 0, 255)), dtype=np.uint8)


def _blur(rgb: Rgb, sigma_px: float) -> Rgb:
    return np.asarray(cv2.GaussianBlur(rgb, (0, 0), sigma_px), dtype=np.uint8)


def _sharpen(rgb: Rgb) -> Rgb:
    return np.asarray(cv2.addWeighted(rgb, 2.0, _blur(rgb, 1.2), -1.0, 0), dtype=np.uint8)


def _make_noisy(rgb: Rgb, counts: float) -> Rgb:
    noise = np.random.default_rng(5).normal(0, counts, rgb.shape)
    return np.asarray(np.rint(np.clip(rgb + noise, 0, 255)), dtype=np.uint8)


def _smooth_noise(rgb: Rgb) -> Rgb:
    return np.asarray(cv2.bilateralFilter(_make_noisy(rgb, 6), 7, 30, 3), dtype=np.uint8)


WAYS = {
    "as they are": Way(),
    "dark": Way(partial(_light, share=0.35)),
    "bright": Way(partial(_light, share=1.35)),
    "warm": Way(partial(_light, share=(1.1, 0.85, 0.55))),
    "cool": Way(partial(_light, share=(0.75, 0.9, 1.15))),
    "lit from one side": Way(_from_the_side),
    "dark corners": Way(_dark_corners),
    "less contrast": Way(partial(_light, share=1.0, contrast=0.85)),
    "more contrast": Way(partial(_light, share=1.1, contrast=1.35)),
    "pale colours": Way(partial(_colour, times=0.6)),
    "strong colours": Way(partial(_colour, times=1.5)),
    "out of focus": Way(partial(_blur, sigma_px=1.6), quality=85),
    "sharpened": Way(_sharpen),
    "noisy": Way(partial(_make_noisy, counts=8), quality=85),
    "noise smoothed": Way(_smooth_noise, quality=85),
    "turned": Way(quarters=3),
    "0.6 of the size": Way(size=0.6),
    "0.4 of the size": Way(size=0.4),
    "by a messenger": Way(size=0.5, quality=70),
    "quality 75": Way(quality=75),
    "quality 60": Way(quality=60),
    "quality 40": Way(quality=40),
}


def deliver(case: Case, way: Way) -> Case:
    """The same boards in a photo delivered that way."""
    rgb = way.change(case.photo.rgb)
    if way.size < 1:
        rgb = np.asarray(cv2.resize(rgb, None, fx=way.size, fy=way.size, interpolation=cv2.INTER_AREA))
    outlines = [b.outline_px * way.size for b in case.boards]
    for _ in range(way.quarters):
        height = rgb.shape[0]
        rgb = np.rot90(rgb, -1)
        outlines = [np.column_stack([height - o[:, 1], o[:, 0]]) for o in outlines]
    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(rgb)).save(file, "JPEG", quality=way.quality)
    photo: Photo = read_photo(file.getvalue(), name=case.photo.name)
    focal_px = None if case.photo.focal_px is None else case.photo.focal_px * way.size
    boards = tuple(replace(b, outline_px=o) for b, o in zip(case.boards, outlines, strict=True))
    return replace(case, photo=replace(photo, focal_px=focal_px), boards=boards)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", choices=list(WAYS))
    args = parser.parse_args()
    cases = list(shared_cases())
    if not cases:
        print(f"skipped: no scenes in {shared_folder()}")
        return
    for name in [args.only] if args.only else WAYS:
        tally = Tally()
        for case in cases:
            score_case(deliver(case, WAYS[name]), tally, each=False)
        report(tally, name)


if __name__ == "__main__":
    main()
