"""Erase a vehicle: its rows, its history, and its rows in the archived files.

What is left is counts and hashes: how many rows a load had, and the hash of a file as it came,
so that the same file delivered again is not loaded again.  Tables are archived again without
the vehicle's rows; a file of another form that speaks of the vehicle is erased whole.
"""

import csv
import io
import json
import re
import tempfile
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import polars as pl

from afterclear.plain import TABLES
from afterclear.store.archive import archived, taken_out
from afterclear.store.care import remove_unowed
from afterclear.store.database import Connection, query, scalar, transaction

_WHY: Final = "a vehicle was erased on request"
# A shorter name is met by chance in bytes that are not about the vehicle.
_SHORTEST_NAME_IN_BYTES = 4
_ERASED = "(erased)"
_REFUSED: Final = ("rejections", "replaced_rejections")


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was erased, and what remains."""

    n_rows: int
    n_history_rows: int
    files_rewritten: int
    files_erased: int
    n_loads_renamed: int


@dataclass(frozen=True, slots=True)
class _Names:
    """Everything a vehicle is called by."""

    vehicle_id: str
    marks: frozenset[str]  # VINs and plates that are this vehicle's alone

    def are_in(self, cell: str) -> bool:
        return cell.strip() == self.vehicle_id or cell.strip() in self.marks

    def are_named_in(self, name: str) -> bool:
        """Tell whether a file name or a note has one of the names as a word."""
        return any(
            re.search(f"(?<![0-9A-Za-z]){re.escape(mark)}(?![0-9A-Za-z])", name)
            for mark in (self.vehicle_id, *self.marks)
        )

    def stand_in(self, text: str) -> bool:
        names = (self.vehicle_id, *self.marks)
        return any(len(name) >= _SHORTEST_NAME_IN_BYTES and name in text for name in names)


def forget_vehicle(
    con: Connection, archive: Path, vehicle_id: str, page: str, now: datetime
) -> Forgotten:
    """Erase all rows of a vehicle, and what the archive holds of it.

    ``page``: what digests call the vehicle's page.
    The archive comes last: a kill before leaves files of a vehicle the store no longer knows,
    and the command can be given again.  The caller compacts the store afterwards, since a
    database file keeps deleted rows until their space is used again.
    """
    at = now.replace(tzinfo=None)
    names = _Names(vehicle_id, _marks(con, vehicle_id))
    touched = _loads_of(con, vehicle_id)
    rewritten, gone = _prepare_archive(con, archive, names, touched)
    with transaction(con):
        n_rows = sum(_erase_rows(con, name, vehicle_id, at) for name in TABLES)
        n_rows += _erase_superseded(con, vehicle_id, at)
        n_rows += sum(_erase_refused(con, table, names, at) for table in _REFUSED)
        n_history = _erase_history(con, vehicle_id) + _erase_told(con, vehicle_id, page)
        renamed = _rename_loads(con, names)
        for old, new in rewritten.items():
            con.execute("DELETE FROM archive_changes WHERE sha256 = ?", [old])
            con.execute("INSERT INTO archive_changes VALUES (?, ?, ?, ?)", [old, new, _WHY, at])
    remove_unowed(con, archive, gone)
    erased = sum(new is None for new in rewritten.values())
    return Forgotten(n_rows, n_history, len(rewritten) - erased, erased, renamed)


def is_known(con: Connection, vehicle_id: str) -> bool:
    """Tell whether any row or refusal speaks of a vehicle."""
    found = [
        scalar(con, f"SELECT count(*) FROM {name} WHERE vehicle_id = ?", [vehicle_id])
        for name in TABLES
    ]
    return any(found) or bool(_loads_of(con, vehicle_id))


# --- the store ------------------------------------------------------------------------------


def _marks(con: Connection, vehicle_id: str) -> frozenset[str]:
    """VINs and plates of a vehicle, now and before, that no other vehicle has."""
    found: set[str] = set()
    for column in ("vin", "plate"):
        rows = query(
            con,
            f"""SELECT DISTINCT {column} FROM (
                    SELECT vehicle_id, {column} FROM vehicles
                    UNION ALL SELECT row_json->>'vehicle_id', row_json->>'{column}'
                    FROM superseded WHERE table_name = 'vehicles')
                WHERE {column} IS NOT NULL
                GROUP BY {column} HAVING bool_and(vehicle_id = ?)""",
            [vehicle_id],
        )
        found |= set(rows[column])
    return frozenset(found)


def _loads_of(con: Connection, vehicle_id: str) -> frozenset[int]:
    kept = " UNION ".join(f"SELECT load_id FROM {name} WHERE vehicle_id = $1" for name in TABLES)
    rows = query(
        con,
        f"""{kept} UNION SELECT unnest([load_id, superseded_by]) FROM superseded
            WHERE row_json->>'vehicle_id' = $1
            UNION SELECT load_id FROM rejections WHERE try_cast(row_json AS JSON)->>'vehicle_id'
            = $1""",
        [vehicle_id],
    )
    return frozenset(rows["load_id"])


def _erase_rows(con: Connection, table: str, vehicle_id: str, now: datetime) -> int:
    return _erase(con, table, ("vehicle_id = ?", vehicle_id), now)


def _erase_superseded(con: Connection, vehicle_id: str, now: datetime) -> int:
    return _erase(con, "superseded", ("row_json->>'vehicle_id' = ?", vehicle_id), now)


def _erase_refused(con: Connection, table: str, names: _Names, now: datetime) -> int:
    """Erase refused rows that name the vehicle anywhere."""
    rows = query(con, f"SELECT rowid AS place, value, row_json FROM {table}").rows()
    places = [
        place
        for place, value, row in rows
        if names.stand_in(f"{value or ''} {row or ''}") or names.vehicle_id in _cells(row)
    ]
    if not places:
        return 0
    listed = ", ".join(map(str, places))
    return _erase(con, table, (f"rowid IN ({listed}) AND ?", True), now)


def _cells(row_json: str | None) -> set[str]:
    try:
        row = json.loads(row_json or "{}")
    except ValueError:
        return set((row_json or "").split(","))
    return {str(cell).strip() for cell in row.values()} if isinstance(row, dict) else set()


def _erase(con: Connection, table: str, where: tuple[str, object], now: datetime) -> int:
    condition, value = where
    n_rows = scalar(con, f"SELECT count(*) FROM {table} WHERE {condition}", [value])
    con.execute(
        f"""INSERT INTO erasures SELECT load_id, '{table}', count(*), '{_WHY}', ?
            FROM {table} WHERE {condition} GROUP BY load_id""",
        [now, value],
    )
    con.execute(f"DELETE FROM {table} WHERE {condition}", [value])
    return n_rows


def _erase_history(con: Connection, vehicle_id: str) -> int:
    """Erase every other row with the vehicle's number, and what hangs on its attempts and scans."""
    own = "SELECT attempt_id FROM attempts WHERE vehicle_id = $1"
    scans = "SELECT scan_no FROM scan_moments WHERE vehicle_id = $1"
    fixes = "SELECT fix_no FROM fix_numbers WHERE vehicle_id = $1"
    hanging = [
        ("evidence_steps", f"fix_no IN ({fixes})"),
        ("verdicts", f"attempt_id IN ({own})"),
        ("digest_outcomes", f"attempt_id IN ({own})"),
        ("looks", f"scan_no IN ({scans})"),
    ]
    with_number = query(
        con,
        """SELECT table_name FROM duckdb_columns() JOIN duckdb_tables()
               USING (database_name, table_name)
           WHERE database_name = 'store' AND column_name = 'vehicle_id' ORDER BY table_name""",
    )["table_name"].to_list()
    hanging += [(name, "vehicle_id = $1") for name in with_number if name not in TABLES]
    # numbers and names last: the others are found through them
    hanging.sort(key=lambda part: part[0] in ("attempts", "fix_numbers", "scan_moments"))
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


