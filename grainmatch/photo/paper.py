"""A plain sheet of paper of a standard size, found as a bright quadrilateral."""

from __future__ import annotations

from grainmatch.model import Photo, Sheet


def find_paper(photo: Photo, paper_mm: tuple[float, float]) -> Sheet | None:
    return None
