"""Papers, drawings and tables, read back with other people's readers and measured."""

from __future__ import annotations

import csv
import dataclasses
import io
import itertools
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
import zlib
from datetime import date
from pathlib import Path

import cv2
import ezdxf.filemanagement
import ezdxf.units
import numpy as np
import pytest
from ezdxf.document import Drawing as Drawing2d
from ezdxf.entities.lwpolyline import LWPolyline
from ezdxf.lldxf.encoding import decode_dxf_unicode
from PIL import Image

from grainmatch.model import Board, Layout, Placement, Score
from grainmatch.panel import PlacedTop, place_top
from grainmatch.report.canvas import Drawing, Line, Polygon, Text
from grainmatch.report.cards import draw_card, draw_qr, qr_words
from grainmatch.report.dxf import draw_dxf
from grainmatch.report.flow import Flow
from grainmatch.report.movement import gather
from grainmatch.report.page import MARGIN_MM, PAPER_MM, Paper, check_line, new_page, wrap
from grainmatch.report.papers import Plans, draw_pages, write_papers
from grainmatch.report.pdf import draw_pdf, latin1, text_width_mm
from grainmatch.report.place import rip_at_ends
from grainmatch.report.plan import boards_csv, cuts_csv, draw_plan
from grainmatch.report.raster import draw_raster
from grainmatch.report.strips import OVERLAP_MM, draw_strips, tile_starts
from grainmatch.report.svg import draw_svg
from grainmatch.units import LengthUnits
from grainmatch.wood.top import predict_top_year
from tests.report.fakes import STAMP, fake_board, fake_boards, fake_layout

SVG = "{http://www.w3.org/2000/svg}"
POINT_MM = 25.4 / 72


@pytest.fixture(scope="module")
def placed() -> PlacedTop:
    return place_top(fake_layout(), fake_boards(px_per_mm=0.5))


def polylines(document: Drawing2d, layer: str) -> list[LWPolyline]:
    found = document.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
    return [entity for entity in found if isinstance(entity, LWPolyline)]


def boxes_of(placed: PlacedTop) -> list[tuple[float, float]]:
    return sorted((p.box.length_mm, p.box.width_mm) for p in placed.boards)


def test_the_dxf_passes_an_audit_and_holds_the_boards_to_a_hundredth(
    placed: PlacedTop, tmp_path: Path
) -> None:
    path = tmp_path / "layout.dxf"
    path.write_text(draw_dxf(draw_plan(placed, title="Tischplatte ünd 板")), encoding="ascii")
    document = ezdxf.filemanagement.readfile(path)
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    assert document.units == ezdxf.units.MM
    sizes = []
    for board in polylines(document, "BOARDS"):
        corners = np.array(board.get_points("xy"))
        sizes.append(tuple(np.ptp(corners, axis=0)))
        assert board.closed
    np.testing.assert_allclose(sorted(sizes), boxes_of(placed), atol=0.01)
    (cut,) = polylines(document, "CUT")
    np.testing.assert_allclose(np.ptp(np.array(cut.get_points("xy")), axis=0), [1700, 850], atol=0.01)


def test_the_dxf_stacks_the_boards_from_the_top_down(placed: PlacedTop, tmp_path: Path) -> None:
    path = tmp_path / "layout.dxf"
    path.write_text(draw_dxf(draw_plan(placed)), encoding="ascii")
    texts = ezdxf.filemanagement.readfile(path).modelspace().query('TEXT[layer=="NUMBERS"]')
    by_height = sorted(texts, key=lambda t: -t.dxf.align_point.y)
    assert [t.dxf.text for t in by_height] == ["3", "1", "7", "2", "6", "8", "5", "4"]


def test_every_shape_of_the_dxf_survives_a_reader(tmp_path: Path) -> None:
    drawing = Drawing(100, 50)
    drawing.line([(0, 0), (10, 0)])
    drawing.line([(0, 0), (10, 0), (10, 20)])
    drawing.arrow([(0, 0), (10, 10)])
    drawing.text((5, 5), "Länge 30° Ω 𝄞", 4.0, align="right", turn_deg=90)
    path = tmp_path / "shapes.dxf"
    path.write_text(draw_dxf(drawing), encoding="ascii")
    document = ezdxf.filemanagement.readfile(path)
    assert not document.audit().errors
    assert len(document.modelspace()) == 4  # the arrow's filled head has no outline and is left out
    (text,) = document.modelspace().query("TEXT")
    assert decode_dxf_unicode(text.dxf.text) == "Länge 30° Ω ?"
    assert (text.dxf.align_point.x, text.dxf.align_point.y) == (5, 45)


