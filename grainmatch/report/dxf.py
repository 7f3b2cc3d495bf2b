"""Drawings -> DXF in millimetres, for programs that cut.

The plainest file of release 2000 (AC1015) that holds together: tables, the two empty blocks, the
strokes. Group codes are those of the published DXF reference. Pictures and fills are left out; y
runs up, as drawing programs have it, with 0 at the drawing's lower edge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from grainmatch.report.canvas import CAP_HEIGHT, Drawing, Line, Point, Polygon, Text

_Pair = tuple[int, str | int | float]
_ALIGN = {"left": 0, "centre": 1, "right": 2}
_MILLIMETRES = 4
_MODEL, _PAPER = "1F", "1E"
_TABLES = ("VPORT", "LTYPE", "LAYER", "STYLE", "VIEW", "UCS", "APPID", "DIMSTYLE", "BLOCK_RECORD")


def draw_dxf(drawing: Drawing) -> str:
    """A DXF document, ASCII; characters outside it are written as \\U+XXXX."""
    handles = _handles()
    entities = [pair for shape in drawing.shapes for pair in _entity(shape, drawing.height_mm, handles)]
    layers = sorted({s.layer for s in drawing.shapes if isinstance(s, Line | Polygon | Text)})
    body = [
        *_section("CLASSES", []),
        *_section("TABLES", _tables(layers, handles)),
        *_section(
            "BLOCKS", [*_block("*Model_Space", _MODEL, handles), *_block("*Paper_Space", _PAPER, handles)]
        ),
        *_section("ENTITIES", entities),
        *_section("OBJECTS", _objects()),
        (0, "EOF"),
    ]
    header = _section("HEADER", _header(drawing, next(handles)))
    return "".join(f"{code:>3}\n{_value(value)}\n" for code, value in [*header, *body])


def _handles() -> Iterator[str]:
    """Fresh handles, above the fixed ones."""
    number = 0x100
    while True:
        yield f"{number:X}"
        number += 1


def _value(value: str | int | float) -> str:
    if isinstance(value, str):
        return "".join(_escaped(c) for c in value)
    return f"{value:.6f}" if isinstance(value, float) else str(value)


def _escaped(character: str) -> str:
    if " " <= character <= "~":
        return character
    point = ord(character)
    return f"\\U+{point:04X}" if 0xA0 <= point <= 0xFFFF else "?"


def _section(name: str, pairs: Iterable[_Pair]) -> list[_Pair]:
    return [(0, "SECTION"), (2, name), *pairs, (0, "ENDSEC")]


def _header(drawing: Drawing, next_handle: str) -> list[_Pair]:
    return [
        (9, "$ACADVER"), (1, "AC1015"),
        (9, "$DWGCODEPAGE"), (3, "ANSI_1252"),
        (9, "$INSUNITS"), (70, _MILLIMETRES),
        (9, "$MEASUREMENT"), (70, 1),
        (9, "$EXTMIN"), (10, 0.0), (20, 0.0), (30, 0.0),
        (9, "$EXTMAX"), (10, float(drawing.width_mm)), (20, float(drawing.height_mm)), (30, 0.0),
        (9, "$HANDSEED"), (5, next_handle),
    ]  # fmt: skip


def _tables(layers: list[str], handles: Iterator[str]) -> list[_Pair]:
    records: dict[str, list[list[_Pair]]] = {name: [] for name in _TABLES}
    records["LTYPE"] = [_linetype("ByBlock"), _linetype("ByLayer"), _linetype("Continuous")]
    records["LAYER"] = [_layer(name) for name in ["0", *(_layer_name(layer) for layer in layers)]]
    records["STYLE"] = [
        [(100, "AcDbTextStyleTableRecord"), (2, "Standard"), (70, 0), (40, 0.0), (41, 1.0), (50, 0.0),
         (71, 0), (42, 2.5), (3, "txt"), (4, "")]
    ]  # fmt: skip
    records["APPID"] = [[(100, "AcDbRegAppTableRecord"), (2, "ACAD"), (70, 0)]]
    records["DIMSTYLE"] = [[(100, "AcDbDimStyleTableRecord"), (2, "Standard"), (70, 0)]]
    records["VPORT"] = [
        [(100, "AcDbViewportTableRecord"), (2, "*Active"), (70, 0), (10, 0.0), (20, 0.0), (11, 1.0),
         (21, 1.0), (12, 500.0), (22, 300.0), (40, 1000.0), (41, 1.5)]
    ]  # fmt: skip
    records["BLOCK_RECORD"] = [
        [(100, "AcDbBlockTableRecord"), (2, "*Model_Space")],
        [(100, "AcDbBlockTableRecord"), (2, "*Paper_Space")],
    ]
    fixed = {"BLOCK_RECORD": iter([_MODEL, _PAPER])}
    pairs: list[_Pair] = []
    for number, (name, rows) in enumerate(records.items(), start=1):
        own = f"{number:X}"
        pairs += [(0, "TABLE"), (2, name), (5, own), (330, "0"), (100, "AcDbSymbolTable"), (70, len(rows))]
        if name == "DIMSTYLE":
            pairs.append((100, "AcDbDimStyleTable"))
        for row in rows:
            # A dimension style's handle has a group code of its own.
            code = 105 if name == "DIMSTYLE" else 5
            handle = next(fixed.get(name, handles))
            pairs += [(0, name), (code, handle), (330, own), (100, "AcDbSymbolTableRecord"), *row]
        pairs.append((0, "ENDTAB"))
    return pairs


def _linetype(name: str) -> list[_Pair]:
    return [(100, "AcDbLinetypeTableRecord"), (2, name), (70, 0), (3, ""), (72, 65), (73, 0), (40, 0.0)]


def _layer(name: str) -> list[_Pair]:
    return [(100, "AcDbLayerTableRecord"), (2, name), (70, 0), (62, 7), (6, "Continuous")]


def _layer_name(layer: str) -> str:
    return layer.upper().replace(" ", "_")


def _block(name: str, owner: str, handles: Iterator[str]) -> list[_Pair]:
    return [
        (0, "BLOCK"), (5, next(handles)), (330, owner), (100, "AcDbEntity"), (8, "0"),
        (100, "AcDbBlockBegin"), (2, name), (70, 0), (10, 0.0), (20, 0.0), (30, 0.0), (3, name), (1, ""),
        (0, "ENDBLK"), (5, next(handles)), (330, owner), (100, "AcDbEntity"), (8, "0"), (100, "AcDbBlockEnd"),
    ]  # fmt: skip


def _objects() -> list[_Pair]:
    """The root dictionary and the group dictionary that every file of this release holds."""
    return [
        (0, "DICTIONARY"), (5, "C"), (330, "0"), (100, "AcDbDictionary"), (281, 1),
        (3, "ACAD_GROUP"), (350, "D"),
        (0, "DICTIONARY"), (5, "D"), (330, "C"), (100, "AcDbDictionary"), (281, 1),
    ]  # fmt: skip


def _entity(shape: object, height_mm: float, handles: Iterator[str]) -> list[_Pair]:
    match shape:
        case Line(points=points, layer=layer) if len(points) == 2:
            (x0, y0), (x1, y1) = _up(points, height_mm)
            ends: list[_Pair] = [(10, x0), (20, y0), (30, 0.0), (11, x1), (21, y1), (31, 0.0)]
            return [*_start("LINE", layer, handles), (100, "AcDbLine"), *ends]
        case Line(points=points, layer=layer):
            return [*_start("LWPOLYLINE", layer, handles), *_corners(_up(points, height_mm), closed=0)]
        case Polygon(points=points, colour=colour, layer=layer) if colour is not None:
            return [*_start("LWPOLYLINE", layer, handles), *_corners(_up(points, height_mm), closed=1)]
        case Text():
            return _words(shape, height_mm, handles)
    return []


def _start(kind: str, layer: str, handles: Iterator[str]) -> list[_Pair]:
    return [(0, kind), (5, next(handles)), (330, _MODEL), (100, "AcDbEntity"), (8, _layer_name(layer))]


def _up(points: Iterable[Point], height_mm: float) -> list[Point]:
    return [(float(x), float(height_mm - y)) for x, y in points]


def _corners(points: list[Point], *, closed: int) -> list[_Pair]:
    pairs: list[_Pair] = [(100, "AcDbPolyline"), (90, len(points)), (70, closed), (43, 0.0)]
    for x, y in points:
        pairs += [(10, x), (20, y)]
    return pairs


def _words(text: Text, height_mm: float, handles: Iterator[str]) -> list[_Pair]:
    ((x, y),) = _up([text.at], height_mm)
    return [
        *_start("TEXT", text.layer, handles), (100, "AcDbText"), (10, x), (20, y), (30, 0.0),
        (40, CAP_HEIGHT * text.size_mm), (1, text.text), (50, float(text.turn_deg)), (7, "Standard"),
        (72, _ALIGN[text.align]), (11, x), (21, y), (31, 0.0), (100, "AcDbText"), (73, 2),
    ]  # fmt: skip
