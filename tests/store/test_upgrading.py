"""Stores of every schema there was come up to date with all their rows, killed on the way or not.

A schema is made by the migrations that were there then, which are never edited; its rows stand in
``data/rows_by_schema.sql``.  A store that an old program really wrote is tried in ``test_care.py``.
"""

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.finding_tables.registry import STORED
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import open_store, query
from afterclear.store.engine.migrations import known_migrations
from afterclear.store.merging.scan_parts import PARTS
from afterclear.store.upkeep.checks import check_rows
from tests.campaigns import counted, counted_kills, repeats
from tests.faults.garage_work import garage_app, killed_at
from tests.faults.older_store import schema_made
from tests.store.care_fixture import export_text

NOW: Final = datetime(2026, 2, 1, 12, tzinfo=UTC)
_ROWS: Final = Path(__file__).with_name("data") / "rows_by_schema.sql"
SECTIONS: Final = dict(
    re.findall(
        r"^-- (\d{4}_\w+\.sql)\n(.*?)(?=^-- \d{4}|\Z)", _ROWS.read_text(), re.MULTILINE | re.DOTALL
    )
)
# tables whose rows no analysis makes again; ``scans`` is a view of three tables since 0027
FILLED: Final = re.findall(r"INSERT INTO (\w+)", "".join(SECTIONS.values()))
LASTING: Final = sorted(set(FILLED) - {"stale_vehicles"})
# what an analysis makes, or what stands only while something is under way
MADE_AGAIN: Final = {
    *("attempts", "clears_placed", "episodes", "evidence_runs", "fault_watch", "fix_numbers"),
    *("known_units", "onsets", "order_texts", "other_moments", "other_readings"),
    *("unit_notes", "unit_patterns"),
    *("scan_moments", "sightings", "stock", "stock_reasons", "unit_watch", "vehicle_clocks"),
    *("vehicle_words", "verdicts", "watched", "worklist"),
    *("forgetting", "forgetting_files", "migrations", "unfinished"),
}
# how many asks of an upgrade lie between two kills
STEP: Final = max(1, 16 // repeats(1))


def store_of(folder: Path, last: str) -> dict[str, list[tuple[Any, ...]]]:
    """Make a store as the program with this last migration left it; give its lasting rows."""
    con = Connection({"store": folder / "garage.duckdb"}, read_only=False)
    for name in schema_made(con, last):
        if name in SECTIONS:
            con.script(SECTIONS[name])
    found = rows_of(con, None)
    con.close()
    return found


def columns(con: Connection) -> dict[str, list[str]]:
    """Name every table's columns, with their types."""
    sql = """SELECT table_name, list(column_name || ' ' || data_type ORDER BY column_name)
             FROM duckdb_columns() JOIN duckdb_tables() USING (schema_name, table_name)
             WHERE schema_name = 'main' GROUP BY table_name"""
    return dict(con.execute(sql).fetchall())


def rows_of(
    con: Connection, like: dict[str, list[tuple[Any, ...]]] | None
) -> dict[str, list[tuple[Any, ...]]]:
    """Give the rows of the lasting tables; ``like``: only tables and columns that it has."""
    there = {*columns(con), "scans"}
    found = {}
    for table in LASTING if like is None else like:
        if table in there:
            n = len(like[table][0]) if like else 0
            cells = con.execute(f"FROM {table} ORDER BY ALL").fetchall()
            found[table] = [row[: n or None] for row in cells]
    return found


@pytest.fixture(scope="module")
def newest(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """Give the tables and columns of a new store."""
    with open_store(tmp_path_factory.mktemp("newest") / "garage.duckdb") as con:
        return columns(con)


@pytest.mark.slow
@pytest.mark.parametrize(
    "schema", [name for name in known_migrations() if name != "0001_plain.sql"]
)
def test_a_store_of_each_schema_comes_up_to_date_with_all_its_rows(
    tmp_path: Path, schema: str, newest: dict[str, list[str]]
) -> None:
    before = store_of(tmp_path, schema)
    with open_store(tmp_path / "garage.duckdb") as con:
        assert columns(con) == newest
        assert rows_of(con, before) == before
        assert [f.says for f in check_rows(con) if f.n_breaches] == []


@pytest.mark.slow
def test_every_table_that_lasts_has_a_row_in_some_schema(newest: dict[str, list[str]]) -> None:
    """A new table that no analysis fills needs a section of its own: else nobody tries it."""
    assert set(newest) - set(STORED) - MADE_AGAIN - set(PARTS) == set(FILLED) - {"scans"}


@pytest.mark.slow
def test_an_upgrade_killed_at_any_moment_goes_on(tmp_path: Path) -> None:
    n_kills = 0
    for asks in range(1, 1_000, STEP):
        folder = tmp_path / f"{asks}"
        folder.mkdir()
        before = store_of(folder, "0009_narrow.sql")
        end = killed_at(folder, NOW, asks, ("upgrade",))
        with open_store(folder / "garage.duckdb") as con:
            names = query(con, "SELECT name FROM migrations ORDER BY name")["name"].to_list()
            assert names == known_migrations()
            assert rows_of(con, before) == before
        left = {p.name for p in folder.iterdir()} - {"garage.duckdb", "garage.duckdb.lock"}
        # the store before all of it, and perhaps the one on which a killed upgrade went on
        assert "garage.duckdb.before-0010_watch" in left
        assert len(left) <= 2
        assert all(name.startswith("garage.duckdb.before-") for name in left)
        if end == "done":
            break
        n_kills += 1
    counted(n_kills, "upgrades killed on the way")
    counted_kills({"upgrade": n_kills})
    print(f"\n{n_kills} upgrades killed on the way")
    assert n_kills > 3


@pytest.mark.slow
def test_what_is_judged_does_not_depend_on_the_schema_a_store_came_from(tmp_path: Path) -> None:
    said = []
    for schema in ("0002_histories.sql", "0012_replay_left.sql", known_migrations()[-1]):
        folder = tmp_path / schema
        folder.mkdir()
        store_of(folder, schema)
        app = garage_app(folder, NOW)
        analyse(app)
        said.append({name: export_text(app, name) for name in ("attempts", "evidence")})
    assert said[0] == said[1] == said[2]
    assert "P0301" in said[0]["attempts"]
