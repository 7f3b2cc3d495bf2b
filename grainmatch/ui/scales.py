"""What gives the scale in a photo without the printed sheet, as the maker said it, kept with the job."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from grainmatch.errors import UsageError
from grainmatch.photo.pose import KnownBoard, KnownPaper, KnownScale
from grainmatch.store import Job, Shop


def scale_of(job: Job, sha256: str) -> KnownScale | None:
    """What a photo goes by, None when nothing was said. Raises UsageError for what nothing can go by."""
    kept = job.details.get("scales", {}).get(sha256)
    return None if kept is None else scale_from_data(kept)


def read_scales(job: Job, names: Mapping[str, str]) -> dict[str, KnownScale]:
    """What a job's photos go by, by the names (given by sha256) they are measured under.

    Raises UsageError for what nothing can go by.
    """
    kept: Mapping[str, Mapping[str, Any]] = job.details.get("scales", {})
    return {names[sha256]: scale_from_data(said) for sha256, said in kept.items() if sha256 in names}


def keep_scale(shop: Shop, job: Job, sha256: str, known: KnownScale | None) -> None:
    """Keep what a photo goes by with its job, and have it measured again; None forgets it."""
    kept = dict(job.details.get("scales", {}))
    kept.pop(sha256, None)
    if known is not None:
        kept[sha256] = _to_data(known)
    shop.update_job(job.id, details={"scales": kept})
    shop.set_photo_state(job.id, sha256, "waiting")


def _to_data(known: KnownScale) -> dict[str, Any]:
    if isinstance(known, KnownPaper):
        return {"paper": known.paper}
    return {"length_mm": known.length_mm, "width_mm": known.width_mm, "place": known.place}


def scale_from_data(said: Mapping[str, Any]) -> KnownScale:
    """What was kept, as it is used. Raises UsageError for what is no paper and no board's size."""
    try:
        if "paper" in said:
            return KnownPaper(str(said["paper"]))
        length_mm, width_mm = (_size_mm(said.get(name)) for name in ("length_mm", "width_mm"))
        return KnownBoard(length_mm, width_mm, int(said.get("place", 1)))
    except (TypeError, ValueError, OverflowError) as error:
        raise UsageError("The board's typed size is not usable.", "Type its length or its width.") from error


def _size_mm(size: Any) -> float | None:
    return None if size is None else float(size)
