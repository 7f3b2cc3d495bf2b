"""Photo file -> Photo: decoded once by Pillow, upright, in sRGB, with the focal length when it is known.

Every check that can be made on the header is made before any pixel is decoded.
"""

from __future__ import annotations

import hashlib
import io
import os
import struct
import warnings
import zlib
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, ImageOps

from grainmatch.errors import PhotoError
from grainmatch.model import Photo, Rgb
from grainmatch.photo.damage import find_torn_row
from grainmatch.photo.heif import read_heif

MOST_PIXELS = 80_000_000
MOST_BYTES = 400_000_000
LEAST_SIDE_PX = 32
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
_UNREADABLE = (OSError, SyntaxError, ValueError, EOFError, TypeError, KeyError, struct.error, zlib.error)
_FILM_WIDTH_MM = 36.0
_STRIP_ROWS = 16


def read_photo(source: str | Path | bytes, *, name: str | None = None) -> Photo:
    """Read a JPEG, PNG, HEIC/HEIF, TIFF or WebP photo into upright 8-bit sRGB.

    `source` is a path, or the bytes of a file with its `name`. Grey, CMYK, palette, 16-bit and
    transparent pictures are converted; an embedded colour profile is applied (sRGB is assumed, with
    a warning, when it is broken). The focal length comes from EXIF, see `focal_px_from_exif`.

    Raises PhotoError for anything that is not a whole picture of at most 80 megapixels.
    """
    data, shown = _file_bytes(source, name)
    notes: list[str] = []
    with warnings.catch_warnings():
        # Pillow warns about odd EXIF and about sizes that `_check_header` refuses anyway.
        warnings.simplefilter("ignore")
        image = _open(data, shown)
        _check_header(image, shown)
        focal_px = focal_px_from_exif(image)
        try:
            image.load()
            _note_damage(image, notes)
            colour_step = _colour_step(image)
            ImageOps.exif_transpose(image, in_place=True)
            upright = _to_srgb(image, notes)
        except MemoryError as error:
            raise PhotoError(
                f"{shown} needs more memory than there is.", "Save it at a smaller size and try again."
            ) from error
        except _UNREADABLE as error:
            raise PhotoError(
                f"{shown} is damaged or cut short.", "Copy it from the camera again, or take a new photo."
            ) from error
    return Photo(shown, upright, focal_px, hashlib.sha256(data).hexdigest(), tuple(notes), colour_step)


def focal_px_from_exif(image: Image.Image) -> float | None:
    """Focal length in pixels of the opened image, None when EXIF does not tell.

    Exact when the sensor's pixel pitch is given (EXIF 2.32 tags FocalPlaneXResolution 0xA20E and
    FocalPlaneResolutionUnit 0xA210, valid for an uncropped picture); otherwise from
    FocalLengthIn35mmFilm (0xA405) on a 36 mm wide frame, which whole millimetres and the makers' habits
    (some go by the diagonal) leave uncertain by a few per cent.
    """
    try:
        tags = image.getexif().get_ifd(ExifTags.IFD.Exif)
        film_mm = float(tags.get(ExifTags.Base.FocalLengthIn35mmFilm) or 0)
        focal_mm = float(tags.get(ExifTags.Base.FocalLength) or 0)
        per_unit = float(tags.get(ExifTags.Base.FocalPlaneXResolution) or 0)
        unit_mm = {2: 25.4, 3: 10.0, 4: 1.0}.get(
            int(tags.get(ExifTags.Base.FocalPlaneResolutionUnit) or 2), 0
        )
        made_px = float(tags.get(ExifTags.Base.ExifImageWidth) or 0)
    except (*_UNREADABLE, ZeroDivisionError, AttributeError):
        return None
    long_px = float(max(image.size))
    if unit_mm and per_unit > 0 and focal_mm > 0 and made_px in image.size:
        exact_px = focal_mm * per_unit / unit_mm
        if 0.4 * long_px < exact_px < 20 * long_px:
            return exact_px
    if 8 <= film_mm <= 800:
        return film_mm / _FILM_WIDTH_MM * long_px
    return None


def _file_bytes(source: str | Path | bytes, name: str | None) -> tuple[bytes, str]:
    """The file's bytes and the name to show; PhotoError when it cannot be opened."""
    if isinstance(source, bytes):
        data, shown = source, name or "the photo"
    else:
        path = Path(source)
        # A name in another encoding is shown, and written into files, as far as it can be read.
        shown = name or os.fsencode(path.name).decode("utf-8", "replace")
        try:
            if path.is_dir():
                raise PhotoError(f"{shown} is a folder, not a photo.", "Name the photo files in it.")
            if path.stat().st_size > MOST_BYTES:
                raise PhotoError(
                    f"{shown} is larger than {MOST_BYTES // 1_000_000} MB.",
                    "Save it as a JPEG and try again.",
                )
            data = path.read_bytes()
        except (OSError, ValueError) as error:  # ValueError: a NUL in the path
            raise PhotoError(
                f"{shown} cannot be opened.", "Check that the file is there and may be read."
            ) from error
    if not data:
        raise PhotoError(f"{shown} is empty.", "Copy it from the camera again.")
    return data, shown


