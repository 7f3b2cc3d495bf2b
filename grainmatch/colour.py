"""sRGB, linear light and CIELAB (D65, 2 degree observer), and the CIEDE2000 difference.

Arrays have colour on the last axis. sRGB: IEC 61966-2-1. CIELAB: CIE 15, white point D65 as in
that standard. CIEDE2000: ISO/CIE 11664-6, in the form of Sharma, Wu & Dalal (2005).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

RGB_TO_XYZ = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
)  # as scikit-image uses, so that both agree to rounding
WHITE_XYZ = np.array([0.95047, 1.0, 1.08883])
_EPSILON = 216 / 24389
_KAPPA = 24389 / 27

_srgb8 = np.arange(256) / 255.0
SRGB8_TO_LINEAR: NDArray[np.float32] = np.where(
    _srgb8 <= 0.04045, _srgb8 / 12.92, ((_srgb8 + 0.055) / 1.055) ** 2.4
).astype(np.float32)


def srgb_to_linear(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """8-bit sRGB (..., 3) to linear light 0..1, float32, by table."""
    # OpenCV looks a table up four times as fast as numpy indexes it, and rows on all cores.
    rows = np.ascontiguousarray(rgb).reshape(max(1, len(rgb)), -1)
    linear: Any = cv2.LUT(rows, SRGB8_TO_LINEAR)
    return np.asarray(linear, dtype=np.float32).reshape(rgb.shape)


def linear_to_srgb(linear: Floats) -> NDArray[np.uint8]:
    """Linear light (..., 3) to 8-bit sRGB, clipped to 0..255 and rounded."""
    clipped = np.clip(linear, 0.0, 1.0)
    encoded = np.where(clipped <= 0.0031308, clipped * 12.92, 1.055 * np.power(clipped, 1 / 2.4) - 0.055)
    return np.rint(encoded * 255.0).astype(np.uint8)


def linear_to_lab(linear: Floats) -> Floats:
    """Linear light (..., 3) to CIELAB (..., 3) in the same float type."""
    matrix = (RGB_TO_XYZ / WHITE_XYZ[:, None]).astype(linear.dtype)
    ratio = linear @ matrix.T
    cube = np.where(ratio > _EPSILON, np.cbrt(np.maximum(ratio, 0)), (_KAPPA / 116) * ratio + 16 / 116)
    x, y, z = cube[..., 0], cube[..., 1], cube[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def srgb_to_lab(rgb: NDArray[np.uint8]) -> Floats:
    """8-bit sRGB (..., 3) to CIELAB, float32."""
    return linear_to_lab(srgb_to_linear(rgb))


def lab_to_linear(lab: Floats) -> Floats:
    """CIELAB (..., 3) to linear light (..., 3); out-of-gamut values are kept, not clipped."""
    y = (lab[..., 0] + 16) / 116
    cube = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    ratio = np.where(cube**3 > _EPSILON, cube**3, (cube * 116 - 16) / _KAPPA)
    inverse = np.linalg.inv(RGB_TO_XYZ / WHITE_XYZ[:, None]).astype(lab.dtype)
    return np.asarray(ratio @ inverse.T)


def delta_e_2000(lab_1: Floats, lab_2: Floats) -> NDArray[np.float64]:
    """CIEDE2000 colour difference (kL = kC = kH = 1) between arrays of CIELAB (..., 3)."""
    l1, a1, b1 = np.moveaxis(np.asarray(lab_1, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab_2, dtype=np.float64), -1, 0)
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1 + 0.5 * (1 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    c1, c2 = np.hypot(a1 * stretch, b1), np.hypot(a2 * stretch, b2)
    h1 = np.degrees(np.arctan2(b1, a1 * stretch)) % 360
    h2 = np.degrees(np.arctan2(b2, a2 * stretch)) % 360
    grey = c1 * c2 == 0
    dh = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    # At exactly 180 degrees apart Sharma's definition keeps the sign of h2 - h1.
    dh = np.where(~grey & (np.abs(h2 - h1) == 180), h2 - h1, dh)
    mean_h = np.where(
        np.abs(h1 - h2) > 180, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2, (h1 + h2) / 2
    )
    mean_h = np.where(grey, h1 + h2, mean_h)
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh / 2))
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    r_c = 2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    r_t = -r_c * np.sin(np.radians(60 * np.exp(-(((mean_h - 275) / 25) ** 2))))
    return np.asarray(
        np.sqrt((d_l / s_l) ** 2 + (d_c / s_c) ** 2 + (d_h / s_h) ** 2 + r_t * (d_c / s_c) * (d_h / s_h))
    )
