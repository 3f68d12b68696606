"""Text of a delivery never becomes a command to the database.

The words below are put wherever a person or a file can put a word: keys, headings, columns,
cells, file names, folders, names of vehicles, import maps.  They must come out as they went in,
and nothing else may happen.
"""

import json
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.analysis.deciding import Asked, decide
from afterclear.commands.app import App
from afterclear.commands.forgetting import forget
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.mapping import check_file
from afterclear.commands.pages.write_digests import digest
from afterclear.commands.queries.exporting import export_file, export_frame
from afterclear.commands.queries.vehicle_story import vehicle_story
from afterclear.commands.upkeep import check, vacuum
from afterclear.config import Config
from afterclear.errors import StoreError, UsageError
from afterclear.store.engine.database import open_store, query
from tests.store.deliveries import HEAD, load, rows, write

pytestmark = pytest.mark.slow

HOSTILE = (
    "driver's name",
    'he said "stop"',
    "'; DROP TABLE scans; --",
    '"; DELETE FROM scans; /*',
    "*/ $$ -- # \\",
    "{x} {0} ${v0} $1 ? :a %s",
    "a'||(SELECT content FROM read_text('/etc/hostname'))||'b",
    "z\u200b\u202e\U0001f69a Ä ~ / ~1 $.a[0]",
    "two\nlines;\ttabbed",
    "end\\'",
)
_AT = "2026-03-0{}T08:00:00Z"


def app_in(folder: Path) -> App:
    config = folder / "config"
    config.mkdir(parents=True)
    return App(Config(config), folder / "store.duckdb", lambda: datetime(2026, 5, 1, tzinfo=UTC))


def take(app: App, *paths: Path) -> list[str]:
    """Load and give what became of each file."""
    report = load_paths(app, paths, Whose(), lambda _: None)
    return [
        f"{r.outcome} {r.rows_stored} {r.rows_rejected} {r.note}".strip() for r in report.results
    ]


def row(**more: object) -> dict[str, object]:
    return {"scan_id": "S1", "vehicle_id": "V1", "scanned_at": _AT.format(1), "ecu": "x", **more}


def jsonl(folder: Path, name: str, *found: dict[str, object]) -> Path:
    return write(folder, name, "".join(json.dumps(r) + "\n" for r in found))


def test_an_attack_by_a_key_runs_nothing_and_its_file_is_loaded_as_any_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("YARD_PASSWORD", "a-password-of-a-source")
    store, loot = tmp_path / "s.duckdb", tmp_path / "loot.csv"
    load(store, write(tmp_path, "a.csv", HEAD + f"S0,V1,{_AT.format(1)},10,x,P0301,\n"))
    key = (
        "' || 'x' || chr(34))::VARCHAR AS extras, NULL::BIGINT AS _nth, t.cells AS cells "
        "FROM (SELECT json_object() AS cells) t)); "
        f"COPY (SELECT content FROM read_text('/proc/self/environ')) TO '{loot}'; "
        "DELETE FROM store.scans; "
        "SELECT * FROM (SELECT * FROM (SELECT json_object('a', '"
    )
    result = load(store, jsonl(tmp_path, "b.jsonl", row(**{key: 1})))
    assert not loot.exists()
    assert rows(store, "SELECT count(*) FROM scans") == [(2,)]
    assert result[0].outcome == "stored"
    assert rows(store, "SELECT extras FROM scans WHERE extras NOT NULL") == [
        (json.dumps({key: 1}, separators=(",", ":")),)
    ]


@pytest.mark.parametrize("word", HOSTILE)
def test_a_json_key_may_be_any_text(tmp_path: Path, word: str) -> None:
    store = tmp_path / "s.duckdb"
    (result,) = load(
        store, jsonl(tmp_path, "a.jsonl", row(**{word: word}), row(scan_id="S2"), row(ecu=None))
    )
    assert (result.rows_stored, result.rows_rejected) == (2, 1)
    kept = [json.loads(str(x)) for (x,) in rows(store, "SELECT extras FROM scans ORDER BY scan_id")]
    assert kept == [{word: word}, {word: None}]
    (refused,) = rows(store, "SELECT row_json FROM rejections")
    assert json.loads(str(refused[0])) == row(ecu=None)


