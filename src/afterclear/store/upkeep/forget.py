"""Erase a vehicle from the store: its rows, its history, and its names in everything else.

A forgetting is a job: a row in ``forgetting`` first, then steps that are one transaction each or
can be repeated, so that a killed job is continued. Only counts and hashes are left: how many rows a
load had, the hash of a file as it came, and keyed hashes of the vehicle's names, by which later
rows are refused.
"""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from afterclear.catalogue.names_in_text import ERASED, Called, plain_id
from afterclear.plain import SCANS, TABLES
from afterclear.store.engine.database import Connection, query, rows, scalar, transaction
from afterclear.store.intake.forgotten_names import shut
from afterclear.store.merging.delivered import delete_rows
from afterclear.store.merging.scan_parts import PARTS
from afterclear.store.queries.exports_identity import SQL_MARK
from afterclear.store.upkeep.archive_changes import WHY_FORGOTTEN, remember_change

Step = Literal["rows", "archive", "beside", "results", "compact"]

_WHY: Final = WHY_FORGOTTEN
_VIN_LETTERS: Final = 17  # ISO 3779
_REFUSED: Final = ("rejections", "replaced_rejections")
# tables of the job itself, and of the refused names
_OF_THE_JOB: Final = ("forgetting", "forgetting_files", "forgotten", "door_key", "migrations")
# (table, column) of texts of our own, in which a number of two letters means a vehicle
_OUR_TEXTS: Final = (
    ("sent", "subject"),
    ("sent", "failure"),
    ("runs", "report_json"),
    ("trail", "about"),
)
_SQUEEZED: Final = "regexp_replace(upper({}), '[ \\x{{00a0}}\\x{{00b7}}_./:-]', '', 'g')"


@dataclass(frozen=True, slots=True)
class Job:
    """A vehicle that is being forgotten."""

    step: Step
    vehicle_id: str
    pages: tuple[str, ...]  # names of the pages about it alone
    called: Called
    begun_at: datetime


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was erased, and what remains."""

    n_rows: int = 0
    n_history_rows: int = 0
    files_rewritten: int = 0
    files_erased: int = 0
    n_loads_renamed: int = 0
    was_before: bool = False  # nothing was done: it had been forgotten already


@dataclass(frozen=True, slots=True)
class ArchivedFile:
    """An archived file that is still to be checked."""

    sha256: str  # as it came
    kept: str  # as it is in the archive
    name: str
    reader: str
    zone: str
    vehicle_id: str | None
    started_at: datetime | None
    changed_at: float | None
    speaks: bool | None  # rows of the vehicle came from it; None: only its reader knows


def is_known(con: Connection, vehicle_id: str) -> bool:
    """Whether any row or refusal names a vehicle."""
    found = [
        scalar(con, f"SELECT count(*) FROM {name} WHERE vehicle_id = ?", [vehicle_id])
        for name in TABLES
    ]
    return any(found) or bool(_loads_of(con, vehicle_id))


# --- the job --------------------------------------------------------------------------------


def begin(con: Connection, vehicle_id: str, pages: Sequence[str], now: datetime) -> None:
    """Record the job; from now on the vehicle's rows are refused.

    ``pages``: names of the pages about the vehicle alone, no space in them.
    """
    at = now.replace(tzinfo=None)
    called = Called(frozenset({vehicle_id}), known_identifiers(con, vehicle_id))
    with transaction(con):
        number = max(
            scalar(con, f"SELECT max(forgetting_id) FROM {name}")
            for name in ("forgetting", "forgotten")
        )
        con.execute(
            "INSERT INTO forgetting VALUES (?, 'rows', ?, ?, ?, 0, 0, 0, 0, 0, ?)",
            [number + 1, vehicle_id, " ".join(pages), json.dumps(sorted(called.identifiers)), at],
        )
        touched = ", ".join(map(str, sorted(_loads_of(con, vehicle_id)))) or "NULL"
        con.execute(
            f"""INSERT INTO forgetting_files
                SELECT sha256, coalesce(bool_or(load_id IN ({touched})), false)
                FROM loads GROUP BY sha256"""
        )
        shut(con, number + 1, called, at)


def job_under_way(con: Connection) -> Job | None:
    """Give the forgetting that is not finished; None: there is none."""
    found = rows(con, "SELECT * FROM forgetting ORDER BY forgetting_id LIMIT 1")
    if not found:
        return None
    (row,) = found
    numbers = frozenset(filter(None, [row["vehicle_id"]]))
    called = Called(numbers, frozenset(json.loads(row["marks"] or "[]")))
    pages = tuple((row["page"] or "").split())
    return Job(row["step"], row["vehicle_id"] or "", pages, called, row["begun_at"])


def report(con: Connection) -> Forgotten:
    """Count what the job under way has erased so far."""
    found = con.execute(
        """SELECT n_rows, n_history_rows, files_rewritten, files_erased, n_renamed
           FROM forgetting ORDER BY forgetting_id LIMIT 1"""
    ).fetchone()
    return Forgotten(*found) if found else Forgotten()


def go_to(con: Connection, step: Step) -> None:
    """Begin the next step; before the last one the job itself forgets the names."""
    if step == "compact":
        con.execute("UPDATE forgetting SET vehicle_id = NULL, page = NULL, marks = NULL")
    con.execute("UPDATE forgetting SET step = ?", [step])


def close(con: Connection) -> None:
    """End the job."""
    con.execute("DELETE FROM forgetting")


def erase_from_store(con: Connection, job: Job, now: datetime) -> None:
    """Erase the vehicle's rows and histories, and its names everywhere else."""
    at, vehicle_id = now.replace(tzinfo=None), job.vehicle_id
    with transaction(con):
        n_rows = sum(_erase_rows(con, name, vehicle_id, at) for name in TABLES)
        n_rows += _erase_superseded(con, vehicle_id, at)
        n_rows += sum(_erase_refused(con, table, job.called, at) for table in _REFUSED)
        n_history = _erase_history(con, vehicle_id) + _erase_statements(con, vehicle_id, job.pages)
        renamed = _rename_loads(con, job.called)
        _erase_words(con, job.called)
        con.execute(
            "UPDATE forgetting SET n_rows = ?, n_history_rows = ?, n_renamed = ?",
            [n_rows, n_history, renamed],
        )
        go_to(con, "archive")


