"""Did it help: changes as people write them down, and what is told of them."""

from collections.abc import Iterator
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from afterclear.commands.analysis.fleet_findings import changes_told
from afterclear.config import shipped
from afterclear.digest.audience.compared import changed_view
from afterclear.errors import ConfigError
from afterclear.finding_tables.interventions import Intervention
from afterclear.findings.interventions.read_interventions import Change, read_interventions
from afterclear.store.engine.database import Connection
from afterclear.wording.cells import Cells
from afterclear.wording.language import GAP
from tests.findings.found import found, rows
from tests.histories.story import CATALOGUE, Story

COMPONENTS = frozenset(CATALOGUE.lexicon.components)
HEAD = '[[intervention]]\nname = "A"\nfrom = 2025-06-01\n'


def read(tmp_path: Path, text: str) -> tuple[Change, ...]:
    path = tmp_path / "interventions.toml"
    path.write_text(text, encoding="utf-8")
    return read_interventions(path, COMPONENTS)


def test_the_example_in_the_shipped_table_can_be_read(tmp_path: Path) -> None:
    shown = (shipped("config") / "interventions.toml").read_text("utf-8").splitlines()
    first = shown.index("# [[intervention]]")
    example = shown[first : shown.index("#", first)]
    (change,) = read(tmp_path, "\n".join(line.removeprefix("# ") for line in example))
    assert change.sites == ("Orrinby",)
    assert not read_interventions(shipped("config") / "interventions.toml", COMPONENTS)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[change]", "no section 'change'"),
        ("intervention = 1", r"begins with \[\[intervention\]\]"),
        ('[[intervention]]\nfrom = 2025-06-01\nsites = ["A"]', "needs a name"),
        ('[[intervention]]\nname = "A"\nsites = ["A"]', "needs from"),
        (HEAD, "does not say who is touched"),
        (HEAD + 'site = "A"', "no key 'site'; there are name"),
        (HEAD + 'sites = "A"', "list of texts"),
        (HEAD + 'sites = ["A"]\nto = 2025-05-31', "lies before"),
        (HEAD + 'sites = ["A"]\nto = "soon"', "must be a day"),
        (HEAD + 'sites = ["A"]\ncomponents = ["hose B"]', "'hose B' is no component"),
        (HEAD + 'sites = ["A"]\nmeasures = "cost"', "failing_fixes or new_faults"),
        (HEAD + 'sites = ["A"]\nbefore_days = 0', "whole number above 0"),
        (HEAD + 'brands = ["A"]\nmeasures = "new_faults"', "which fixes are touched"),
        ((HEAD + 'sites = ["A"]\n') * 2, r"intervention 2 \('A'\): another change"),
    ],
)
def test_a_wrong_change_is_named_with_what_is_expected(
    tmp_path: Path, text: str, said: str
) -> None:
    with pytest.raises(ConfigError, match=said):
        read(tmp_path, text)


def test_all_wrong_changes_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as wrong:
        read(tmp_path, HEAD + HEAD.replace('"A"', '"B"'))
    assert str(wrong.value).count("does not say who is touched") == 2


CODE = "P0301"
N = 9  # fixes at each site before and after


def fix(name: str, day: float, site: str, *, cures: bool) -> Story:
    story = Story(name).scan(day - 10, 1000, engine=[CODE])
    story.repair(day, 1200, site=site, action="replace", part_family="ignition coil", codes=CODE)
    story.clear(day + 0.1, 1200)
    if not cures:
        return story.scan(day + 10, 1500, engine=[CODE])
    for more, km in ((20, 3000), (60, 9000), (90, 21_000)):
        story.scan(day + more, km, engine=[])
    return story


def fleet() -> list[Story]:
    """Velmarsh mends its ways from day 100 on; at Orrinby as many fail as before."""
    share = {("V", 0): 7, ("V", 1): 0, ("O", 0): 4, ("O", 1): 5}
    return [
        fix(f"{site}{late}{n}", 20 + 100 * late + n / 10, named, cures=n >= share[site, late])
        for site, named in (("V", "Velmarsh"), ("O", "Orrinby"))
        for late in (0, 1)
        for n in range(N)
    ]


