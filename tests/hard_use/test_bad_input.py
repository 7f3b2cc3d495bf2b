"""A fast slice of tests/benchmarks/bench_fuzz.py: harmed files are read rightly or refused in words."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grainmatch.errors import GrainmatchError, PhotoError, StoreError
from grainmatch.photo.damage import find_torn_row
from grainmatch.photo.read import read_photo
from grainmatch.store import open_shop, read_archive
from tests.hard_use.archives import hostile_archives, job_text, make_archive
from tests.hard_use.cases import CASES, Yard
from tests.hard_use.pictures import encode, good_pictures, hostile_pictures, wood_like
from tests.hard_use.verdict import check_sentence, judge

CASES_N = {
    "pictures": 250, "layout files": 150, "board files": 60, "correction files": 60, "species files": 60,
    "job files": 50, "stores": 12, "arrange": 2, "papers": 1,
}  # fmt: skip


@pytest.mark.parametrize("name", CASES_N)
def test_harmed_files(name: str, yard: Yard) -> None:
    ends = {"done": 0, "refused": 0}
    for k in range(CASES_N[name]):
        ends[judge(CASES[name](yard, random.Random(f"{name} {k}")))] += 1
    assert CASES_N[name] < 50 or min(ends.values()) > 0, f"one-sided: {ends}"


@pytest.mark.parametrize("name", good_pictures())
def test_every_kind_of_picture_is_read(name: str) -> None:
    photo = read_photo(good_pictures()[name], name="photo.jpg")
    assert photo.rgb.shape[2] == 3
    assert not any("damaged" in w for w in photo.warnings)


@pytest.mark.parametrize("name", hostile_pictures())
def test_pictures_made_to_hurt(name: str) -> None:
    if judge(lambda: read_photo(hostile_pictures()[name], name="photo.jpg")) == "done":
        assert read_photo(hostile_pictures()[name], name="photo.jpg").rgb.shape[:2] in ((72, 96), (64, 64))


def test_most_torn_jpegs_are_read_with_a_warning() -> None:
    """One bit of a DC difference (ITU-T T.81, F.1.2.1) shifts everything after it, and no decoder objects."""
    whole = encode(Image.fromarray(wood_like(640, 320)), "JPEG", quality=90)
    assert read_photo(whole, name="p").warnings == ()
    start = whole.rindex(b"\xff\xda") + 14
    rng, shifted_n, warned_n = random.Random(4), 0, 0
    before = read_photo(whole, name="p").rgb[-8:].mean(axis=(0, 1))
    for _ in range(60):
        hurt = bytearray(whole)
        hurt[rng.randrange(start, start + (len(whole) - start) // 2)] ^= 1 << rng.randrange(8)
        try:
            photo = read_photo(bytes(hurt), name="p")
        except PhotoError:
            continue
        shifted = bool((abs(photo.rgb[-8:].mean(axis=(0, 1)) - before) > 8).any())
        shifted_n += shifted
        warned_n += shifted and any("damaged" in w for w in photo.warnings)
    assert shifted_n >= 8
    assert warned_n >= 0.6 * shifted_n


def test_a_real_edge_that_ends_within_the_picture_is_no_tear() -> None:
    rng = np.random.default_rng(6)
    rgb = np.clip(rng.normal(150, 6, (320, 640, 3)), 0, 255).astype(np.uint8)
    rgb[160:, :480] //= 2  # at a row of blocks, over three quarters of the width
    assert find_torn_row(rgb) is None


# The store keeps these as they are; test_strangers.py brings them in by the page, which knows better.
_KEPT_BY_THE_STORE = {"odd details", "layout that is none"}


@pytest.mark.parametrize("name", [n for n in hostile_archives() if n not in _KEPT_BY_THE_STORE])
def test_job_files_made_to_hurt(name: str, tmp_path: Path) -> None:
    shop = open_shop(tmp_path / "in" / "home")
    with pytest.raises(StoreError) as caught:
        read_archive(shop, hostile_archives()[name])
    check_sentence(caught.value.message)
    check_sentence(caught.value.advice)
    assert shop.list_jobs() == []
    shop.close()
    assert {p.name for p in tmp_path.rglob("*") if p.is_file()} <= {"grainmatch.db"}


def test_a_small_good_job_file_is_taken(tmp_path: Path) -> None:
    shop = open_shop(tmp_path)
    assert shop.read_job(read_archive(shop, make_archive(job=job_text()))).name == "J"
    shop.close()


def test_errors_are_one_line_whatever_they_quote() -> None:
    error = GrainmatchError("Bad 'a\nb\0\x1b[31m" + "x" * 9000 + "'.", "Mend it.")
    check_sentence(error.message)
    assert str(error) == f"{error.message} {error.advice}"