def next_archived(con: Connection) -> ArchivedFile | None:
    """Give an archived file that is still to be checked; None: all are done."""
    found = rows(
        con,
        """SELECT f.sha256, any_value(coalesce(c.kept_sha256, f.sha256)) AS kept,
               any_value(l.file_name) AS name, coalesce(max(l.reader), '') AS reader,
               any_value(coalesce(o.zone, 'UTC')) AS zone, any_value(o.vehicle_id) AS vehicle_id,
               any_value(o.started_at) AS started_at, any_value(o.changed_at) AS changed_at,
               CASE WHEN bool_or(f.speaks) THEN true
                   WHEN bool_or(coalesce(l.reader, '') NOT IN ('', 'plain_table', 'zip', 'tar',
                       'gz', 'mail') AND l.rows_duplicate + l.rows_rejected > 0) THEN NULL
                   ELSE false END AS speaks
           FROM forgetting_files f JOIN loads l USING (sha256)
           LEFT JOIN archive_changes c USING (sha256) LEFT JOIN load_origins o USING (load_id)
           WHERE c.sha256 IS NULL OR c.kept_sha256 IS NOT NULL
           GROUP BY f.sha256 ORDER BY f.sha256 LIMIT 1""",
    )
    return ArchivedFile(**found[0]) if found else None


def done_with(
    con: Connection, file: ArchivedFile, kept: str | None, now: datetime, *, is_changed: bool
) -> None:
    """Remember what became of an archived file."""
    with transaction(con):
        if is_changed:
            remember_change(con, file.sha256, kept, now)
            column = "files_erased" if kept is None else "files_rewritten"
            con.execute(f"UPDATE forgetting SET {column} = {column} + 1")
        con.execute("DELETE FROM forgetting_files WHERE sha256 = ?", [file.sha256])


# --- the store ------------------------------------------------------------------------------


def known_identifiers(con: Connection, vehicle_id: str) -> frozenset[str]:
    """VINs and plates of a vehicle, now and before, that no other vehicle has."""
    found = query(
        con,
        f"""WITH told AS (
                SELECT vehicle_id, unnest([vin, plate]) AS name FROM vehicles
                UNION ALL
                SELECT row_json->>'vehicle_id', unnest([row_json->>'vin', row_json->>'plate'])
                FROM superseded WHERE table_name = 'vehicles'
                UNION ALL SELECT vehicle_id, vehicle_id FROM vehicles
            ),
            read AS (  -- a VIN its control units state, unless it is another vehicle's
                SELECT vehicle_id, ecu_vin AS name FROM scans WHERE ecu_vin IS NOT NULL
                UNION ALL SELECT row_json->>'vehicle_id', row_json->>'ecu_vin' FROM superseded
                WHERE table_name = 'scans' AND row_json->>'ecu_vin' IS NOT NULL
            ),
            marked AS (
                SELECT vehicle_id, {SQL_MARK.format("name")} AS name
                FROM (FROM told UNION ALL FROM read))
            SELECT name FROM marked WHERE name <> '' GROUP BY name
            HAVING bool_and(vehicle_id = ?)""",
        [vehicle_id],
    )
    # the number itself, if it is no VIN, is searched for as it is written
    return frozenset(found["name"]) - {plain_id(vehicle_id)} | _as_vin(vehicle_id)


