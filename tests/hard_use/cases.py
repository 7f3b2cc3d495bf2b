"""What is tried: for every door that takes a file, a seeded maker of one harmed file and its reading.

A case is a call without arguments; `verdict.judge` says how it ended.
"""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from grainmatch.model import Board
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.arrange import arrange
from grainmatch.pipeline.files import file_to_papers, read_corrections, read_marks_file
from grainmatch.pipeline.measure import measure_boards
from grainmatch.report.record import layout_from_json, read_boards
from grainmatch.store import open_shop, read_archive
from grainmatch.units import LengthUnits
from grainmatch.wood.species import find_species, read_species_table
from tests.hard_use import job
from tests.hard_use.archives import harm_archive
from tests.hard_use.harm import bend_json, flip_bit, harm_bytes, harm_json
from tests.hard_use.pictures import good_pictures

Case = Callable[[], object]

_SPECIES = """
[sources]
own = "weighed in the shop"
[[species]]
name = "pear"
botanical = "Pyrus communis"
aliases = ["birnbaum", "pearwood"]
kind = "species"
radial_per_pct = 0.0017
tangential_per_pct = {value = 0.0031, source = "own", mark = "read"}
specific_gravity = 0.69
fibre_saturation_pct = 28.0
note = "From one log."
"""


@dataclass
class Yard:
    """Whole files to harm, made once in a folder, and room for the harmed ones."""

    folder: Path

    @cached_property
    def made(self) -> tuple[Path, Path]:
        """The boards' folder and the layout file."""
        return job.write_job(self.folder / "whole")

    @cached_property
    def photo(self) -> bytes:
        """A bench photo with its sheet."""
        return job.bench_photo()

    @cached_property
    def archive(self) -> bytes:
        """A job as one file."""
        return job.export_job(self.folder, *self.made, good_pictures()["jpeg"])

    @cached_property
    def layout(self) -> Any:
        """The layout file as plain data."""
        return json.loads(self.made[1].read_text("utf-8"))

    @cached_property
    def boards(self) -> Any:
        """boards.json as plain data."""
        return json.loads((self.made[0] / "boards.json").read_text("utf-8"))

    def fresh(self, name: str) -> Path:
        """An empty folder of that name; what was in it is gone."""
        path = self.folder / name
        shutil.rmtree(path, ignore_errors=True)
        path.mkdir(parents=True)
        return path


def picture_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed picture of any kind, through the reader."""
    data = harm_bytes(rng.choice(list(good_pictures().values())), rng)
    return lambda: read_photo(data, name="photo.jpg")


def layout_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed layout file, read."""
    whole = json.dumps(yard.layout).encode()
    data = harm_json(yard.layout, rng) if rng.random() < 0.7 else harm_bytes(whole, rng)
    return lambda: layout_from_json(data)


def boards_case(yard: Yard, rng: random.Random) -> Case:
    """Harmed measured boards, read: boards.json, or one of the pictures beside it."""
    folder = _harmed_boards(yard, rng, bent_part=0.3)
    return lambda: read_boards(folder)


def arrange_case(yard: Yard, rng: random.Random) -> Case:
    """Harmed measured boards that may still be read, arranged."""
    folder = _harmed_boards(yard, rng)
    top_mm = rng.choice((None, job.TOP_MM, (1e-3, 1e-3), (1e5, 1e5), (1e5, 1.0)))

    def run() -> None:
        boards: list[Board] = read_boards(folder)
        arrange(boards, top_mm=top_mm, n_best=1)

    return run


def papers_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed layout file over whole or harmed boards, all its papers written."""
    folder = _harmed_boards(yard, rng) if rng.random() < 0.5 else yard.made[0]
    layout = json.loads(json.dumps(yard.layout))
    layout["made_from"] = {"boards": str(folder)}
    path = yard.fresh("layouts") / "layout.json"
    path.write_bytes(bend_json(layout, rng) if rng.random() < 0.9 else harm_json(layout, rng))
    units: LengthUnits = "in" if rng.random() < 0.5 else "mm"
    return lambda: file_to_papers(path, yard.fresh("papers"), units=units, strips=rng.random() < 0.2)


def corrections_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed file of corrections by hand, read."""
    square = [[0.0, 0.0], [90.0, 0.0], [90.0, 50.0], [0.0, 50.0]]
    made = [
        {"kind": "AddBoard", "corners_px": square},
        {"kind": "SplitBoard", "at_px": [5.0, 6.0], "from_px": [0.0, 6.0], "to_px": [90.0, 6.0]},
        {"kind": "MergeBoards", "at_px": [[5.0, 6.0], [7.0, 8.0]]},
        {"kind": "RenameBoard", "at_px": [5.0, 6.0], "id": "old oak"},
    ]
    path = yard.folder / "corrections.json"
    path.write_bytes(harm_json({"bench.jpg": made}, rng))
    return lambda: read_corrections(path)


