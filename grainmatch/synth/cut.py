"""Pictures of one face or one end of a solid board, with what is true about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import linear_to_lab, linear_to_srgb
from grainmatch.model import Mask, Rgb, Side
from grainmatch.synth.solid import SolidBoard, edges_mm, pith_mm, ring_radius_mm
from grainmatch.synth.tone import shade


@dataclass(frozen=True, eq=False)
class SynthFace:
    """A drawn face and its truth.

    rgb (h, w, 3). angle_rad (h, w): true direction of the ring lines in (-pi/2, pi/2]. knot_mask,
    sapwood_mask, inside (h, w). arches_point: the way the arches' tips point, 0 when the face has no
    clear cathedral. bark_side_up: this face is the one farther from the pith.
    """

    rgb: Rgb
    angle_rad: NDArray[np.float64]
    knot_mask: Mask
    sapwood_mask: Mask
    inside: Mask
    arches_point: Literal[-1, 0, 1]
    bark_side_up: bool
    px_per_mm: float
    radius_mm: NDArray[np.float64]


def draw_face(
    board: SolidBoard, *, side: Side = "A", px_per_mm: float = 2.0, noise: float = 0.0, blur_px: float = 0.0
) -> SynthFace:
    """Draw one face as a rectified picture, x along the board.

    Face B is drawn as seen after a flip about the long axis. noise is the standard deviation in 8-bit
    levels, the same seed giving the same noise; blur_px a Gaussian sigma. Pixels off the wood (taper,
    crook) are mid grey.
    """
    w, h = (max(4, round(v * px_per_mm)) for v in (board.length_mm, board.width_mm))
    x = (np.arange(w) + 0.5)[None, :] / px_per_mm
    y = (np.arange(h) + 0.5)[:, None] / px_per_mm
    board_y = y if side == "A" else board.width_mm - y
    depth = 0.0 if side == "A" else board.thickness_mm
    linear, radius, knots = shade(board, x, board_y, np.asarray(depth), end_cut=False, px_mm=1 / px_per_mm)
    down, right = np.gradient(radius)
    angle = np.arctan2(right, -down)  # level lines run across the gradient
    angle = np.where(angle > np.pi / 2, angle - np.pi, np.where(angle <= -np.pi / 2, angle + np.pi, angle))
    upper, lower = edges_mm(board, x, side=side)
    inside = np.broadcast_to((y >= upper) & (y <= lower), radius.shape)
    linear = np.where(inside[..., None], linear, np.float32(0.2))
    sapwood = np.zeros(radius.shape, dtype=bool)
    if board.sapwood_radius_mm is not None:
        sapwood = radius > board.sapwood_radius_mm
    return SynthFace(
        rgb=finish(linear, noise=noise, blur_px=blur_px, seed=board.seed),
        angle_rad=np.asarray(angle, dtype=np.float64),
        knot_mask=knots & inside,
        sapwood_mask=sapwood & inside,
        inside=inside,
        arches_point=arches_point(board, side),
        bark_side_up=board.bark_side == side,
        px_per_mm=px_per_mm,
        radius_mm=np.asarray(radius, dtype=np.float64),
    )


def draw_end(board: SolidBoard, *, px_per_mm: float = 8.0, noise: float = 0.0, blur_px: float = 0.0) -> Rgb:
    """Draw the left end as seen from outside with the show face up, (h, w, 3).

    Seen from the left end, face A on top, the board's lower edge (y = width) is on the right.
    """
    w, h = (max(4, round(v * px_per_mm)) for v in (board.width_mm, board.thickness_mm))
    y = (np.arange(w) + 0.5)[None, :] / px_per_mm
    depth = (np.arange(h) + 0.5)[:, None] / px_per_mm
    linear, _, _ = shade(board, np.zeros((1, 1)), y, depth, end_cut=True, px_mm=1 / px_per_mm)
    return finish(linear, noise=noise, blur_px=blur_px, seed=board.seed)


def finish(linear: NDArray[np.float32], *, noise: float, blur_px: float, seed: int) -> Rgb:
    """Linear light to an 8-bit picture: blur, encode, add noise (sigma in 8-bit levels)."""
    if blur_px > 0:
        linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), blur_px), dtype=np.float32)
    rgb = encode(linear)
    if noise > 0:
        cv2.setRNGSeed(seed + 7)  # OpenCV's generator is several times faster than NumPy's on large pictures
        grain = np.empty(rgb.shape, dtype=np.int16)
        cv2.randn(grain, np.zeros(3), np.full(3, 16.0 * noise))
        rgb = np.asarray(cv2.addWeighted(rgb.astype(np.int16), 1.0, grain, 1 / 16, 0.0))
        rgb = np.clip(rgb, 0, 255).astype(np.uint8)
    return rgb


_ENCODE = linear_to_srgb(np.linspace(0.0, 1.0, 4096))


def encode(linear: NDArray[np.float32]) -> Rgb:
    """Linear light to 8-bit sRGB by a table of 4096 steps, within one level of the exact value."""
    place = np.clip(linear * np.float32(4095) + np.float32(0.5), 0, 4095).astype(np.uint16)
    return np.asarray(_ENCODE[place], dtype=np.uint8)


def arches_point(board: SolidBoard, side: Side) -> Literal[-1, 0, 1]:
    """Which way the tips of the cathedral point on a face, from the solid; 0 without a clear cathedral.

    Along the line nearest the pith the layers' radius rises towards the tips. Clear means: that line lies on
    the face over at least half its length, at least two rings cross it, and it rises more than half of all
    its ups and downs together.
    """
    x = np.linspace(0, board.length_mm, 400)
    depth = 0.0 if side == "A" else board.thickness_mm
    pith_y, _ = pith_mm(board, x)
    upper, lower = edges_mm(board, x)
    if np.mean((pith_y > upper) & (pith_y < lower)) < 0.5:
        return 0
    steps = np.diff(ring_radius_mm(board, x, pith_y, np.full(x.shape, depth)))
    net, total = float(steps.sum()), float(np.abs(steps).sum())
    if abs(net) < 2 * board.ring_mm or abs(net) < 0.5 * total:
        return 0
    return 1 if net > 0 else -1


def true_mean_lab(board: SolidBoard, *, side: Side = "A") -> NDArray[np.float64]:
    """Mean CIELAB (3,) of a face's clear wood in neutral light."""
    x = np.arange(0.5, board.length_mm)[None, :]
    y = np.arange(0.5, board.width_mm)[:, None]
    board_y = y if side == "A" else board.width_mm - y
    depth = np.asarray(0.0 if side == "A" else board.thickness_mm)
    linear, _, knots = shade(board, x, board_y, depth, end_cut=False, px_mm=1.0)
    upper, lower = edges_mm(board, x, side=side)
    keep = (y >= upper) & (y <= lower) & ~knots
    return np.asarray(linear_to_lab(linear[keep]).mean(axis=0), dtype=np.float64)


def rip(face_rgb: Rgb, n: int, kerf_px: float, seed: int) -> list[Rgb]:
    """Rip a face image into n strips of about equal width, losing `kerf_px` between neighbours.

    Widths vary by up to 15 % from `seed`. Strips are in order, top to bottom.
    """
    rng = np.random.default_rng([seed, 8])
    shares = rng.uniform(0.85, 1.15, n)
    usable = face_rgb.shape[0] - kerf_px * (n - 1)
    ends = np.cumsum(shares / shares.sum() * usable) + kerf_px * np.arange(n)
    starts = np.concatenate([[0.0], ends[:-1] + kerf_px])
    return [face_rgb[round(a) : round(b)].copy() for a, b in zip(starts, ends, strict=True)]