def _as_vin(vehicle_id: str) -> frozenset[str]:
    return frozenset({plain_id(vehicle_id)} if len(plain_id(vehicle_id)) == _VIN_LETTERS else ())


def _loads_of(con: Connection, vehicle_id: str) -> frozenset[int]:
    kept = " UNION ".join(f"SELECT load_id FROM {name} WHERE vehicle_id = $1" for name in TABLES)
    rows = query(
        con,
        f"""{kept} UNION SELECT unnest([load_id, superseded_by]) FROM superseded
            WHERE row_json->>'vehicle_id' = $1
            UNION SELECT load_id FROM rejections WHERE try_cast(row_json AS JSON)->>'vehicle_id'
            = $1 UNION SELECT load_id FROM load_origins WHERE vehicle_id = $1""",
        [vehicle_id],
    )
    return frozenset(rows["load_id"])


def _erase_rows(con: Connection, table: str, vehicle_id: str, now: datetime) -> int:
    return _erase(con, table, ("vehicle_id = ?", vehicle_id), now)


def _erase_superseded(con: Connection, vehicle_id: str, now: datetime) -> int:
    return _erase(con, "superseded", ("row_json->>'vehicle_id' = ?", vehicle_id), now)


def _erase_refused(con: Connection, table: str, called: Called, now: datetime) -> int:
    """Erase refused rows that name the vehicle anywhere."""
    refused = query(con, f"SELECT rowid AS place, column_name, value, row_json FROM {table}").rows()
    places = [
        place
        for place, column, value, row in refused
        if called.stand_in(value or "")
        or called.owns(row)
        or (column == "vehicle_id" and called.is_number(value))
    ]
    if not places:
        return 0
    listed = ", ".join(map(str, places))
    return _erase(con, table, (f"rowid IN ({listed}) AND ?", True), now)


def _erase(con: Connection, table: str, where: tuple[str, object], now: datetime) -> int:
    condition, value = where
    n_rows = scalar(con, f"SELECT count(*) FROM {table} WHERE {condition}", [value])
    con.execute(
        f"""INSERT INTO erasures SELECT load_id, '{table}', count(*), '{_WHY}', ?
            FROM {table} WHERE {condition} GROUP BY load_id""",
        [now, value],
    )
    if table in TABLES:
        delete_rows(con, TABLES[table], condition, [value])
    else:
        con.execute(f"DELETE FROM {table} WHERE {condition}", [value])
    return n_rows


def _erase_history(con: Connection, vehicle_id: str) -> int:
    """Erase all other rows with the vehicle's number, and rows about its attempts and scans."""
    own = "SELECT attempt_id FROM attempts WHERE vehicle_id = $1"
    fixes = "SELECT fix_no FROM fix_numbers WHERE vehicle_id = $1"
    hanging = [
        ("evidence_runs", f"fix_no IN ({fixes})"),
        ("verdicts", f"attempt_id IN ({own})"),
        ("digest_outcomes", f"attempt_id IN ({own})"),
    ]
    with_number = query(
        con,
        """SELECT table_name FROM duckdb_columns() JOIN duckdb_tables()
               USING (database_name, schema_name, table_name)
           WHERE database_name = 'store' AND column_name = 'vehicle_id' ORDER BY table_name""",
    )["table_name"].to_list()
    others = [name for name in with_number if name not in (*TABLES, *PARTS, *_OF_THE_JOB)]
    hanging += [(name, "vehicle_id = $1") for name in others]
    # numbers and names last: the others are found through them
    hanging.sort(key=lambda part: part[0] in ("attempts", "fix_numbers"))
    erased = 0
    for table, where in hanging:
        if not scalar(
            con,
            "SELECT count(*) FROM duckdb_tables() WHERE table_name = ? AND database_name = 'store'",
            [table],
        ):
            continue
        erased += scalar(con, f"SELECT count(*) FROM {table} WHERE {where}", [vehicle_id])
        con.execute(f"DELETE FROM {table} WHERE {where}", [vehicle_id])
    return erased


