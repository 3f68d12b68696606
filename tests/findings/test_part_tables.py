"""Expected lives and superseded numbers as people write them."""

from pathlib import Path

import pytest

from afterclear.config import shipped
from afterclear.errors import ConfigError
from afterclear.findings.parts.part_tables import EXPECTED, SUPERSEDED, PartTables, part_tables

LIVES = """
[families.glow_plug]
expected_km = 60000
source = "budget"

[parts."GP 10-1"]
expected_km = 20000
source = "supplier"
"""


def tables(folder: Path, lives: str = LIVES, superseded: str = "old,new,source\n") -> PartTables:
    (folder / EXPECTED).write_text(lives, encoding="utf-8")
    (folder / SUPERSEDED).write_text(superseded, encoding="utf-8")
    return part_tables(folder / EXPECTED, folder / SUPERSEDED)


def test_a_part_number_goes_before_its_family(tmp_path: Path) -> None:
    told = tables(tmp_path)
    by_number, by_family = told.expected("glow_plug", "gp101"), told.expected("glow_plug", "X")
    assert (by_number and by_number.km, by_family and by_family.km) == (20_000, 60_000)
    assert told.expected("egr_valve", "X") is None


def test_numbers_are_told_apart_by_letters_and_digits(tmp_path: Path) -> None:
    told = tables(tmp_path, superseded="old,new,source\nab 1.0,AB-2,bulletin\n")
    assert told.superseded_by == {"AB10": "AB2"}


@pytest.mark.parametrize(
    ("lives", "superseded", "said"),
    [
        ("[families.x]\nexpected_km = 0\n", "", "x: expected_km must be more than 0, but is 0"),
        ("[families]\nx = 5\n", "", "but is None"),
        ("[brands.x]\nexpected_km = 5\n", "", "there is no section 'brands'"),
        ("", "A1,,\n", "line 2: old and new must both name a part"),
        ("", "A1,B1,\nA1,C1,\n", "line 3: A1 has two successors"),
        ("", "A1,B1,\nB1,A1,\n", "A1 supersedes itself in a ring"),
    ],
)
def test_a_wrong_table_is_refused_with_its_place(
    tmp_path: Path, lives: str, superseded: str, said: str
) -> None:
    with pytest.raises(ConfigError, match=said):
        tables(tmp_path, lives, "old,new,source\n" + superseded)


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as refused:
        tables(tmp_path, "[families.x]\nexpected_km = -1\n", "old,new,source\nA1,,\n")
    assert len(str(refused.value).splitlines()) == 2


def test_the_shipped_tables_are_sound() -> None:
    told = part_tables(shipped("config") / EXPECTED, shipped("config") / SUPERSEDED)
    assert told.by_family
    assert all(life.source for life in told.by_family.values())
