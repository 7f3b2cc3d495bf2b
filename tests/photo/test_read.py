"""Any phone photo is read upright and in sRGB, or refused in one sentence."""

from __future__ import annotations

import contextlib
import io
import struct
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms

from grainmatch.errors import PhotoError
from grainmatch.photo.read import read_photo

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science says at import which of its extras are missing
    import colour

HEIC = Path(__file__).with_name("quarters_turned.heic")


def wood(width: int = 96, height: int = 64) -> NDArray[np.uint8]:
    """A picture whose corners differ: red grows to the right, green downward."""
    x, y = np.meshgrid(np.linspace(60, 220, width), np.linspace(60, 180, height))
    return np.rint(np.stack([x, y, np.full_like(x, 90)], axis=-1)).astype(np.uint8)


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_lossless_formats_give_the_same_pixels(kind: str) -> None:
    options = {"lossless": True} if kind == "WEBP" else {}
    photo = read_photo(encoded(Image.fromarray(wood()), kind, **options), name="a photo")
    assert np.array_equal(photo.rgb, wood())
    assert len(photo.sha256) == 64


@pytest.mark.parametrize(("quality", "first"), [(50, 17), (75, 9)])
def test_the_step_in_which_a_jpeg_keeps_colour_is_that_of_its_table(quality: int, first: int) -> None:
    """ITU-T T.81, table K.2, begins with 17; at quality q above 50 it is scaled by 2 - q / 50 (libjpeg)."""
    photo = read_photo(encoded(Image.fromarray(wood()), "JPEG", quality=quality), name="wood.jpg")
    assert photo.colour_step == pytest.approx(first / 8)
    assert read_photo(encoded(Image.fromarray(wood()), "PNG"), name="wood.png").colour_step == 0
    grey = encoded(Image.fromarray(wood()).convert("L"), "JPEG", quality=quality)  # has one table
    assert read_photo(grey, name="grey.jpg").colour_step == 0


def test_the_content_counts_not_the_ending(tmp_path: Path) -> None:
    path = tmp_path / "really_a_png.jpg"
    path.write_bytes(encoded(Image.fromarray(wood()), "PNG"))
    assert np.array_equal(read_photo(path).rgb, wood())


@pytest.mark.parametrize(("turn", "back"), [(1, 0), (3, 2), (6, 1), (8, 3)])
def test_exif_turns_come_out_upright(turn: int, back: int) -> None:
    # EXIF 2.32 table 6: 1 upright, 3 turned half, 6 and 8 a quarter. Stored pixels are the upright ones
    # turned the other way.
    exif = Image.Exif()
    exif[0x0112] = turn
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(wood(), back)))
    assert np.array_equal(read_photo(encoded(stored, "PNG", exif=exif), name="p").rgb, wood())


def test_focal_length_from_35_mm_film_and_from_pixel_pitch() -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 27
    data = encoded(Image.fromarray(wood(96, 64)), "JPEG", exif=exif)
    assert read_photo(data, name="p").focal_px == pytest.approx(27 / 36 * 96)
    camera = Image.Exif()
    # 35 mm lens on 24 mm over 96 pixels: 4 pixels a mm, 40 a cm (unit 3).
    camera.get_ifd(0x8769).update({0x920A: 35.0, 0xA20E: 40.0, 0xA210: 3, 0xA002: 96, 0xA405: 52})
    data = encoded(Image.fromarray(wood(96, 64)), "JPEG", exif=camera)
    assert read_photo(data, name="p").focal_px == pytest.approx(35 * 4)
    assert read_photo(encoded(Image.fromarray(wood()), "JPEG"), name="p").focal_px is None


def test_heic_is_turned_once_and_keeps_its_focal_length() -> None:
    # The file: 64 x 48 stored, EXIF turn 6, red and green over blue and grey.
    photo = read_photo(HEIC)
    assert photo.rgb.shape == (64, 48, 3)
    corners = [photo.rgb[16, 12], photo.rgb[16, 36], photo.rgb[48, 12], photo.rgb[48, 36]]
    wanted = [(50, 70, 190), (200, 40, 40), (210, 210, 210), (40, 160, 60)]
    assert np.abs(np.array(corners).astype(int) - wanted).max() <= 6
    assert photo.focal_px == pytest.approx(26 / 36 * 64)


def test_grey_sixteen_bit_alpha_palette_and_cmyk() -> None:
    ramp = np.tile(np.linspace(0, 65535, 64).astype(np.uint16), (48, 1))
    deep = read_photo(encoded(Image.fromarray(ramp), "PNG"), name="16 bit")
    assert np.abs(deep.rgb[..., 0].astype(float) - ramp / 257).max() <= 1
    clear = np.dstack([wood(), np.zeros((64, 96), np.uint8)])
    assert (read_photo(encoded(Image.fromarray(clear), "PNG"), name="clear").rgb == 255).all()
    palette = Image.fromarray(wood()).quantize(16)
    assert read_photo(encoded(palette, "PNG"), name="palette").rgb.shape == (64, 96, 3)
    grey = read_photo(encoded(Image.fromarray(wood()).convert("L"), "JPEG"), name="grey")
    assert np.array_equal(grey.rgb[..., 0], grey.rgb[..., 2])
    cmyk = read_photo(encoded(Image.fromarray(wood()).convert("CMYK"), "JPEG", quality=100), name="cmyk")
    assert np.abs(cmyk.rgb.astype(int) - wood()).mean() < 3
    assert "CMYK" in cmyk.warnings[0]


