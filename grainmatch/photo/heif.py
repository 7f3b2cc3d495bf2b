"""HEIC photos, decoded in a process of their own.

About one damaged HEIC file in two hundred brings its decoder down, and the program with it, where every other
format ends in an error. So a child decodes: `python -m grainmatch.photo.heif MOST_PIXELS` takes the file on
standard input and answers with one line of JSON and the raw pixels.
"""

from __future__ import annotations

import base64
import io
import json
import os
import subprocess
import sys

from PIL import Image

_LONGEST_S = 60.0
_TOO_LARGE = 3


def read_heif(data: bytes, *, most_pixels: int) -> Image.Image:
    """The decoded picture with its EXIF and colour profile.

    Raises OSError for a file that cannot be decoded, Image.DecompressionBombError for one of too many pixels.
    """
    words = [sys.executable, "-m", "grainmatch.photo.heif", str(most_pixels)]
    surroundings = os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    try:
        child = subprocess.run(  # noqa: S603 (our own words; the file comes on standard input)
            words, input=data, capture_output=True, timeout=_LONGEST_S, env=surroundings, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise OSError("the decoder did not end") from error
    if child.returncode == _TOO_LARGE:
        raise Image.DecompressionBombError("too many pixels")
    if child.returncode != 0:
        raise OSError("the decoder gave up")
    start = child.stdout.index(b"\n") + 1
    head = json.loads(child.stdout[:start])
    image = Image.frombytes(head["mode"], tuple(head["size"]), memoryview(child.stdout)[start:])
    image.info.update({name: base64.b64decode(text) for name, text in head["info"].items()})
    return image


def answer(data: bytes, *, most_pixels: int) -> int:
    """What the child does. Returns its exit code."""
    import pi_heif

    pi_heif.register_heif_opener()
    image = Image.open(io.BytesIO(data), formats=("HEIF",))
    if image.width * image.height > most_pixels:
        return _TOO_LARGE
    image.load()
    kept = {name: image.info.get(name) for name in ("exif", "icc_profile")}
    info = {name: base64.b64encode(part).decode() for name, part in kept.items() if part}
    head = json.dumps({"mode": image.mode, "size": image.size, "info": info})
    sys.stdout.buffer.write(head.encode() + b"\n" + image.tobytes())
    return 0


if __name__ == "__main__":
    sys.exit(answer(sys.stdin.buffer.read(), most_pixels=int(sys.argv[1])))
