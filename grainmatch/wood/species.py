"""The species table: how much each wood moves and weighs. Sources stand beside the numbers
in species.toml; a user's own woods come from a file of the same form."""

from __future__ import annotations

import difflib
import os
import statistics
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import platformdirs

from grainmatch.errors import WoodError

KG_M3_WATER = 1000.0

SpeciesKind = Literal["species", "group average", "imported"]
SourceMark = Literal["read twice", "read", "recomputed", "memory"]
_KINDS: tuple[SpeciesKind, ...] = ("species", "group average", "imported")
_MARKS: tuple[SourceMark, ...] = ("read twice", "read", "recomputed", "memory")
_LARGEST_FILE_BYTES = 1_000_000

# name of the number: lowest and highest value that can be wood
_NUMBERS: Mapping[str, tuple[float, float]] = {
    "radial_per_pct": (1e-5, 0.02),
    "tangential_per_pct": (1e-5, 0.02),
    "radial_shrinkage_pct": (0.05, 30.0),
    "tangential_shrinkage_pct": (0.05, 30.0),
    "volumetric_shrinkage_pct": (0.05, 50.0),
    "fibre_saturation_pct": (15.0, 40.0),
    "specific_gravity": (0.05, 1.5),
}


@dataclass(frozen=True)
class Source:
    """Where one number comes from, and how sure it is."""

    text: str
    mark: SourceMark


@dataclass(frozen=True)
class Species:
    """One wood.

    radial_per_pct, tangential_per_pct: fractional change of size for one per cent of moisture, based
    on the size at 10 % (C_R and C_T of the Wood Handbook, eq. 13-2). Shrinkages are green to
    oven-dry, in per cent. specific_gravity is oven-dry mass on the volume at 12 % moisture. sources
    names the source of every number given.
    """

    name: str
    radial_per_pct: float
    tangential_per_pct: float
    botanical: str = ""
    aliases: tuple[str, ...] = ()
    kind: SpeciesKind = "species"
    radial_shrinkage_pct: float | None = None
    tangential_shrinkage_pct: float | None = None
    volumetric_shrinkage_pct: float | None = None
    fibre_saturation_pct: float = 30.0
    specific_gravity: float | None = None
    note: str = ""
    sources: Mapping[str, Source] = field(default_factory=dict, hash=False, compare=False)

    @property
    def density_kg_m3(self) -> float | None:
        """Density at 12 % moisture, water included."""
        return None if self.specific_gravity is None else self.specific_gravity * 1.12 * KG_M3_WATER

    @property
    def from_memory(self) -> tuple[str, ...]:
        """The numbers nobody has verified."""
        return tuple(name for name, source in self.sources.items() if source.mark == "memory")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a reader should know before trusting the numbers of this wood."""
        words = {
            "group average": f"The figures for {self.name} are an average over a group of species.",
            "imported": f"The figures for {self.name} are of other data than the native woods.",
        }
        found = [words[self.kind]] if self.kind in words else []
        if {"radial_per_pct", "tangential_per_pct"} & set(self.from_memory):
            found.append(f"The movement of {self.name} is given from memory, not verified.")
        return (*found, *([self.note] if self.note else []))


def find_species(name: str, *, user_file: Path | None = None) -> Species:
    """The species of that common name, botanical name or alias; the user's own woods come first.

    user_file: where those are kept, None for `own_species_file`. Raises WoodError, with the closest
    names, when it is unknown or when a word such as `oak` fits several woods.
    """
    table = read_species_table(user_file=user_file)
    wanted = _plain(name)
    names = _index_built_in() if table is _built_in() else _index_names(table)
    if wanted in names:
        return names[wanted]
    inside = [s.name for s in table if wanted and wanted in _plain(" ".join((s.name, *s.aliases))).split()]
    if inside:
        raise WoodError(f"'{name}' can be several woods.", f"Say which: {_listed(inside)}.")
    close = _find_close(wanted, table)
    if close:
        raise WoodError(f"The wood '{name}' is not in the table.", f"Did you mean {_listed(close)}?")
    raise WoodError(
        f"The wood '{name}' is not in the table.",
        "Use a name such as 'black cherry' or 'red oak', or add the wood to your own species file.",
    )


def read_species_table(*, user_file: Path | None = None) -> tuple[Species, ...]:
    """All known woods, the user's own first; a wood of the user replaces one of the same name and
    keeps its aliases.

    Raises WoodError when the user's file cannot be read or holds something impossible.
    """
    own_file = user_file or own_species_file()
    if not own_file.exists():
        return _built_in()
    own = _parse_table(_read_text(own_file), own_file.name)
    known = {_plain(s.name): s for s in _built_in()}
    replaced = {_plain(s.name): known.pop(_plain(s.name)) for s in own if _plain(s.name) in known}
    kept_names = (
        replace(s, aliases=(*s.aliases, *replaced[_plain(s.name)].aliases))
        if _plain(s.name) in replaced
        else s
        for s in own
    )
    return (*kept_names, *known.values())


def own_species_file() -> Path:
    """Where the user may keep woods of their own: the file named in GRAINMATCH_SPECIES, else species.toml
    in the user's configuration folder."""
    named = os.environ.get("GRAINMATCH_SPECIES")
    return Path(named) if named else Path(platformdirs.user_config_dir("grainmatch", False)) / "species.toml"