def _erase_told(con: Connection, vehicle_id: str, page: str) -> int:
    """Erase what digests are remembered to have said of the vehicle, and its page's name."""
    erased = 0
    for table, where, value in (
        ("digest_marks", "kind = 'stock' AND subject = ?", vehicle_id),
        ("digest_pages", "page = ?", page),
    ):
        erased += scalar(con, f"SELECT count(*) FROM {table} WHERE {where}", [value])
        con.execute(f"DELETE FROM {table} WHERE {where}", [value])
    return erased


def _rename_loads(con: Connection, names: _Names) -> int:
    """Take the vehicle's names out of file names and notes."""
    rows = query(con, "SELECT load_id, file_name, coalesce(note, '') FROM loads").rows()
    renamed = [n for n, file, note in rows if names.are_named_in(f"{file} {note}")]
    for load_id in renamed:
        con.execute(
            "UPDATE loads SET file_name = ?, note = ? WHERE load_id = ?",
            [_ERASED, _ERASED, load_id],
        )
        for table in _REFUSED:
            con.execute(f"UPDATE {table} SET file_name = ? WHERE load_id = ?", [_ERASED, load_id])
    cursors = query(con, "SELECT source, name FROM cursors").rows()
    for source, name in cursors:
        if names.are_named_in(name):
            # by its hash the file is still known; only looking at it again costs a moment
            con.execute("DELETE FROM cursors WHERE source = ? AND name = ?", [source, name])
    return len(renamed)