def marks_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed file of marks by hand, read."""
    square = [[0.0, 0.0], [90.0, 0.0], [90.0, 50.0], [0.0, 50.0]]
    face = {"added": [{"kind": "keep out", "outline_mm": square}], "removed": []}
    names = [b["id"] for b in yard.boards["boards"]]
    path = yard.folder / "marks.json"
    path.write_bytes(harm_json({"schema_version": 1, "boards": {n: {"A": face} for n in names}}, rng))
    return lambda: read_marks_file(path, yard.made[0])


def species_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed species file, read and asked for its wood."""
    path = yard.folder / "species.toml"
    path.write_bytes(harm_bytes(_SPECIES.encode(), rng))

    def run() -> None:
        read_species_table(user_file=path)
        find_species("pear", user_file=path)

    return run


def archive_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed job file, brought into a shop; a refused one leaves no job behind."""
    data = harm_archive(yard.archive, rng)
    shop = open_shop(yard.folder / "shop")

    def run() -> None:
        before = {j.id for j in shop.list_jobs()}
        taken = None
        try:
            taken = read_archive(shop, data)
        finally:
            after = {j.id for j in shop.list_jobs()}
            assert after - before == ({taken} if taken else set()), "half a job was left"
            if taken:
                shop.remove_job(taken)
            shop.close()

    return run


def database_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed file of saved jobs, opened, listed and written to."""
    whole = yard.folder / "kept"
    if not whole.exists():
        shop = open_shop(whole)
        job.fill_shop(shop, *yard.made, b"photo")
        shop.close()
        with sqlite3.connect(whole / "grainmatch.db") as db:
            db.execute("PRAGMA journal_mode = DELETE")
        db.close()
    home = yard.fresh("home")
    (home / "grainmatch.db").write_bytes(harm_bytes((whole / "grainmatch.db").read_bytes(), rng))

    def run() -> None:
        shop = open_shop(home)
        try:
            for found in shop.list_jobs():
                shop.list_photos(found.id)
                shop.list_boards(found.id)
                shop.list_layouts(found.id)
            shop.list_rack()
            shop.sweep()
            shop.add_job("Another")
        finally:
            shop.close()

    return run


def measure_case(yard: Yard, rng: random.Random) -> Case:
    """A harmed bench photo, measured from end to end."""
    data = flip_bit(yard.photo, rng, start=300) if rng.random() < 0.6 else harm_bytes(yard.photo, rng)
    return lambda: measure_boards(read_photo(data, name="bench.jpg"), thickness_mm=27.0)


def _harmed_boards(yard: Yard, rng: random.Random, *, bent_part: float = 0.95) -> Path:
    folder = yard.folder / "boards"
    if not folder.exists():
        shutil.copytree(yard.made[0], folder)
    for path in yard.made[0].iterdir():
        if path.suffix == ".png" and path.read_bytes() != (folder / path.name).read_bytes():
            shutil.copy(path, folder)
    if rng.random() < 0.2:
        victim = rng.choice(sorted(folder.glob("*.png")))
        victim.write_bytes(harm_bytes(victim.read_bytes(), rng))
        shutil.copy(yard.made[0] / "boards.json", folder)
    else:
        harmed = bend_json(yard.boards, rng) if rng.random() < bent_part else harm_json(yard.boards, rng)
        (folder / "boards.json").write_bytes(harmed)
    return folder


CASES: dict[str, Callable[[Yard, random.Random], Case]] = {
    "pictures": picture_case,
    "layout files": layout_case,
    "board files": boards_case,
    "correction files": corrections_case,
    "marks files": marks_case,
    "species files": species_case,
    "job files": archive_case,
    "stores": database_case,
    "arrange": arrange_case,
    "papers": papers_case,
    "measure": measure_case,
}
