"""The fleet in parts, so that questions about every reading need bounded memory.

A vehicle's scans have consecutive numbers in the order of time (``histories/sql/10_moments.sql``,
``90_keep.sql``): a range of numbers that begins and ends with a vehicle is one part, and the store
finds its readings without reading the others.
"""

from collections.abc import Iterator
from importlib.resources import files
from typing import Final

from afterclear.findings.common.tables import forget
from afterclear.store.engine.database import Connection, query, scalar

# Readings (one unit in one scan) in a part: about a hundred MB of work space.
PART_READINGS: Final = 2_000_000

_SQL: Final = files("afterclear.findings") / "sql"


def role_sql(name: str) -> str:
    """Read one of the SQL files of roles."""
    return (_SQL / f"role_{name}.sql").read_text(encoding="utf-8")


def fleet_parts(con: Connection, n_readings: int = PART_READINGS) -> Iterator[None]:
    """Set the tables of ``role_part.sql`` to each part of the fleet in turn.

    The variables ``first_scan`` and ``last_scan`` give the numbers of its scans. ``n_readings``:
    about how many readings in a part; at least one vehicle's.
    """
    readings = scalar(con, "SELECT count(*) FROM store.looks")
    ends = query(
        con, "SELECT max(scan_no) AS n FROM store.scan_moments GROUP BY vehicle_id ORDER BY n"
    )["n"]
    size = max(1, n_readings * len(ends) // max(1, readings))  # vehicles
    part, first = role_sql("part"), 0
    for number in range(0, len(ends), size):
        last = int(ends[min(number + size, len(ends)) - 1])
        con.execute("SET VARIABLE first_scan = ?", [first])
        con.execute("SET VARIABLE last_scan = ?", [last])
        con.script(part)
        yield
        first = last + 1


def forget_parts(con: Connection) -> None:
    """Drop the temporary tables of parts at the end."""
    tables = query(
        con,
        "SELECT table_name FROM duckdb_tables() WHERE temporary "
        "AND (starts_with(table_name, 'part_') OR starts_with(table_name, 'role_'))",
    )
    forget(con, tables["table_name"])