def test_a_json_key_may_be_empty_hold_a_nul_and_be_called_like_our_own_columns(
    tmp_path: Path,
) -> None:
    store = tmp_path / "s.duckdb"
    odd = {
        "": 1,
        "n\0l": 2,
        "cells": 3,
        "extras": 4,
        "_nth": 5,
        "line": 6,
        "_line": 7,
        "load_id": 8,
    }
    load(store, jsonl(tmp_path, "a.jsonl", row(**odd)))
    ((kept,),) = rows(store, "SELECT extras FROM scans")
    assert json.loads(str(kept)) == odd


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_heading_may_be_any_text(tmp_path: Path, form: str) -> None:
    store = tmp_path / "s.duckdb"
    odd = ["_line", "cells", "extras", "load_id", "VEHICLE_ID", "c0", "raw:code", *HOSTILE]
    cells = row() | {name: f"cell {i} {name}" for i, name in enumerate(odd)}
    frame = pl.DataFrame([cells, row(scan_id="S2", scanned_at="never")])
    path = tmp_path / f"a.{form}"
    frame.write_csv(path) if form == "csv" else frame.write_parquet(path)
    (result,) = load(store, path)
    assert (result.outcome, result.rows_stored, result.rows_rejected) == ("stored", 1, 1)
    ((kept,),) = rows(store, "SELECT extras FROM scans")
    assert json.loads(str(kept)) == {name: cells[name] for name in odd}
    ((line, refused),) = rows(store, "SELECT line, row_json FROM rejections")
    assert json.loads(str(refused))["scanned_at"] == "never"
    assert list(json.loads(str(refused))) == list(cells)
    # line breaks in the heading and in the row before push it down
    assert line == (2 if form == "parquet" else 3 + sum(h.count("\n") for h in HOSTILE) * 2)


def test_files_and_folders_may_be_called_anything(tmp_path: Path) -> None:
    word = "; ".join(w for w in HOSTILE if not set(w) & set("/\\?"))[:80]
    place = tmp_path / f"yard {word} [a]*"
    place.mkdir()
    app = app_in(place)
    told = take(
        app,
        write(place, f"scans {word}.csv", HEAD + f"S1,V1,{_AT.format(1)},10,x,P0301,\n"),
        jsonl(place, f"more {word}.jsonl", row(scan_id="S2")),
    )
    assert told == ["stored 1 0", "stored 1 0"]
    analyse(app)
    for form in ("csv", "parquet", "jsonl"):
        assert export_file(app, "scans", form, place / f"out {word}.{form}") == 2
    assert vacuum(app, app.retention).left_over == 0
    assert not check(app, quick=True).wrong
    left = {p.name for p in place.iterdir() if p.is_file()}
    assert {n for n in left if n.startswith("store.duckdb")} <= {
        "store.duckdb",
        "store.duckdb.lock",
    }


@pytest.mark.parametrize("sign", ["?", "\\"])
def test_a_store_is_not_put_where_the_database_would_misread_its_path(
    tmp_path: Path, sign: str
) -> None:
    place = tmp_path / f"yard{sign}1"
    place.mkdir()
    with pytest.raises(StoreError, match="question mark"), open_store(place / "s.duckdb"):
        pass
    assert [p.name for p in place.iterdir() if p.name != "s.duckdb.lock"] == []
    assert [p.name for p in tmp_path.iterdir()] == [place.name]


@pytest.mark.slow
def test_every_cell_of_every_table_may_hold_any_text_from_load_to_page(tmp_path: Path) -> None:
    app = app_in(tmp_path)
    vehicles, scans, clears, repairs = [], [], [], []
    for i, word in enumerate(HOSTILE):
        at = [f"2026-0{month}-1{i}T08:00:00Z" for month in (1, 2, 3, 4)]
        own = {"vehicle_id": word}
        vehicles.append(
            own | dict.fromkeys(("vin", "plate", "make", "model", "site", "powertrain"), word)
        )
        scans += [
            own
            | {"scan_id": f"{word}{j}", "scanned_at": x, "odometer_km": 1000 * j, "ecu": word}
            | {"code": f"P030{j % 2}", "description": word, "lamps": word, "ecu_vin": word}
            for j, x in enumerate(at)
        ]
        clears.append(own | {"cleared_at": at[1], "ecu": word, "reason": word})
        work = ("site", "technician", "part_number", "part_brand", "part_family", "position")
        repairs.append(
            own
            | {"repair_id": word, "repaired_at": at[1], "codes": "P0301", "action": "replace"}
            | dict.fromkeys((*work, "currency", "notes"), word)
        )
    files = [
        jsonl(tmp_path, f"{n}.jsonl", *found)
        for n, found in (("v", vehicles), ("s", scans), ("c", clears), ("r", repairs))
    ]
    doubts = "VINs to look at: 10 ('afterclear export identity_conflicts')"
    assert take(app, *files) == [
        f"stored 10 0 {doubts}",
        f"stored 40 0 {doubts}",
        "stored 10 0",
        "stored 10 0",
    ]
    analyse(app)
    digest(app)
    for table, column, found in (
        ("vehicles", "plate", vehicles),
        ("scans", "description", scans),
        ("clears", "reason", clears),
        ("repairs", "notes", repairs),
    ):
        told = export_frame(app, table)[column].to_list()
        assert sorted(told) == sorted(x[column] for x in found)
    for word in HOSTILE:
        assert vehicle_story(app, word).n_scans == 4
        decide(app, Asked(vehicle_id=word, word="accept", by=word, note=word))
        with pytest.raises(UsageError):
            decide(app, Asked(vehicle_id="none " + word, word="accept", by=word, ecu=word))
    assert export_frame(app, "decisions")["note"].sort().to_list() == sorted(HOSTILE)
    forget(app, HOSTILE[2])
    assert export_frame(app, "vehicles").height == len(HOSTILE) - 1
    assert not check(app, quick=True).wrong


