"""A small whole job on disk: a bench photo, measured boards, a layout and the job as one file."""

from __future__ import annotations

from pathlib import Path

from grainmatch.model import Board
from grainmatch.pipeline.files import folder_to_layouts
from grainmatch.report.record import write_boards
from grainmatch.store import Shop, open_shop, write_archive
from grainmatch.synth import SheetPlace, aim_camera, draw_scene, grow_board
from tests.faces import grown_board
from tests.phone import as_jpeg

TOP_MM = (280.0, 150.0)


def small_boards() -> list[Board]:
    """Three short boards of two faces, at half a pixel a millimetre."""
    return [
        grown_board(number, length_mm=300.0, width_mm=width, px_per_mm=0.5, photo="bench.jpg")
        for number, width in enumerate((58.0, 46.0, 66.0), 1)
    ]


def write_job(folder: Path) -> tuple[Path, Path]:
    """Boards and one layout below `folder`. Returns the boards' folder and the layout file."""
    boards, layouts = folder / "boards", folder / "layouts"
    write_boards(boards, small_boards())
    saved = folder_to_layouts(boards, layouts, top_mm=TOP_MM, n_best=1)
    return boards, saved[0].path


def fill_shop(shop: Shop, boards_folder: Path, layout_file: Path, photo: bytes) -> str:
    """A job with a photo, its boards and a chosen layout in the shop. Returns its id."""
    job = shop.add_job("Small table", {"thickness_mm": 27.0, "top_mm": list(TOP_MM)})
    shop.add_photo(job.id, "bench.jpg", photo, state="measured")
    sha256 = shop.add_set(boards_folder)
    shop.put_boards(job.id, [(str(n), sha256, str(n)) for n in (1, 2, 3)])
    layout = shop.add_layout(job.id, layout_file.read_text("utf-8"), name="First")
    shop.choose_layout(job.id, layout.id)
    return job.id


def export_job(folder: Path, boards_folder: Path, layout_file: Path, photo: bytes) -> bytes:
    """The same job as the file that 'Export job' makes."""
    shop = open_shop(folder / "exported")
    job_id = fill_shop(shop, boards_folder, layout_file, photo)
    write_archive(shop, job_id, folder / "job.zip")
    shop.close()
    return (folder / "job.zip").read_bytes()


def bench_photo(size_px: tuple[int, int] = (1000, 750)) -> bytes:
    """A JPEG of two boards and the sheet, as a phone would save it."""
    boards = [grow_board(seed=s, length_mm=700.0 + 9 * s, width_mm=110.0 + 9 * s) for s in (1, 2)]
    camera = aim_camera(size_px=size_px, eye_mm=(0.0, 60.0, 900.0))
    sheet = SheetPlace(centre_mm=(-150.0, 290.0))
    return as_jpeg(draw_scene(boards, camera=camera, size_px=size_px, sheet=sheet).photo)
