"""Small pictures of every kind the reader takes, and files built to hurt it."""

from __future__ import annotations

import io
import struct
import zlib
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

HEIC = Path(__file__).parents[1] / "photo" / "quarters_turned.heic"
SIZE_PX = (96, 72)


def wood_like(width: int = SIZE_PX[0], height: int = SIZE_PX[1]) -> NDArray[np.uint8]:
    """Slanting streaks with noise: busy enough that every part of a decoder is used."""
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    streaks = 130 + 40 * np.sin(0.2 * y + 0.03 * x)
    noise = np.random.default_rng(5).normal(0, 8, (height, width, 3))
    return np.clip(streaks[..., None] * (1.0, 0.75, 0.5) + noise, 0, 255).astype(np.uint8)


def encode(image: Image.Image, kind: str, **options: object) -> bytes:
    """The image as a file of that kind."""
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


@cache
def good_pictures() -> dict[str, bytes]:
    """One small, whole file for every kind, mode and habit that the reader takes."""
    rgb = Image.fromarray(wood_like())
    deep = Image.fromarray(wood_like()[..., 0].astype(np.uint16) * 257)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0xA405] = 26
    second = rgb.transpose(Image.Transpose.ROTATE_180)
    return {
        "jpeg": encode(rgb, "JPEG", quality=90, exif=exif, icc_profile=profile),
        "jpeg in steps": encode(rgb, "JPEG", progressive=True, subsampling=0),
        "jpeg with restarts": encode(rgb, "JPEG", restart_marker_rows=1),
        "jpeg grey": encode(rgb.convert("L"), "JPEG"),
        "jpeg cmyk": encode(rgb.convert("CMYK"), "JPEG"),
        "png": encode(rgb, "PNG", exif=exif, icc_profile=profile),
        "png alpha": encode(rgb.convert("RGBA"), "PNG"),
        "png palette": encode(rgb.quantize(16), "PNG", transparency=3),
        "png one bit": encode(rgb.convert("1"), "PNG"),
        "png deep": encode(deep, "PNG"),
        "png animated": encode(rgb, "PNG", save_all=True, append_images=[second]),
        "tiff": encode(rgb, "TIFF"),
        "tiff packed": encode(rgb, "TIFF", compression="tiff_lzw"),
        "tiff deep": encode(deep, "TIFF", compression="tiff_deflate"),
        "tiff lab": encode(rgb.convert("LAB"), "TIFF"),
        "tiff pages": encode(rgb, "TIFF", save_all=True, append_images=[second]),
        "webp": encode(rgb, "WEBP"),
        "webp lossless": encode(rgb.convert("RGBA"), "WEBP", lossless=True),
        "webp animated": encode(rgb, "WEBP", save_all=True, append_images=[second]),
        "heic": HEIC.read_bytes(),
    }


@cache
def hostile_pictures() -> dict[str, bytes]:
    """Files made to hurt: bombs, giant and empty sizes, huge and broken extras, wrong kinds."""
    rgb = Image.fromarray(wood_like())
    jpeg = encode(rgb, "JPEG")
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    text_bomb = (b"zTXt", b"a\0\0" + zlib.compress(bytes(50_000_000), 9))
    return {
        "png bomb": _bare_png(60_000, 60_000),
        "png of no width": _bare_png(0, 100),
        "png one pixel high": _bare_png(20_000, 1),
        "jpeg that claims 65 500 squared": _claim_jpeg_size(jpeg, 65_500, 65_500),
        "jpeg of no height": _claim_jpeg_size(jpeg, 96, 0),
        "tiff that claims 2 gigapixels": _claim_tiff_size(encode(rgb, "TIFF"), 45_000, 45_000),
        "jpeg with ten megabytes of exif": _add_segments(jpeg, 0xE1, b"Exif\0\0" + b"II*\0" * 16_000, 160),
        "jpeg with exif in a circle": _add_segments(jpeg, 0xE1, b"Exif\0\0" + _circular_exif(), 1),
        "jpeg with comments without end": _add_segments(jpeg, 0xFE, b"x" * 65_000, 200),
        "broken colour profile": encode(rgb, "JPEG", icc_profile=b"\0" * 40 + b"acsp" + b"\xff" * 400),
        "endless colour profile": encode(rgb, "PNG", icc_profile=b"\0\x10\0\0" + bytes(2_000_000)),
        "profile for another kind": encode(rgb.convert("CMYK"), "JPEG", icc_profile=srgb),
        "png with a text bomb": _bare_png(64, 64, extra=text_bomb),
        "avif": encode(rgb, "AVIF"),
        "gif": encode(rgb, "GIF", save_all=True, append_images=[rgb]),
        "bmp": encode(rgb, "BMP"),
        "pdf": encode(rgb, "PDF"),
        "eps": encode(rgb, "EPS"),
        "html": b"<html><script>alert(1)</script></html>",
        "svg": b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>',
        "zip": b"PK\x03\x04" + bytes(200),
        "elf": b"\x7fELF" + bytes(200),
        "empty": b"",
        "one byte": b"\xff",
        "zeros": bytes(100_000),
    }  # fmt: skip


@cache
def largest_picture() -> bytes:
    """A quarter of a megabyte that rightly claims nearly as many pixels as the reader takes."""
    side = 8900
    return _bare_png(side, side, rows=zlib.compress(bytes(side * (3 * side + 1)), 9))


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _bare_png(
    width: int,
    height: int,
    *,
    rows: bytes = b"\x78\x9c\x03\x00\x00\x00\x00\x01",
    extra: tuple[bytes, bytes] | None = None,
) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    middle = _chunk(*extra) if extra else b""
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + middle + _chunk(b"IDAT", rows) + _chunk(b"IEND", b"")
    )


def _claim_jpeg_size(jpeg: bytes, width: int, height: int) -> bytes:
    at = jpeg.index(b"\xff\xc0") + 5
    return jpeg[:at] + struct.pack(">HH", height, width) + jpeg[at + 4 :]


def _claim_tiff_size(tiff: bytes, width: int, height: int) -> bytes:
    (at,) = struct.unpack_from("<I", tiff, 4)
    hurt = bytearray(tiff)
    for k in range(struct.unpack_from("<H", tiff, at)[0]):
        entry = at + 2 + 12 * k
        tag = struct.unpack_from("<H", tiff, entry)[0]
        if tag in (256, 257):
            struct.pack_into("<HII", hurt, entry + 2, 4, 1, width if tag == 256 else height)
    return bytes(hurt)


def _add_segments(jpeg: bytes, marker: int, body: bytes, count_n: int) -> bytes:
    segment = bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body
    return jpeg[:2] + segment * count_n + jpeg[2:]


def _circular_exif() -> bytes:
    """A tag directory whose Exif and interoperability pointers lead back to itself."""
    tags = b"".join(struct.pack("<HHII", tag, 4, 1, 8) for tag in (0x8769, 0xA005, 0x8825))
    return b"II*\0\x08\0\0\0" + struct.pack("<H", 3) + tags + struct.pack("<I", 8)