# --- the archive ----------------------------------------------------------------------------


def _prepare_archive(
    con: Connection, archive: Path, names: _Names, touched: frozenset[int]
) -> tuple[dict[str, str | None], list[str]]:
    """Archive files anew without the vehicle: hash as it came -> new one or None; old hashes."""
    rewritten: dict[str, str | None] = {}
    gone: list[str] = []
    files = query(
        con,
        """SELECT l.sha256, any_value(l.file_name) AS name, list(l.load_id) AS loads,
               coalesce(any_value(c.kept_sha256), l.sha256) AS kept
           FROM loads l LEFT JOIN archive_changes c USING (sha256)
           WHERE c.sha256 IS NULL OR c.kept_sha256 IS NOT NULL
           GROUP BY l.sha256 ORDER BY l.sha256""",
    )
    for sha256, name, loads, kept in files.iter_rows():
        with taken_out(archive, kept, name) as plain:
            content = plain.path.read_bytes()
        without = without_vehicle(content, names, speaks=bool(touched & set(loads)))
        if without == content:
            continue
        rewritten[sha256] = _archive_bytes(archive, without, name) if without else None
        gone.append(kept)
    return rewritten, gone


def without_vehicle(content: bytes, names: _Names, *, speaks: bool) -> bytes | None:
    """Give a file without a vehicle's rows; None where it must be erased whole.

    ``speaks``: stored rows of the vehicle came from it.
    """
    if content.startswith(b"PAR1"):
        return _parquet_without(content, names)
    if b"\x00" in content[:1024]:
        return None if speaks or _in_bytes(content, names) else content
    text = content.decode("utf-8", errors="surrogateescape")
    if text.removeprefix("\ufeff").lstrip().startswith("{"):
        return _jsonl_without(text, names).encode("utf-8", errors="surrogateescape")
    header = text.partition("\n")[0]
    if "vehicle_id" in header.replace('"', "").strip("\ufeff\r ").split(","):
        return _csv_without(text, names).encode("utf-8", errors="surrogateescape")
    return None if speaks or _in_bytes(content, names) else content


def _in_bytes(content: bytes, names: _Names) -> bool:
    return names.stand_in(content.decode("latin-1"))


def _jsonl_without(text: str, names: _Names) -> str:
    kept = []
    for line in text.splitlines(keepends=True):
        try:
            row = json.loads(line)
        except (ValueError, RecursionError):
            named = names.stand_in(line)
        else:
            cells = row.values() if isinstance(row, dict) else ()
            named = any(names.are_in(str(cell)) for cell in cells)
        if not named:
            kept.append(line)
    return "".join(kept)


def _csv_without(text: str, names: _Names) -> str:
    """Drop whole records; the others keep their bytes."""
    lines = io.StringIO(text, newline="").readlines()
    reader = csv.reader(lines)
    kept, begin = [], 0
    for cells in reader:
        record = "".join(lines[begin : reader.line_num])
        begin = reader.line_num
        if not any(names.are_in(cell) for cell in cells):
            kept.append(record)
    return "".join(kept)


def _parquet_without(content: bytes, names: _Names) -> bytes | None:
    try:
        frame = pl.read_parquet(io.BytesIO(content))
    except pl.exceptions.PolarsError:
        return None if _in_bytes(content, names) else content
    wanted = [names.vehicle_id, *names.marks]
    named = frame.select(
        pl.any_horizontal(
            pl.all().cast(pl.String, strict=False).is_in(wanted).fill_null(value=False)
        )
    ).to_series()
    if not named.any():
        return content
    out = io.BytesIO()
    frame.filter(~named).write_parquet(out)
    return out.getvalue()


def _archive_bytes(archive: Path, content: bytes, name: str) -> str:
    with tempfile.TemporaryDirectory(prefix="incoming-", dir=archive) as folder:
        place = Path(folder) / f"kept{Path(name).suffix}"
        place.write_bytes(content)
        with archived(archive, place) as snapshot:
            return snapshot.sha256