def test_the_svg_is_true_to_a_hundredth_of_a_millimetre(placed: PlacedTop) -> None:
    root = ET.fromstring(draw_svg(draw_plan(placed, title="a < b & c")))  # noqa: S314 (our own text)
    assert float(root.attrib["width"].removesuffix("mm")) == pytest.approx(placed.panel.length_mm, abs=0.01)
    assert root.attrib["viewBox"] == f"0 0 {root.attrib['width'][:-2]} {root.attrib['height'][:-2]}"
    sizes = []
    for group in root.findall(f"{SVG}g[@class='boards']"):
        for polygon in group.findall(f"{SVG}polygon"):
            corners = np.array([p.split(",") for p in polygon.attrib["points"].split()], dtype=float)
            sizes.append(tuple(np.ptp(corners, axis=0)))
    np.testing.assert_allclose(sorted(sizes), boxes_of(placed), atol=0.01)
    assert root.findtext(f"{SVG}title") == "a < b & c"


def test_svg_words_keep_every_letter_xml_can_hold() -> None:
    """XML 1.0, production 2: no control signs, surrogates, U+FFFE or U+FFFF; all planes above are letters."""
    drawing = Drawing(100, 20)
    drawing.text((5, 10), "Tisch <1> \U0001f332 \ud800\ufffe\x07板", 4)
    (words,) = ET.fromstring(draw_svg(drawing)).iter(f"{SVG}text")  # noqa: S314 - our own
    assert words.text == "Tisch <1> \U0001f332 板"


def test_svg_keeps_every_kind_of_shape(placed: PlacedTop) -> None:
    card = draw_card(placed, placed.boards[1], STAMP, (93, 66), units="mm", features={})
    root = ET.fromstring(draw_svg(card))  # noqa: S314
    kinds = {e.tag.removeprefix(SVG) for e in root.iter()}
    assert {"polyline", "polygon", "text", "image"} <= kinds


def pdf_strokes(data: bytes) -> list[tuple[float, float, float, float]]:
    """Every single straight stroke `x y m x y l S` of a PDF's pages, in mm."""
    strokes = []
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL):
        try:
            content = zlib.decompress(stream).decode("latin-1")
        except zlib.error:
            continue
        number = r"(-?[\d.]+)"
        for match in re.finditer(rf"{number} {number} m\s+{number} {number} l\s+S", content):
            x0, y0, x1, y1 = (float(v) * POINT_MM for v in match.groups())
            strokes.append((x0, y0, x1, y1))
    return strokes


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_check_line_measures_100_mm_in_the_pdf(paper: Paper) -> None:
    page = new_page(paper, STAMP, "", landscape=True)
    check_line(page, (50, 100))
    data = draw_pdf([page], title="x", made_on=STAMP.made_on)
    lengths = [abs(x1 - x0) for x0, _, x1, _ in pdf_strokes(data)]
    assert min(abs(length - 100.0) for length in lengths) < 0.005
    width, height = (side / POINT_MM for side in PAPER_MM[paper])
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    box = [float(v) for v in boxes[-1]]  # the first is the document's default, the last the page's own
    assert box == pytest.approx([height, width], abs=0.01)
    assert b"/PrintScaling /None" in data


def test_every_strip_page_carries_a_check_line_and_the_layout(placed: PlacedTop) -> None:
    pages = draw_strips(placed, STAMP, paper="a4", units="mm")
    data = draw_pdf(pages, title="x", made_on=STAMP.made_on)
    hundred = [s for s in pdf_strokes(data) if abs(abs(s[2] - s[0]) - 100) < 0.005]
    assert len(hundred) == len(pages)


def test_only_a_strip_that_goes_on_says_where(placed: PlacedTop) -> None:
    pages = draw_strips(placed, STAMP, paper="a4", units="mm")
    laps = sum(s.layer == "lap" for page in pages for s in page.shapes if isinstance(s, Line))
    said = sum("begins at the dashed line" in s.text for p in pages for s in p.shapes if isinstance(s, Text))
    assert said == laps > 0