@cache
def middling_species() -> Species:
    """A wood that moves and weighs as the middle of the table, for boards of no stated species."""
    table = [s for s in _built_in() if s.kind == "species"]
    return Species(
        name="unknown wood",
        radial_per_pct=statistics.median(s.radial_per_pct for s in table),
        tangential_per_pct=statistics.median(s.tangential_per_pct for s in table),
        specific_gravity=statistics.median(s.specific_gravity for s in table if s.specific_gravity),
        note="Species not given: counted as the middle of the table.",
    )


@cache
def _built_in() -> tuple[Species, ...]:
    text = files("grainmatch.wood").joinpath("species.toml").read_text(encoding="utf-8")
    return _parse_table(text, "species.toml")


def _read_text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise WoodError(f"The species file {path.name} is too large.", "Keep it under 1 MB.")
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise WoodError(
            f"The species file {path.name} cannot be read.", "Check that it is a plain UTF-8 text file."
        ) from problem


def _parse_table(text: str, file_name: str) -> tuple[Species, ...]:
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise WoodError(
            f"The species file {file_name} is not valid TOML: {problem}.",
            "Mend that line, or start again from the example at the top of species.toml.",
        ) from problem
    rows, titles = raw.get("species", []), raw.get("sources", {})
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise WoodError(f"The file {file_name} holds no list of woods.", "Begin each wood with [[species]].")
    titles = {str(k): str(v) for k, v in titles.items()} if isinstance(titles, dict) else {}
    return tuple(_parse_species(row, titles, file_name) for row in rows)


def _parse_species(row: Mapping[str, Any], titles: Mapping[str, str], file_name: str) -> Species:
    name = row.get("name")
    if not isinstance(name, str) or not _plain(name) or len(name) > 80:
        raise WoodError(f"A wood in {file_name} has no name.", 'Give it a line such as name = "pear".')
    values: dict[str, float] = {}
    sources: dict[str, Source] = {}
    for key in _NUMBERS.keys() & row.keys():
        values[key], sources[key] = _parse_number(name, key, row[key], titles)
    for key in ("radial_per_pct", "tangential_per_pct"):
        if key not in values:
            raise WoodError(f"The wood '{name}' in {file_name} has no {key}.", f"Add a line {key} = 0.00200.")
    aliases = row.get("aliases", [])
    if not isinstance(aliases, list) or not all(isinstance(a, str) for a in aliases):
        raise WoodError(f"The aliases of '{name}' are not a list of names.", 'Write aliases = ["a", "b"].')
    kind = next((k for k in _KINDS if k == row.get("kind", "species")), None)
    if kind is None:
        raise WoodError(f"The kind of '{name}' is unknown.", f"Use one of: {', '.join(_KINDS)}.")
    return Species(
        name=name,
        botanical=str(row.get("botanical", "")),
        aliases=tuple(aliases),
        kind=kind,
        note=str(row.get("note", "")),
        sources=sources,
        **values,
    )


def _parse_number(name: str, key: str, raw: object, titles: Mapping[str, str]) -> tuple[float, Source]:
    """A plain number (the user's own), or a table of value, source and mark."""
    table: Mapping[str, Any] = raw if isinstance(raw, dict) else {"value": raw}
    value, (low, high) = table.get("value"), _NUMBERS[key]
    # NaN fails the comparison too
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise WoodError(
            f"The {key} of '{name}' is not a possible number.", f"Give a number from {low:g} to {high:g}."
        )
    mark: SourceMark = next((m for m in _MARKS if m == table.get("mark")), "memory")
    key_of_source = str(table.get("source", "the user's own figure"))
    return float(value), Source(titles.get(key_of_source, key_of_source), mark)


def _index_names(table: Sequence[Species]) -> dict[str, Species]:
    """Every name to its species. Earlier woods win, and own names win over aliases."""
    index: dict[str, Species] = {}
    for species in table:
        index.setdefault(_plain(species.name), species)
    for species in table:
        for alias in (*species.aliases, species.botanical):
            if _plain(alias):
                index.setdefault(_plain(alias), species)
    return index


@cache
def _index_built_in() -> dict[str, Species]:
    return _index_names(_built_in())


def _find_close(wanted: str, table: Sequence[Species]) -> list[str]:
    """Names of woods that resemble a misspelt one, as a whole or in one of their words."""
    whole = _index_names(table)
    words = {word: s for s in reversed(table) for word in _plain(s.name).split()}
    close = [
        *difflib.get_close_matches(wanted, whole, n=3, cutoff=0.75),
        *difflib.get_close_matches(wanted, words, n=2, cutoff=0.75),
    ]
    found: dict[str, None] = {}
    for match in close:
        if match in whole:
            found[whole[match].name] = None
        else:
            found.update(dict.fromkeys(s.name for s in table if match in _plain(s.name).split()))
    return list(found)


def _plain(text: str) -> str:
    """Lower case, single blanks, hyphens as blanks: `Yellow-Poplar` and `yellow poplar` are one."""
    return " ".join(text.casefold().replace("-", " ").split())


def _listed(names: Sequence[str]) -> str:
    names = names[:8]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]
