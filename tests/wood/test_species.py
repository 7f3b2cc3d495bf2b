"""The species table against the handbook's own arithmetic, and the user's file against bad input."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grainmatch.errors import WoodError
from grainmatch.wood.shrinkage import coefficient_from_shrinkage, shrinkage_from_coefficient_pct
from grainmatch.wood.species import Species, find_species, middling_species, read_species_table

NATIVE_WITH_BOTH = [
    s for s in read_species_table() if s.kind == "species" and s.radial_shrinkage_pct is not None
]


@pytest.mark.parametrize("species", NATIVE_WITH_BOTH, ids=lambda s: s.name)
def test_coefficients_follow_from_total_shrinkage(species: Species) -> None:
    # Wood Handbook FPL-GTR-190: Table 13-5 (C) against Table 4-3 (S), typed in from separate tables. Rows
    # marked "memory" in species.toml are from memory on one side or both.
    assert species.radial_shrinkage_pct is not None
    assert species.tangential_shrinkage_pct is not None
    for shrinkage, coefficient in (
        (species.radial_shrinkage_pct, species.radial_per_pct),
        (species.tangential_shrinkage_pct, species.tangential_per_pct),
    ):
        assert coefficient_from_shrinkage(shrinkage, species.fibre_saturation_pct) == pytest.approx(
            coefficient, abs=1e-5
        )


def test_table_is_large_and_every_number_names_its_source() -> None:
    table = read_species_table()
    assert len(table) >= 40
    assert len(NATIVE_WITH_BOTH) >= 38
    for species in table:
        given_numbers = {
            key
            for key in ("radial_per_pct", "tangential_per_pct", "specific_gravity")
            if getattr(species, key) is not None
        }
        assert given_numbers <= species.sources.keys(), species.name
        assert species.radial_per_pct < species.tangential_per_pct, species.name
        assert species.botanical, species.name
    assert len({s.name.casefold() for s in table}) == len(table)


@pytest.mark.parametrize(
    ("name", "radial", "tangential"),
    [
        # Wood Handbook FPL-GTR-190, Table 13-5, each read in two texts
        ("cherry", 0.00126, 0.00248),
        ("Quercus rubra", 0.00158, 0.00369),
        ("HARD  maple", 0.00165, 0.00353),
        ("american-beech", 0.00190, 0.00431),
        ("walnut", 0.00190, 0.00274),
    ],
)
def test_names_aliases_and_botanical_names_are_found(name: str, radial: float, tangential: float) -> None:
    species = find_species(name)
    assert (species.radial_per_pct, species.tangential_per_pct) == (radial, tangential)


def test_group_averages_and_imported_woods_are_flagged() -> None:
    assert find_species("red oak").kind == "group average"
    assert "average over a group" in " ".join(find_species("red oak").cautions)
    assert find_species("mahogany").kind == "imported"
    assert "disagree" in " ".join(find_species("teak").cautions)
    assert find_species("cherry").cautions == ()


def test_density_at_12_per_cent() -> None:
    assert find_species("cherry").density_kg_m3 == pytest.approx(
        560
    )  # 0.50 on the volume at 12 %, and 12 % water


@pytest.mark.parametrize(
    ("name", "hint"),
    [("mapel", "hard maple"), ("chery", "black cherry"), ("oak", "white oak"), ("", "black cherry")],
)
def test_unknown_wood_is_refused_with_a_way_on(name: str, hint: str) -> None:
    with pytest.raises(WoodError) as caught:
        find_species(name)
    assert hint in caught.value.advice


def test_users_wood_comes_first(tmp_path: Path) -> None:
    own = tmp_path / "species.toml"
    own.write_text(
        '[[species]]\nname = "pear"\naliases = ["Birne"]\nradial_per_pct = 0.0017\n'
        "tangential_per_pct = 0.0031\n"
        '[[species]]\nname = "Black Cherry"\nradial_per_pct = 0.001\ntangential_per_pct = 0.002\n',
        encoding="utf-8",
    )
    assert find_species("birne", user_file=own).tangential_per_pct == 0.0031
    assert find_species("cherry", user_file=own).radial_per_pct == 0.001
    assert find_species("black cherry").radial_per_pct == 0.00126
    assert find_species("cherry", user_file=tmp_path / "not there.toml").radial_per_pct == 0.00126


@pytest.mark.parametrize(
    "text",
    [
        "name = ",
        "species = 3",
        "[[species]]\nradial_per_pct = 0.002",
        '[[species]]\nname = "x"\nradial_per_pct = 0.002',
        '[[species]]\nname = "x"\nradial_per_pct = nan\ntangential_per_pct = 0.002',
        '[[species]]\nname = "x"\nradial_per_pct = 2\ntangential_per_pct = 0.002',
        '[[species]]\nname = "x"\nradial_per_pct = true\ntangential_per_pct = 0.002',
        '[[species]]\nname = "x"\nradial_per_pct = 0.001\ntangential_per_pct = 0.002\naliases = "y"',
        '[[species]]\nname = "x"\nradial_per_pct = 0.001\ntangential_per_pct = 0.002\nkind = "tree"',
        '[[species]]\nname = "x"\nradial_per_pct = 1' + "0" * 400 + "\ntangential_per_pct = 0.002",
    ],
)
def test_bad_species_file_is_refused_in_words(tmp_path: Path, text: str) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text, encoding="utf-8")
    with pytest.raises(WoodError) as caught:
        read_species_table(user_file=own)
    assert caught.value.message
    assert caught.value.advice


def test_binary_species_file_is_refused_in_words(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_bytes(b"\xff\xfe\x00[[species]]")
    with pytest.raises(WoodError):
        read_species_table(user_file=own)


@given(st.floats(0.1, 25.0), st.floats(20.0, 32.0))
def test_shrinkage_and_coefficient_are_inverse(shrinkage: float, saturation: float) -> None:
    coefficient = coefficient_from_shrinkage(shrinkage, saturation)
    assert shrinkage_from_coefficient_pct(coefficient, saturation) == pytest.approx(shrinkage, rel=1e-9)


def test_middling_wood_lies_in_the_middle() -> None:
    wood = middling_species()
    below = sum(
        s.tangential_per_pct < wood.tangential_per_pct for s in read_species_table() if s.kind == "species"
    )
    above = sum(
        s.tangential_per_pct > wood.tangential_per_pct for s in read_species_table() if s.kind == "species"
    )
    assert abs(below - above) <= 3


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode), st.booleans())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_species_file_is_read_or_refused_in_words(tmp_path: Path, content: bytes, headed: bool) -> None:
    own = tmp_path / "own.toml"
    own.write_bytes((b'[[species]]\nname = "x"\n' if headed else b"") + content)
    try:
        table = read_species_table(user_file=own)
    except WoodError:
        return
    assert len(table) >= 80
