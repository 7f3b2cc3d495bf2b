"""What many tests need: the demo job, measured once, and a shop of their own."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from PIL import Image

from grainmatch.pipeline.cache import ReadingCache
from grainmatch.pipeline.gather import Measured
from grainmatch.pipeline.pile import photos_to_boards
from grainmatch.store import Shop, open_shop

# a busy machine must not fail a property; pytest-timeout catches hangs
# The same cases at every run: what is new is looked for by bench_fuzz, not by a build.
settings.register_profile("grainmatch", deadline=None, derandomize=True)
settings.load_profile("grainmatch")

SAMPLES = Path(__file__).parents[1] / "sample_images"


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Tests never see the user's cache or woods; photos they share are measured once."""
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("GRAINMATCH_CACHE", str(folder))
        patch.setenv("GRAINMATCH_SPECIES", str(folder / "none.toml"))
        yield folder


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    """A shop in a home folder of its own."""
    monkeypatch.setenv("GRAINMATCH_HOME", str(tmp_path / "home"))
    opened = open_shop()
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def samples() -> Path:
    return SAMPLES


@pytest.fixture(scope="session")
def dry_fit_photo(samples: Path) -> bytes:
    """The demo photo of boards 1 to 4 as a dry fit, at half its size: grain is compared at a millimetre."""
    with Image.open(samples / "demo_boards_1_to_4_show.jpg") as photo:
        buffer = io.BytesIO()
        photo.reduce(2).save(buffer, "JPEG", quality=92, exif=photo.getexif())
    return buffer.getvalue()


@pytest.fixture(scope="session")
def demo_truth() -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((SAMPLES / "truth.json").read_text("utf-8"))
    return truth


@pytest.fixture(scope="session")
def demo(own_cache: Path) -> Measured:
    """All demo photos through the pipeline, as `grainmatch measure sample_images` does."""
    cache = ReadingCache(own_cache)
    return photos_to_boards([SAMPLES], thickness_mm=27.0, species="cherry", cache=cache, processes=2)