def _open(data: bytes, shown: str) -> Image.Image:
    """Open by content, not by the file's name; no pixel is decoded yet, but for HEIC."""
    try:
        if data[4:8] == b"ftyp":
            return read_heif(data, most_pixels=MOST_PIXELS)
        return Image.open(io.BytesIO(data), formats=_FORMATS)
    except Image.DecompressionBombError as error:
        raise _too_large(shown) from error
    except _UNREADABLE as error:
        raise PhotoError(
            f"{shown} is not a photo that can be read.", "Use a JPEG, PNG, HEIC, TIFF or WebP file."
        ) from error


def _check_header(image: Image.Image, shown: str) -> None:
    width, height = image.size
    if width * height > MOST_PIXELS:
        raise _too_large(shown)
    if min(width, height) < LEAST_SIDE_PX:
        raise PhotoError(f"{shown} is only {width} x {height} pixels.", "Use the photo at its full size.")


def _too_large(shown: str) -> PhotoError:
    return PhotoError(
        f"{shown} has more than {MOST_PIXELS // 1_000_000} megapixels.",
        "Save it at a smaller size and try again.",
    )


def _note_damage(image: Image.Image, notes: list[str]) -> None:
    """Say when a JPEG decoded without complaint but looks torn."""
    if image.format not in ("JPEG", "MPO"):
        return
    slim = image.resize((min(image.width, 512), image.height), Image.Resampling.NEAREST)
    if find_torn_row(np.asarray(slim.convert("RGB"))) is not None:
        notes.append("The photo looks damaged: it is torn along a row, so its measures may be wrong.")


def _colour_step(image: Image.Image) -> float:
    """The step, of 255, in which a JPEG keeps the mean Cb and Cr of a block; 0 for other files.

    A block's first coefficient is eight times its mean, and a multiple of the first number of the table for
    colour (ITU-T T.81, A.3.3 and A.3.4). That is table 1 in the files of cameras (JFIF's usual order).
    """
    for_colour = getattr(image, "quantization", {}).get(1)
    return for_colour[0] / 8 if for_colour else 0.0


def _to_srgb(image: Image.Image, notes: list[str]) -> Rgb:
    """Any Pillow mode to (H, W, 3) uint8 sRGB; appends to `notes` what the user should know."""
    profile = image.info.get("icc_profile")
    if image.mode.startswith(("I", "F")):
        return _deep_grey_to_rgb(np.asarray(image))
    if image.mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in image.info:
        image = _on_white(image)
    elif image.mode not in ("RGB", "CMYK", "L", "LAB"):
        image = image.convert("RGB")
    image = _apply_profile(image, profile, notes)
    if image.mode == "CMYK":
        notes.append("The photo is CMYK without a colour profile; its colours are approximate.")
    return _pixels(image if image.mode == "RGB" else image.convert("RGB"))


def _pixels(image: Image.Image) -> Rgb:
    """The pixels (H, W, 3) of an RGB image, read strip by strip: Pillow copies what it hands over twice."""
    rgb = np.empty((image.height, image.width, 3), dtype=np.uint8)
    for top in range(0, image.height, _STRIP_ROWS):
        strip = image.crop((0, top, image.width, min(top + _STRIP_ROWS, image.height)))
        # As Pillow keeps them, with a fourth byte: it takes longer to leave that out than OpenCV does.
        kept = np.frombuffer(strip.tobytes("raw", "RGBX"), np.uint8).reshape(strip.height, strip.width, 4)
        cv2.cvtColor(kept, cv2.COLOR_RGBA2RGB, dst=rgb[top : top + _STRIP_ROWS])
    rgb.flags.writeable = False
    return rgb


def _on_white(image: Image.Image) -> Image.Image:
    rgba = image.convert("RGBA")
    flat = Image.new("RGB", image.size, "white")
    flat.paste(rgba, mask=rgba.getchannel("A"))
    return flat


def _deep_grey_to_rgb(grey: NDArray[Any]) -> Rgb:
    """16-bit grey, or wider types holding it, to 8-bit grey in three channels."""
    values = grey.astype(np.float32)
    if not np.isfinite(values).all():
        raise ValueError("not finite")
    top = float(values.max())
    full = 1.0 if grey.dtype.kind == "f" and top <= 1.0 else 255.0 if top <= 255 else 65535.0
    eight = np.rint(np.clip(values, 0, full) * np.float32(255 / full)).astype(np.uint8)
    return np.repeat(eight[..., None], 3, axis=2)


def _apply_profile(image: Image.Image, profile: bytes | None, notes: list[str]) -> Image.Image:
    """Convert through an embedded ICC profile; unchanged when there is none or it is sRGB."""
    if not profile:
        return image
    try:
        transform = _transform_to_srgb(profile, image.mode)
        return image if transform is None else transform.apply(image)
    except (ImageCms.PyCMSError, *_UNREADABLE):
        notes.append("The photo's colour profile is broken; its colours were read as sRGB.")
        return image


@lru_cache(maxsize=8)
def _transform_to_srgb(profile: bytes, mode: str) -> ImageCms.ImageCmsTransform | None:
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    described = ImageCms.getProfileDescription(source).lower()
    space = source.profile.xcolor_space.strip()
    if mode == "RGB" and space == "RGB" and "srgb" in described:
        return None
    if {"RGB": "RGB", "L": "GRAY", "CMYK": "CMYK", "LAB": "Lab"}.get(mode) != space:
        raise ValueError("the profile is for another kind of picture")
    srgb = ImageCms.createProfile("sRGB")
    return ImageCms.buildTransform(source, srgb, mode, "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