def test_a_strip_shows_the_wood_at_full_size() -> None:
    """A face with a dark line every 50 mm; on the printed page they must stand 50 mm apart."""
    face = fake_board("1", px_per_mm=2.0, length_mm=603.7).faces[0]
    rgb = face.rgb.copy()
    for x_mm in range(56, 600, 50):  # the board's end lies 6 mm into the image
        rgb[:, 2 * x_mm - 1 : 2 * x_mm + 1] = 0
    boards = [
        Board(i, 603.7, 120, 120, 27, 0, (dataclasses.replace(face, rgb=rgb),), species="black cherry")
        for i in "12"
    ]
    placed = place_top(Layout((Placement("1"), Placement("2")), Score({}, 0.0)), boards)
    page = draw_strips(placed, STAMP, paper="a4", units="mm")[0]
    shown = draw_raster(page, px_per_mm=10)
    row = shown[round((MARGIN_MM + 14 + 20) * 10)].max(axis=1)
    dark = np.flatnonzero(row < 70)
    lines = np.array([run.mean() for run in np.split(dark, np.flatnonzero(np.diff(dark) > 20) + 1)])
    lines = lines[(lines > 15 * 10) & (lines < (page.width_mm - 15) * 10)] / 10
    assert len(lines) >= 5
    np.testing.assert_allclose(np.diff(lines), 50.0, atol=0.25)
    assert lines[0] - MARGIN_MM == pytest.approx(50.0, abs=0.25)


@pytest.mark.parametrize("length_mm", [200.0, 263.0, 264.0, 1700.0, 2411.5])
def test_tiles_cover_the_length_and_overlap(length_mm: float) -> None:
    tiles = tile_starts(length_mm, 273.0)
    assert tiles[0][2] == 0
    assert tiles[-1][2] + 273 >= length_mm
    for (_, _, left), (_, _, following) in itertools.pairwise(tiles):
        assert left + 273 - following == pytest.approx(OVERLAP_MM)
    assert len(tiles) == 1 or tiles[-2][2] + 273 < length_mm  # none is superfluous


def test_a_phone_reads_the_board_s_place_from_its_card(placed: PlacedTop) -> None:
    """Read back with OpenCV's QR reader, an implementation of ISO/IEC 18004 apart from the writer."""
    for item in placed.boards[:3]:
        card = draw_card(placed, item, STAMP, (93, 66), units="in", features={})
        picture = draw_raster(card, px_per_mm=12)
        words, *_ = cv2.QRCodeDetector().detectAndDecode(picture)
        assert words == qr_words(placed, item, STAMP)
    assert "board 3, place 1 of 8 from the upper edge, face A up, not turned" in qr_words(
        placed, placed.boards[0], STAMP
    )


def test_the_printed_qr_pattern_has_hard_edges() -> None:
    """Decoded by Pillow from the PDF, where a JPEG lies as it is (ISO 32000, DCTDecode)."""
    drawing = Drawing(23, 23)
    draw_qr(drawing, (0, 0), 23, "grainmatch: board 3, place 1 of 8")
    printed = draw_pdf([drawing], title="", made_on=date(2026, 1, 1))
    start = printed.index(b"\xff\xd8\xff")
    with Image.open(io.BytesIO(printed[start : printed.index(b"\xff\xd9", start) + 2])) as picture:
        grey = np.asarray(picture.convert("L"))
    assert sorted(np.unique(grey)) == [0, 255]
    assert cv2.QRCodeDetector().detectAndDecode(grey)[0] == "grainmatch: board 3, place 1 of 8"


def test_the_qr_pattern_keeps_its_quiet_margin() -> None:
    drawing = Drawing(23, 23)
    draw_qr(drawing, (0, 0), 23, "board 3")
    dark = draw_raster(drawing, px_per_mm=20).min(axis=2) < 128
    rows, columns = np.flatnonzero(dark.any(axis=1)), np.flatnonzero(dark.any(axis=0))
    module = 23 / (len(range(21)) + 8)  # version 1 has 21 modules a side (ISO/IEC 18004)
    assert rows[0] / 20 == pytest.approx(4 * module, abs=0.1)
    assert columns[-1] / 20 == pytest.approx(23 - 4 * module, abs=0.1)