def test_codes_units_and_zones_of_a_map_may_hold_any_text(tmp_path: Path) -> None:
    app = app_in(tmp_path)
    (app.config.imports).mkdir()
    heads = [w for w in HOSTILE if "\n" not in w]
    lines = [
        'about = "A list of readings"',
        'kind = "delimited"',
        'files = ["yard*.txt"]',
        'delimiter = "|"',
        "[[table]]",
        'into = "scans"',
        "[table.columns]",
        f"scan_id = {json.dumps(heads[0])}",
        f"vehicle_id = {json.dumps(heads[1])}",
        f"scanned_at = {json.dumps(heads[2])}",
        f"ecu = {{ value = {json.dumps(heads[3])} }}",
        f"description = {json.dumps(heads[4])}",
    ]
    (app.config.imports / "yard.toml").write_text("\n".join(lines), encoding="utf-8")
    body = "|".join(f'"{h.replace(chr(34), chr(34) * 2)}"' for h in heads)
    cells = "|".join(
        ["S1", "V1", "2026-03-01 08:00", "x", "it's; \\ --", *["y"] * (len(heads) - 5)]
    )
    path = write(tmp_path, "yard 1.txt", f"{body}\n{cells}\n")
    assert take(app, path) == ["stored 1 0"]
    assert export_frame(app, "scans").row(0, named=True)["description"] == "it's; \\ --"
    assert export_frame(app, "scans")["ecu"].to_list() == [heads[3].strip()]
    (told,) = check_file(app, path)
    assert told.reader == "map:yard"


# --- what stands behind it, should a text slip through all the same -------------------------------


@pytest.fixture
def garage(tmp_path: Path) -> Path:
    store = tmp_path / "s.duckdb"
    load(store, write(tmp_path, "a.csv", HEAD + f"S1,V1,{_AT.format(1)},10,x,P0301,\n"))
    return store


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize(
    "sql",
    [
        "SELECT content FROM read_text('/proc/self/environ')",
        "FROM read_csv('{folder}/a.csv')",
        "FROM read_blob('{folder}/s.archive/*/*')",
        "FROM glob('{folder}/*')",
        "COPY (SELECT 1) TO '{folder}/loot.csv'",
        "EXPORT DATABASE '{folder}/loot'",
        "ATTACH '{folder}/loot.duckdb' AS loot",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "SET lock_configuration = false",
        "SET memory_limit = '64GB'",
        "CREATE SECRET (TYPE s3, KEY_ID 'a', SECRET 'b')",
    ],
)
def test_no_statement_reads_or_writes_a_file_or_changes_a_setting(
    garage: Path, sql: str, *, read_only: bool
) -> None:
    with (
        open_store(garage, read_only=read_only) as con,
        pytest.raises(Exception, match=r"disabled|locked|Permission|Cannot"),
    ):
        con.execute(sql.replace("{folder}", str(garage.parent))).fetchall()
    assert not list(garage.parent.glob("loot*"))


@pytest.mark.parametrize(
    "sql", ["SELECT 1; SELECT 2", "", "-- nothing", "SELECT 1; DROP TABLE scans"]
)
def test_a_call_takes_exactly_one_statement(garage: Path, sql: str) -> None:
    with open_store(garage) as con:
        for ask in (con.execute, lambda text: query(con, text)):
            with pytest.raises(ValueError, match="one statement"):
                ask(sql)
        assert query(con, "SELECT count(*) FROM scans").item() == 1


def test_what_was_handed_over_is_there_only_while_it_is_read(garage: Path) -> None:
    with open_store(garage) as con:
        with con.handed(garage.parent / "a.csv", "delivered") as place:
            assert query(con, f"SELECT count(*) FROM read_csv('{place}')").item() == 1
            assert place.parent.stat().st_mode & 0o077 == 0
        assert not place.exists()
    assert not place.parent.exists()


def test_a_link_laid_into_the_folder_leads_nowhere(garage: Path) -> None:
    with open_store(garage) as con:
        link = con.handing() / "link.csv"
        link.symlink_to(garage.parent / "a.csv")
        with pytest.raises(Exception, match="disabled"):
            query(con, f"FROM read_csv('{link}')")