def display_p3_profile() -> bytes:
    """A matrix profile for Display P3: primaries adapted to D50, the sRGB curve (ICC.1:2010, 8.3, 10.15).

    The adapted primaries are computed by colour-science from the published chromaticities.
    """
    space = colour.RGB_COLOURSPACES["Display P3"]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    d50_xyz = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2010, 7.2.16
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(d65), d50_xyz, transform="Bradford"
    )
    primaries = adapt @ space.matrix_RGB_to_XYZ

    def fixed(*values: float) -> bytes:
        return b"".join(struct.pack(">i", round(v * 65536)) for v in values)

    text = b"Display P3"
    tags = {
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", len(text) + 1) + text + b"\0" * 79,
        b"wtpt": b"XYZ \0\0\0\0" + fixed(*d50_xyz),
    }
    for i, name in enumerate((b"rXYZ", b"gXYZ", b"bXYZ")):
        tags[name] = b"XYZ \0\0\0\0" + fixed(*primaries[:, i])
    curve = fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    for name in (b"rTRC", b"gTRC", b"bTRC"):
        tags[name] = b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + curve
    at = 132 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        padded = data + b"\0" * (-len(data) % 4)
        table += name + struct.pack(">II", at + len(body), len(data))
        body += padded
    size = at + len(body)
    header = struct.pack(">I4sI4s4s4s", size, b"\0\0\0\0", 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H", 2020, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28 + fixed(*d50_xyz) + b"\0" * 48
    return header + table + body


def test_display_p3_becomes_srgb_as_colour_science_computes_it() -> None:
    tones = np.array([(180, 140, 110), (200, 150, 100), (90, 60, 40), (230, 210, 180)], dtype=np.uint8)
    picture = np.repeat(np.repeat(tones[None], 40, axis=0), 12, axis=1)
    data = encoded(Image.fromarray(picture), "PNG", icc_profile=display_p3_profile())
    photo = read_photo(data, name="p3")
    wanted = colour.RGB_to_RGB(
        tones / 255, "Display P3", "sRGB", apply_cctf_decoding=True, apply_cctf_encoding=True
    )
    assert not photo.warnings
    assert np.abs(photo.rgb[20, 6::12] - wanted * 255).max() < 1.2


def test_an_srgb_profile_changes_nothing_and_a_broken_one_is_told() -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert np.array_equal(
        read_photo(encoded(Image.fromarray(wood()), "PNG", icc_profile=srgb), name="p").rgb, wood()
    )
    broken = read_photo(encoded(Image.fromarray(wood()), "PNG", icc_profile=b"not a profile" * 20), name="p")
    assert np.array_equal(broken.rgb, wood())
    assert "profile is broken" in broken.warnings[0]


def png_header_only(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds hardly any pixels."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    pixels = chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + pixels + chunk(b"IEND", b"")


BAD = {
    "empty": b"",
    "text": b"these are my boards\n" * 50,
    "nothing but zeros": bytes(5000),
    "cut short": encoded(Image.fromarray(wood(400, 300)), "JPEG")[:3000],
    "cut in the header": encoded(Image.fromarray(wood()), "PNG")[:30],
    "no pixels": png_header_only(64, 64),
    "too many pixels": png_header_only(10_000, 9_000),
    "far too many pixels": png_header_only(60_000, 60_000),
    "too small": encoded(Image.fromarray(wood(16, 16)), "PNG"),
    "an ftyp box and no more": b"\0\0\0\x18ftypheic" + bytes(200),
    "a picture format not taken": encoded(Image.fromarray(wood()), "GIF"),
}


@pytest.mark.parametrize("what", BAD)
def test_bad_files_are_refused_in_two_sentences(what: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(BAD[what])
    with pytest.raises(PhotoError) as caught:
        read_photo(path)
    assert "photo.jpg" in caught.value.message
    assert caught.value.message.endswith(".")
    assert caught.value.advice.endswith(".")


def test_damage_inside_a_jpeg_raises_photo_error_and_nothing_else() -> None:
    whole = bytearray(encoded(Image.fromarray(wood(300, 200)), "JPEG", quality=90))
    rng = np.random.default_rng(3)
    read_n = 0
    for _ in range(60):
        hurt = bytearray(whole)
        for at in rng.integers(2, len(whole) - 2, 4):
            hurt[at] = int(rng.integers(0, 256))
        with contextlib.suppress(PhotoError):
            assert read_photo(bytes(hurt), name="hurt").rgb.ndim == 3
            read_n += 1
    assert read_n < 60


def test_a_folder_and_a_missing_file_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="folder"):
        read_photo(tmp_path)
    with pytest.raises(PhotoError, match="cannot be opened"):
        read_photo(tmp_path / "gone.jpg")