def test_the_tables_give_every_board_and_cut(placed: PlacedTop) -> None:
    boards = list(csv.DictReader(io.StringIO(boards_csv(placed, "mm"))))
    assert [b["board"] for b in boards] == ["3", "1", "7", "2", "6", "8", "5", "4"]
    assert sum(float(b["finished_width_mm"]) for b in boards) == pytest.approx(
        placed.panel.width_mm, abs=0.05
    )
    inches = list(csv.DictReader(io.StringIO(boards_csv(placed, "in"))))
    for mm, inch in zip(boards, inches, strict=True):
        assert float(inch["length_in"]) * 25.4 == pytest.approx(float(mm["length_mm"]), abs=0.01)
    cuts = list(csv.DictReader(io.StringIO(cuts_csv(placed, "mm"))))
    assert cuts[-1]["what"] == "right end to size"
    assert float(cuts[-1]["leaves_mm"]) == pytest.approx(1700)
    assert {c["piece"] for c in cuts} == {f"board {k}" for k in range(1, 9)} | {"glued panel"}


def test_both_ends_of_a_tapered_board_come_out_equally_wide(placed: PlacedTop) -> None:
    for item in placed.boards:
        upper, lower = rip_at_ends(item)
        ends = [item.board.start_width_mm, item.board.end_width_mm]
        for k, width in enumerate(ends[::-1] if item.placement.pose.turned else ends):
            assert width - upper[k] - lower[k] == pytest.approx(item.box.width_mm)


def test_a_board_named_like_a_formula_stays_text_in_a_spreadsheet() -> None:
    boards = fake_boards(px_per_mm=0.5)
    evil = type(boards[0])(**{**boards[2].__dict__, "species": "=HYPERLINK(1)"})
    placed = place_top(fake_layout(), [evil if b.id == "3" else b for b in boards])
    row = next(csv.DictReader(io.StringIO(boards_csv(placed, "mm"))))
    assert row["species"] == "'=HYPERLINK(1)"


@pytest.mark.parametrize(("paper", "units"), [("a4", "mm"), ("letter", "in")])
def test_all_papers_are_written_and_every_page_names_its_layout(
    tmp_path: Path, paper: Paper, units: LengthUnits
) -> None:
    boards, layout = fake_boards(px_per_mm=0.25), fake_layout()
    before = [f.rgb.copy() for b in boards for f in b.faces]
    paths = write_papers(
        tmp_path, layout, boards, paper=paper, units=units, strips=True, made_on=STAMP.made_on
    )
    assert {p.name for p in paths} == {p.name for p in tmp_path.iterdir()}
    for copy, face in zip(before, (f for b in boards for f in b.faces), strict=True):
        np.testing.assert_array_equal(copy, face.rgb)
    with Image.open(tmp_path / "top.png") as picture:
        assert picture.size[0] == 2400
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed; the words of the PDF were not read back")
    for name in ("papers.pdf", "strips.pdf"):
        text = subprocess.run(
            ["pdftotext", "-layout", str(tmp_path / name), "-"], capture_output=True, text=True, check=True
        ).stdout
        for page in text.rstrip("\f").split("\f"):
            assert page.count("49fa-e0b1") >= 2
            assert "25 November 2026" in page


def test_the_same_layout_gives_the_same_pdf(placed: PlacedTop) -> None:
    plans = Plans(predict_top_year(fake_layout(), [p.board for p in placed.boards]))
    first, again = (
        draw_pdf(
            draw_pages(fake_layout(), placed, plans, STAMP, paper="a4", units="mm", features={}),
            title="x", made_on=STAMP.made_on,
        )
        for _ in range(2)
    )  # fmt: skip
    assert first == again


def test_words_outside_latin_1_turn_into_their_nearest_plain_letters() -> None:
    assert latin1("Müller – ½ × 3″ ≤ Łódź, 桜") == 'Müller - ½ × 3" <= ?ódz, ?'


