"""The house keeps its floors: imports go down only, without circles, and the front door stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "grainmatch"

FLOORS = (
    {"__main__", "__init__"},
    {"cli"},
    {"ui", "options"},
    {"pipeline"},
    {"search", "glueup", "report", "store"},
    {"score", "synth"},
    {"photo", "board", "face", "wood"},
    {"panel", "plans"},
    {"model"},
    {"units", "geometry", "colour", "disk", "ranks", "cores"},
    {"errors"},
)
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else "__init__"


@cache
def import_statements(path: Path) -> tuple[ast.Import | ast.ImportFrom, ...]:
    """A file's imports, at any depth of nesting."""
    tree = ast.parse(path.read_text("utf-8"))
    return tuple(n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom))


def imports_of(path: Path) -> set[str]:
    """Every module of this package that a file imports."""
    found: set[str] = set()
    for node in import_statements(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
            assert node.level == 0, f"{path}: relative import"
    return {name for name in found if name.startswith("grainmatch.")}


FILES = sorted(PACKAGE.rglob("*.py"))
MODULES = {module_name(path): path for path in FILES}


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_imports_go_down_or_stay_in_the_room(path: Path) -> None:
    here = room(module_name(path))
    assert here in LEVEL, f"{here} has no floor: give it one in DEVELOPERS.md and here"
    for target in imports_of(path) & MODULES.keys():
        there = room(target)
        assert there == here or LEVEL[there] > LEVEL[here], f"{module_name(path)} must not import {target}"


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_the_front_door_is_for_callers_outside(path: Path) -> None:
    """Inside, a thing is imported from where it lives; only the version comes from the package itself."""
    statements = import_statements(path)
    plain = [n for n in statements if isinstance(n, ast.ImportFrom) and n.module == "grainmatch"]
    names = {alias.name for n in plain for alias in n.names}
    assert all(name == "__version__" or f"grainmatch.{name}" in MODULES for name in names)


def test_no_circles() -> None:
    graph = {name: (imports_of(path) & MODULES.keys()) - {name} for name, path in MODULES.items()}
    # A package's __init__ is a door: importing it for its submodules is not a circle.
    doors = {name for name, path in MODULES.items() if path.name == "__init__.py"}
    list(TopologicalSorter({n: t - doors for n, t in graph.items()}).static_order())


def test_only_ui_imports_streamlit() -> None:
    users = [name for name, path in MODULES.items() if "streamlit" in path.read_text("utf-8").split()]
    assert all(room(name) == "ui" for name in users if name != "grainmatch.ui")


def test_front_door_is_light() -> None:
    heavy = "streamlit", "matplotlib", "ortools", "pandas", "fpdf", "skimage"
    code = f"import grainmatch, sys; print([m for m in {heavy!r} if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_arranging_and_papers_wait_for_nothing_that_finds_boards() -> None:
    code = "import grainmatch.pipeline.files, sys; print({'scipy', 'grainmatch.board'} & set(sys.modules))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "set()"