CHANGES = """
[[intervention]]
name = "Velmarsh fits coil B"
from = 2025-04-01
sites = ["velmarsh"]
components = ["misfire"]

[[intervention]]
name = "Orrinby cleans"
from = 2025-04-01
sites = ["Orrinby"]

[[intervention]]
name = "coils of one number"
from = 2025-04-01
part_numbers = ["XV 1"]

[[intervention]]
name = "not yet"
from = 2035-04-01
sites = ["Orrinby"]

[[intervention]]
name = "software"
from = 2025-04-01
vehicles = ["V00", "V01"]
measures = "new_faults"

[[intervention]]
name = "from the day of an order on"
from = 2025-05-02
to = 2025-09-28
vehicles = ["V15"]
"""
ZONE = "Pacific/Auckland"  # midnight there is noon of the day before; 28 September has 23 hours


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    changes = read(tmp_path_factory.mktemp("changes"), CHANGES)
    with found(
        tmp_path_factory.mktemp("interventions"), *fleet(), changes=changes, zone=ZONE
    ) as con:
        yield con


def told(con: Connection) -> dict[str, dict[str, Any]]:
    return {row["name"]: row for row in rows(con, "interventions")}


def test_a_change_that_helped_is_told_with_how_many_fewer_fail(store: Connection) -> None:
    row = told(store)["Velmarsh fits coil B"]
    assert row["told"] == "helped"
    assert (row["n_before"], row["n_after"], row["others_n_before"]) == (N, N, N)
    assert row["share_before"] == pytest.approx(7 / N, abs=0.15)
    assert row["share_after"] < 0.08
    assert 0 < row["apart_low"] < row["apart"] < row["apart_high"] < 100
    assert row["sentence"].startswith(f"Of 100 fixes {row['apart']:.1f} fewer fail since (95 %: ")


def test_the_others_seen_from_their_side_fail_more_and_are_too_few_to_tell(
    store: Connection,
) -> None:
    row = told(store)["Orrinby cleans"]
    assert (row["told"], row["apart"]) == ("too_few", None)
    assert row["ratio"] > 1
    assert row["sentence"].startswith("Too few to tell")


def test_what_touches_nothing_or_has_not_begun_is_said_to(store: Connection) -> None:
    assert told(store)["coils of one number"]["told"] == "nobody_touched"
    assert told(store)["not yet"]["told"] == "too_early"


def test_two_vehicles_are_too_few(store: Connection) -> None:
    row = told(store)["software"]
    assert (row["told"], row["ratio"]) == ("too_few", None)
    assert row["km_before"] > 0


def test_an_order_of_the_first_day_counts_as_since_by_the_days_of_the_pages(
    store: Connection,
) -> None:
    row = told(store)["from the day of an order on"]
    assert (row["n_before"], row["n_after"]) == (0, 1)
    assert row["begins_at"] == datetime(2025, 5, 1, 12)  # noqa: DTZ001 - as the store has it
    own = {each.name: row[each.name] for each in fields(Intervention)}
    view = changed_view([Intervention(**own)], Cells(zone=ZONE))
    assert view is not None
    assert view.lines[0].when.replace(GAP, " ") == "2 May 2025 to 28 Sep 2025"


def test_the_touched_fixes_are_listed_with_their_side(store: Connection) -> None:
    listed = [r for r in rows(store, "intervention_fixes") if r["name"] == "Velmarsh fits coil B"]
    assert [r["is_after"] for r in listed] == [False] * N + [True] * N


def test_an_analysis_ends_with_a_line_for_each_change(store: Connection) -> None:
    lines = changes_told(store)
    assert len(lines) == 6
    assert "not yet: It has not begun." in lines
    assert any(line.startswith("Velmarsh fits coil B: Of 100 fixes ") for line in lines)
