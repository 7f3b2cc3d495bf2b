"""Photos that may not be committed."""

from __future__ import annotations

import os
from pathlib import Path


def shared_folder() -> Path:
    """Where they lie, whether or not they are there: GRAINMATCH_SHARED, or `shared` beside the checkout."""
    return Path(os.environ.get("GRAINMATCH_SHARED", Path(__file__).parents[3] / "shared"))


def shared_photos() -> Path | None:
    """The folder with photographs, None when this machine has none."""
    photos = shared_folder() / "photos"
    return photos if photos.is_dir() else None