def test_a_picture_of_words_is_drawn_where_they_belong() -> None:
    drawing = Drawing(60, 20)
    drawing.text((55, 10), "HHH", 6.0, align="right", bold=True)
    dark = draw_raster(drawing, px_per_mm=10).min(axis=2) < 128
    rows, columns = np.flatnonzero(dark.any(axis=1)), np.flatnonzero(dark.any(axis=0))
    assert columns[-1] / 10 == pytest.approx(55, abs=0.6)
    assert (rows[0] + rows[-1]) / 20 == pytest.approx(10, abs=0.4)
    drawing.shapes.clear()
    drawing.text((30, 18), "HHH", 6.0, turn_deg=90)
    dark = draw_raster(drawing, px_per_mm=10).min(axis=2) < 128
    rows = np.flatnonzero(dark.any(axis=1))
    assert rows[-1] / 10 == pytest.approx(18, abs=1.0)  # reads upwards from its left end


@pytest.mark.parametrize("n", [1, 10, 11, 40])
def test_a_top_of_any_number_of_boards_fits_its_pages(n: int) -> None:
    board = fake_boards(px_per_mm=0.2)[0]
    boards = [type(board)(**{**board.__dict__, "id": f"board_{k}"}) for k in range(1, n + 1)]
    layout = Layout(tuple(Placement(b.id) for b in boards), Score({}, 0.0))
    placed = place_top(layout, boards)
    pages = draw_pages(
        layout, placed, Plans(predict_top_year(layout, boards)), STAMP, paper="a4", units="in", features={}
    )
    words = [shape for page in pages for shape in page.shapes if isinstance(shape, Text)]
    assert {t.text for t in words} >= {str(k) for k in range(1, n + 1)}
    for page in pages:
        for shape in page.shapes:
            corners = shape.points if isinstance(shape, Line | Polygon) else (shape.at,)
            for x, y in corners:
                assert -0.1 <= x <= page.width_mm + 0.1
                assert -0.1 <= y <= page.height_mm + 0.1


def test_notes_that_differ_only_in_the_board_are_gathered() -> None:
    lines = [
        "Rings of board 1 not known.",
        "Dry.",
        "Rings of board 12 not known.",
        "Rings of board 2 not known.",
    ]
    assert gather(lines, ["1", "2", "12"]) == ["Rings of boards 1, 12 and 2 not known.", "Dry."]
    assert gather(lines[:2], ["1", "2", "12"]) == lines[:2]


@pytest.mark.parametrize("width_mm", [20.0, 33.0, 47.0, 60.0])
def test_a_length_is_never_parted(width_mm: float) -> None:
    """`5` at the end of a line and `1/16"` on the next would be read as two lengths."""
    text = 'Rip to 4 1/2": off 75 11/16", 1 1/16" / 5/16" and (12 3/4"), or 12.5 mm, 1.0 MPa and 8 % of 5.'
    lines = wrap(text, width_mm, 3.0)
    assert " ".join(lines) == text
    for kept in ('4 1/2":', '75 11/16",', '1 1/16"', '(12 3/4"),', "12.5 mm,", "1.0 MPa", "8 %"):
        assert any(kept in line for line in lines)
    assert max(text_width_mm(line, 3.0) for line in lines) <= width_mm


def test_a_short_table_stays_on_one_page() -> None:
    flow = Flow("a4", STAMP, "Short")
    flow.space(flow.pages[0].height_mm - MARGIN_MM - flow.y - 15)  # room for two rows
    flow.table([("a", 1)], [["first"], ["second"], ["third"]])
    (page,) = (p for p in flow.pages if "first" in [s.text for s in p.shapes if isinstance(s, Text)])
    assert {"first", "second", "third"} <= {s.text for s in page.shapes if isinstance(s, Text)}


def test_long_content_flows_onto_more_pages_and_loses_nothing() -> None:
    flow = Flow("letter", STAMP, "Long")
    flow.bullets([f"item {k} " + "x" * 300 for k in range(40)])
    flow.table([("a", 1), ("b", 2)], [[f"row {k}", "v"] for k in range(120)])
    words = [s.text for page in flow.pages for s in page.shapes if isinstance(s, Text)]
    assert sum(w.startswith("item") for w in words) == 40
    assert sum(w.startswith("row") for w in words) == 120
    for page in flow.pages:
        texts = [s for s in page.shapes if isinstance(s, Text)]
        assert max(t.at[1] for t in texts) < page.height_mm - MARGIN_MM + 0.1
        assert all(t.at[0] + text_width_mm(t.text, t.size_mm) < page.width_mm - MARGIN_MM + 0.1
                   for t in texts if t.align == "left")  # fmt: skip