def _erase_statements(con: Connection, vehicle_id: str, pages: Sequence[str]) -> int:
    """Erase the records of what digests showed of the vehicle, and its pages' names."""
    erased = 0
    for table, where, value in (
        ("digest_marks", "kind = 'stock' AND subject = ?", vehicle_id),
        *(("digest_pages", "page = ?", page) for page in pages),
        *(("digest_pages", "page LIKE ?", page_before(page, "%")) for page in pages),
        *(("page_facts", "page = ?", page) for page in pages),
    ):
        erased += scalar(con, f"SELECT count(*) FROM {table} WHERE {where}", [value])
        con.execute(f"DELETE FROM {table} WHERE {where}", [value])
    return erased


def page_before(page: str, anything: str) -> str:
    """Give a pattern of what earlier versions called a page: ten digits of the same digest.

    ``anything``: how the pattern says "any characters".

    >>> page_before("vehicles/v-bus-17--ee302e08ffa60be8c13542dbcea48533.html", "*")
    'vehicles/v-bus-17*--ee302e08ff.html'
    """
    return re.sub(r"--([0-9a-f]{10})[0-9a-f]{22}(?=\.html$)", lambda m: f"{anything}--{m[1]}", page)


def _rename_loads(con: Connection, called: Called) -> int:
    """Take the vehicle's names out of file names and notes; count the loads renamed."""
    loads = query(con, "SELECT load_id, file_name, coalesce(note, '') FROM loads").rows()
    renamed = [load_id for load_id, file, _ in loads if called.are_words_of(file)]
    for load_id in renamed:
        for table in ("loads", *_REFUSED):
            con.execute(f"UPDATE {table} SET file_name = ? WHERE load_id = ?", [ERASED, load_id])
    # a note may name a vehicle that the load was of once: its file then is another one's
    for load_id in (load_id for load_id, _, note in loads if called.are_words_of(note)):
        con.execute("UPDATE loads SET note = ? WHERE load_id = ?", [ERASED, load_id])
    for source, name in query(con, "SELECT source, name FROM cursors").rows():
        if called.are_words_of(name):
            # its hash still identifies the file; only checking it again costs a moment
            con.execute("DELETE FROM cursors WHERE source = ? AND name = ?", [source, name])
    return len(renamed)


def _erase_words(con: Connection, called: Called) -> None:
    """Take the vehicle's names out of all texts of others; those vehicles are judged again."""
    columns = query(
        con,
        """SELECT table_name, column_name FROM duckdb_columns() JOIN duckdb_tables()
               USING (database_name, schema_name, table_name)
           WHERE database_name = 'store' AND data_type = 'VARCHAR' ORDER BY ALL""",
    ).rows()
    empty = {t for t in {t for t, _ in columns} if not scalar(con, f"SELECT count(*) FROM {t}")}
    for table, column in columns:
        if table not in (*_OF_THE_JOB, *empty):
            erased = called.erased_from
            if (table, column) in _OUR_TEXTS:
                erased = called.words_erased_from
            for text in _texts_with_names(con, table, column, called):
                if (without := erased(text)) != text:
                    _replace(con, table, column, text, without)


def _texts_with_names(con: Connection, table: str, column: str, called: Called) -> list[str]:
    """Give the texts of a column that may have one of the names."""
    if (table, column) in _OUR_TEXTS:
        return list(query(con, f'SELECT DISTINCT "{column}" AS t FROM {table}')["t"].drop_nulls())
    sought = [f"contains({_SQUEEZED.format('t')}, ?)" for _ in called.sought]
    if not sought:
        return []
    sql = f"""SELECT t FROM (SELECT DISTINCT "{column}" AS t FROM {table})
              WHERE {" OR ".join(sought)} ORDER BY t"""
    return list(query(con, sql, called.sought)["t"])


def _replace(con: Connection, table: str, column: str, text: str, without: str) -> None:
    delivered = SCANS.name if table in PARTS else table
    if delivered in TABLES:
        con.execute(
            f"""INSERT INTO stale_vehicles
                SELECT DISTINCT vehicle_id, load_id FROM {delivered} WHERE "{column}" = ?""",
            [text],
        )
    con.execute(f'UPDATE {table} SET "{column}" = ? WHERE "{column}" = ?', [without, text])
