"""Faces to saw into strips, and the saw: real photos where they are at hand, and drawn wood."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.synth import draw_face, grow_board
from tests.benchmarks.shared import shared_photos

Rgb = NDArray[np.uint8]
STRIPS_N = 6
EXPOSURE_FRAC, BLUR_PX, NOISE = 0.05, 0.8, 2.5
_DRAWN = (("cherry", 60), ("maple", -30), ("walnut", 110), ("ash", 200), ("cherry", -80), ("maple", 50))


def load_faces(*, for_fitting: bool = False) -> list[tuple[str, str, Rgb]]:
    """(group, name, face) with the grain along x. Fitting adds smaller cuts and other scales of each."""
    photos = shared_photos()
    faces: list[tuple[str, str, Rgb]] = [
        ("drawn", f"{s} {k}", _draw(k, s, d)) for k, (s, d) in enumerate(_DRAWN)
    ]
    if photos is None:
        return faces
    for path in sorted((photos / "boards").glob("*.jpg")):
        board = _wood_only(_read(path))
        faces.append(("board", path.stem, _middle(board, 1500)))
        if for_fitting:
            faces.append(("narrow", path.stem, board[:, board.shape[1] // 3 :][:, :800]))
    for path in sorted((photos / "faces").glob("*.jpg")):
        face = _grain_along(_read(path))
        if face.shape[1] > 2000:
            face = _resize(face, 0.4)
        faces.append(("hard", path.stem, face))
        if for_fitting:
            faces.append(("hard", path.stem + " small", _resize(face, 0.6)))
            faces.append(
                (
                    "hard",
                    path.stem + " part",
                    face[: max(700, face.shape[0] * 2 // 3), : face.shape[1] * 6 // 10],
                )
            )
    if for_fitting:
        for path in sorted((photos / "knot_masks").glob("*.jpg")):
            faces.append(("knots", path.stem, np.ascontiguousarray(np.rot90(_read(path)))[900:1900]))
    return faces


def cut_strips(face: Rgb, *, kerf_frac: float, seed: int) -> tuple[list[Rgb], list[tuple[int, bool]]]:
    """STRIPS_N strips, shuffled, turned and degraded, and each one's (place, turned)."""
    kerf = round(kerf_frac * face.shape[0])
    height = (face.shape[0] - (STRIPS_N - 1) * kerf) // STRIPS_N
    rng = np.random.default_rng(seed)
    order, turned = rng.permutation(STRIPS_N), rng.random(STRIPS_N) < 0.5
    strips = []
    for slot, turn in zip(order, turned, strict=True):
        strip = face[slot * (height + kerf) :][:height]
        strips.append(degrade(strip[::-1, ::-1] if turn else strip, rng))
    return strips, [(int(s), bool(t)) for s, t in zip(order, turned, strict=True)]


def degrade(strip: Rgb, rng: np.random.Generator) -> Rgb:
    """A strip as another photo of it would show it."""
    exposed = strip.astype(np.float32) * np.float32(1 + rng.uniform(-EXPOSURE_FRAC, EXPOSURE_FRAC))
    seen = cv2.GaussianBlur(exposed, (0, 0), BLUR_PX) + rng.normal(0, NOISE, strip.shape)
    return np.asarray(np.clip(np.rint(seen), 0, 255), dtype=np.uint8)


def _draw(seed: int, species: str, pith_depth_mm: float) -> Rgb:
    board = grow_board(
        seed=50 + seed,
        length_mm=450,
        width_mm=300 if seed % 2 else 220,
        species=species,
        pith_depth_mm=pith_depth_mm,
    )
    return draw_face(board, px_per_mm=3.0, blur_px=0.5).rgb


def _read(path: Path) -> Rgb:
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR_RGB)
    assert picture is not None
    return np.asarray(picture, dtype=np.uint8)


def _resize(face: Rgb, scale: float) -> Rgb:
    return np.asarray(
        cv2.resize(face, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def _middle(face: Rgb, width: int) -> Rgb:
    left = max(0, (face.shape[1] - width) // 2)
    return face[:, left : left + width]


def _wood_only(face: Rgb) -> Rgb:
    """Without the dark belt that the scanner saw above and below the board."""
    bright = np.flatnonzero(np.percentile(face.max(axis=2), 10, axis=1) > 50)
    return face[bright[0] + 12 : bright[-1] - 6]


def _grain_along(face: Rgb) -> Rgb:
    grey = face.mean(axis=2)
    down, right = np.gradient(grey)
    return face if (down**2).sum() > (right**2).sum() else np.ascontiguousarray(np.rot90(face))
