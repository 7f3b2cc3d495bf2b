"""Drawn photos as files, the way a phone saves them."""

from __future__ import annotations

import io

from PIL import ExifTags, Image

from grainmatch.model import Photo


def as_jpeg(photo: Photo, *, quality: int = 92) -> bytes:
    """A JPEG whose EXIF tells the focal length as that on 36 mm wide film, in whole millimetres."""
    assert photo.focal_px is not None
    exif = Image.Exif()
    film_mm = round(photo.focal_px * 36 / photo.rgb.shape[1])
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = film_mm
    buffer = io.BytesIO()
    Image.fromarray(photo.rgb).save(buffer, "JPEG", quality=quality, exif=exif)
    return buffer.getvalue()
