"""Keep a store small: retention rules, and the file rewritten without its empty space."""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from afterclear.errors import StoreError
from afterclear.store.engine.archive import blob_path, sync_folder
from afterclear.store.engine.connection import Connection, quoted
from afterclear.store.engine.database import (
    MEMORY_LIMIT,
    private_files,
    query,
    scalar,
    transaction,
)
from afterclear.store.engine.failures import full_disk_explained
from afterclear.store.engine.locking import holding, writer_lock
from afterclear.store.engine.snapshot import fold_in_log, sweep
from afterclear.store.queries.digests import fold_page_sums
from afterclear.store.upkeep.retention import Retention

# A run that was killed a moment ago may have left bytes that are about to be loaded again; only
# older ones count as left over.
_LEFT_OVER_AFTER_S = 86_400


@dataclass(frozen=True, slots=True)
class Retired:
    """What the retention rules took out."""

    archived_files: int
    refused_rows: int
    superseded_rows: int
    runs: int
    page_sums: int  # digests that now have one sum for all pages
    deeds: int  # who did what at the desk


def retire(con: Connection, archive: Path, rules: Retention, now: datetime) -> Retired:
    """Take out what is older than the rules allow; the ledger keeps count of it."""
    at = now.replace(tzinfo=None)
    with transaction(con):
        gone = _retire_archive(con, rules.archive_days, at)
        refused = sum(
            _retire_rows(con, table, "load_id", rules.refused_rows_days, at)
            for table in ("rejections", "replaced_rejections")
        )
        superseded = _retire_rows(con, "superseded", "superseded_by", rules.superseded_days, at)
        runs = _retire_dated(con, "runs", "finished_at", rules.runs_days, at)
        deeds = _retire_dated(con, "trail", "done_at", rules.trail_days, at)
        con.execute("DELETE FROM trail_vehicles WHERE entry_id NOT IN (SELECT entry_id FROM trail)")
        folded = fold_page_sums(con, rules.page_sums_days, now)
    remove_unowed(con, archive, gone)
    return Retired(len(gone), refused, superseded, runs, folded, deeds)


def remove_unowed(con: Connection, archive: Path, candidates: list[str]) -> None:
    """Remove archived files that no load needs any more."""
    owed = _owed(con)
    for sha256 in candidates:
        if sha256 not in owed:
            blob_path(archive, sha256).unlink(missing_ok=True)


def unowed(con: Connection, archive: Path) -> list[Path]:
    """List all archived files that no load needs, however new: no load may be running."""
    owed = _owed(con)
    return sorted(p for p in archive.glob("??/*.zst") if p.stem not in owed)


def _owed(con: Connection) -> set[str]:
    rows = query(
        con,
        """SELECT coalesce(c.kept_sha256, CASE WHEN c.sha256 IS NULL THEN l.sha256 END) AS h
           FROM loads l LEFT JOIN archive_changes c USING (sha256)""",
    )
    return set(rows["h"])


def left_over(con: Connection, archive: Path) -> list[Path]:
    """List archived files of no load, a day old or more: left by a killed load, repeated since."""
    known = set(query(con, "SELECT sha256 FROM loads")["sha256"])
    known |= set(query(con, "SELECT kept_sha256 FROM archive_changes")["kept_sha256"])
    limit = time.time() - _LEFT_OVER_AFTER_S
    return sorted(
        p for p in archive.glob("??/*.zst") if p.stem not in known and p.stat().st_mtime < limit
    )


def compact(store: Path) -> int:
    """Rewrite the store's file without what was deleted; return the bytes saved.

    Deleted rows stay readable in a database file until their space is used again; a rewritten file
    no longer has them.  The new file takes the old one's place by a rename.

    Raises:
        StoreError: another process holds the store, or the copy does not agree.

    """
    fresh = Path(f"{store}.compact")
    with (
        holding(writer_lock(store), "vacuum"),
        private_files(),
        full_disk_explained(store),
        _removed(fresh),
    ):
        sweep(store)
        before = store.stat().st_size
        con = Connection({"store": store, "fresh": fresh})
        try:
            con.lock({"memory_limit": MEMORY_LIMIT, "temp_directory": f"{store}.tmp"})
            con.execute("COPY FROM DATABASE store TO fresh")
            _compare(con)
            con.execute("CHECKPOINT fresh")
            con.execute("CHECKPOINT store")
        finally:
            con.close()
        fold_in_log(store)
        fresh.chmod(store.stat().st_mode & 0o777)
        with fresh.open("rb+") as file:
            os.fsync(file.fileno())
        fresh.replace(store)
        sync_folder(store.parent)
        return before - store.stat().st_size


@contextmanager
def _removed(path: Path) -> Iterator[None]:
    """Make sure that an unfinished file does not stay."""
    try:
        yield
    finally:
        for left in (path, Path(f"{path}.wal")):
            left.unlink(missing_ok=True)


def _compare(con: Connection) -> None:
    tables = con.execute(
        "SELECT table_name FROM duckdb_tables() "
        "WHERE database_name = 'store' AND schema_name = 'main'"
    ).fetchall()
    for (name,) in tables:
        counts = {
            scalar(con, f"SELECT count(*) FROM {place}.main.{quoted(name)}")
            for place in ("store", "fresh")
        }
        if len(counts) > 1:
            raise StoreError(f"The rewritten store has other rows in {name}; nothing was changed.")


def _retire_archive(con: Connection, days: float | None, now: datetime) -> list[str]:
    if days is None:
        return []
    gone = query(
        con,
        """SELECT coalesce(any_value(c.kept_sha256), l.sha256) AS kept, l.sha256
           FROM loads l LEFT JOIN archive_changes c USING (sha256)
           WHERE c.sha256 IS NULL OR c.kept_sha256 IS NOT NULL
           GROUP BY l.sha256 HAVING max(l.finished_at) < ?""",
        [now - timedelta(days=days)],
    )
    for sha256 in gone["sha256"]:
        con.execute("DELETE FROM archive_changes WHERE sha256 = ?", [sha256])
        con.execute(
            "INSERT INTO archive_changes VALUES (?, NULL, 'older than is kept', ?)", [sha256, now]
        )
    return gone["kept"].to_list()


def _retire_dated(
    con: Connection, table: str, dated: str, days: float | None, now: datetime
) -> int:
    """Erase rows that are dated themselves, by the column ``dated``."""
    if days is None:
        return 0
    old, limit = f"FROM {table} WHERE {dated} < ?", [now - timedelta(days=days)]
    n_rows: int = scalar(con, f"SELECT count(*) {old}", limit)
    con.execute(f"DELETE {old}", limit)
    return n_rows


def _retire_rows(con: Connection, table: str, load: str, days: float | None, now: datetime) -> int:
    """Erase rows of loads older than ``days``; ``load`` is the column that dates them."""
    if days is None:
        return 0
    old = f"{load} IN (SELECT load_id FROM loads WHERE finished_at < ?)"
    limit = now - timedelta(days=days)
    n_rows = scalar(con, f"SELECT count(*) FROM {table} WHERE {old}", [limit])
    con.execute(
        f"""INSERT INTO erasures SELECT load_id, '{table}', count(*), 'older than is kept', ?
            FROM {table} WHERE {old} GROUP BY load_id""",
        [now, limit],
    )
    con.execute(f"DELETE FROM {table} WHERE {old}", [limit])
    return n_rows
