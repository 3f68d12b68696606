"""Small deliveries for tests of loading: files written, loaded, and counted."""

import json
from datetime import UTC, datetime
from pathlib import Path

from afterclear.load import Arrival, load_files
from afterclear.records import LoadResult
from afterclear.store.engine.database import open_store, query

NOON = datetime(2026, 11, 1, 12, tzinfo=UTC)
HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status\n"


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_bytes(text.encode())
    return path


def load(store: Path, *files: Path, zone: str = "UTC") -> list[LoadResult]:
    """Load files into the store, in order."""
    arrivals = [Arrival("test", file, file.name, zone) for file in files]
    with open_store(store) as con:
        return list(load_files(con, store.with_suffix(".archive"), arrivals, lambda: NOON))


def jsonl_text(*found: dict[str, object]) -> str:
    """Write JSON Lines."""
    return "".join(json.dumps(row) + "\n" for row in found)


def rows(store: Path, sql: str) -> list[tuple[object, ...]]:
    """Ask the store."""
    with open_store(store) as con:
        return query(con, sql).rows()


def contents(store: Path) -> dict[str, list[tuple[object, ...]]]:
    """Everything a load writes, but for the times of loading."""
    with open_store(store) as con:
        return {
            table: query(con, f"SELECT * FROM {table} ORDER BY ALL").rows()
            for table in (
                "vehicles",
                "scans",
                "clears",
                "repairs",
                "superseded",
                "rejections",
                "stale_vehicles",
            )
        } | {"loads": query(con, "SELECT * EXCLUDE (started_at, finished_at) FROM loads").rows()}


def adds_up(results: list[LoadResult]) -> bool:
    """Tell whether every row read is stored, duplicate or refused."""
    return all(r.rows_read == r.rows_stored + r.rows_duplicate + r.rows_rejected for r in results)
