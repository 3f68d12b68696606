"""Plain-layout fleets of any size, made in the database itself: deterministic, invented.

A vehicle has eight control units and is scanned about monthly for ten years: 960 rows.  Some
units fail more than others and some vehicles more than most; a fault lasts up to four scans, is
often mended with a part and cleared, and a brake fault is often echoed by the engine unit.  About
one reading in fifteen shows a code.  Rows are made and written a year at a time, in the order
they would be delivered, so memory stays the same at any size.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import duckdb

Form = Literal["csv", "parquet"]

UNITS: Final = {  # faults begun in a thousand blocks of four scans
    "engine": 200, "transmission": 60, "brakes": 90, "airbag": 40, "body": 70, "gateway": 25,
    "steering": 35, "cluster": 50,
}  # fmt: skip
YEARS: Final = 10
SCANS_A_YEAR: Final = 12
ROWS_A_VEHICLE: Final = YEARS * SCANS_A_YEAR * len(UNITS)
MEMORY_LIMIT: Final = "2GB"

# a reading: vehicle v, scan n, unit u; ``shows`` its code.  The engine unit of a vehicle whose
# brake unit shows a code often shows the echo.
_READINGS: Final = """
    WITH cells AS (
        SELECT v, n, u, units[u + 1] AS ecu,
            hash(v, u, n // 4) % 1000 < weights[u + 1] * (40 + hash(v) % 120) // 100
                AND hash(v, u, n // 4, n) % 4 > 0 AS own,
            u = 0 AND hash(v, 2, n // 4) % 1000 < weights[3] * (40 + hash(v) % 120) // 100
                AND hash(v, 2, n // 4, n) % 4 > 0 AND hash(v, n // 4) % 10 < 7 AS echo,
            hash(v, u, n // 8) % 7 + 7 * (hash(v, u) % 3) AS which
        FROM {vehicles} a(v), range({first}, {last}) b(n), range({n_units}) c(u),
            (SELECT getvariable('units') AS units, getvariable('weights') AS weights)
    )
    SELECT v, n, ecu, own OR echo AS shows, CASE WHEN own THEN which ELSE 99 END AS which,
        CASE ecu WHEN 'brakes' THEN 'C0' WHEN 'airbag' THEN 'B0' WHEN 'gateway' THEN 'U0'
             WHEN 'body' THEN 'B1' ELSE 'P0' END || (300 + 21 * u + CASE WHEN own THEN which
             ELSE 400 END) AS code,
        TIMESTAMP '2015-01-02' + to_days((n * 30 + v % 28)::INTEGER) + to_hours(v % 9 + 8) AS at_
    FROM cells
"""
_SCANS: Final = """
    SELECT 'S' || v || '-' || n AS scan_id, 'V' || v AS vehicle_id,
        strftime(at_, '%Y-%m-%dT%H:%M:%SZ') AS scanned_at,
        1000 + n * (900 + v % 1700) AS odometer_km, 'full' AS scan_scope, 'stored' AS memory,
        ecu, 'answered' AS ecu_response, CASE WHEN shows THEN code END AS code,
        CASE WHEN shows THEN 'confirmed' END AS status,
        CASE WHEN shows THEN 'Signal out of range, circuit ' || which END AS description,
        CASE WHEN shows THEN 1 + n % 5 END AS occurrences,
        CASE WHEN n % 7 = 0 THEN 'complaint' ELSE 'routine' END AS visit_reason
    FROM readings ORDER BY n, v, ecu
"""
# every third visit that shows a code ends in work on it, three in four of these with a part
_REPAIRS: Final = """
    SELECT 'R' || v || '-' || n AS repair_id, 'V' || v AS vehicle_id,
        strftime(at_ + INTERVAL 2 HOUR, '%Y-%m-%dT%H:%M:%SZ') AS repaired_at,
        1000 + n * (900 + v % 1700) AS odometer_km, 'site ' || v % getvariable('n_sites') AS site,
        codes, 'replace' AS action,
        CASE WHEN has_part THEN ['ignition coil', 'wheel speed sensor', 'oxygen sensor',
            'egr valve', 'thermostat', 'battery', 'alternator', 'water pump', 'fuel pump',
            'starter'][part + 1] END AS part_family,
        CASE WHEN has_part THEN 'brand ' || brand END AS part_brand,
        CASE WHEN has_part THEN 'N' || part || '-' || brand END AS part_number,
        CASE WHEN has_part THEN 20 + 15 * part END AS part_cost, 60 AS labour_cost,
        'EUR' AS currency
    FROM (
        SELECT v, n, any_value(at_) AS at_, string_agg(DISTINCT code, ' ' ORDER BY code) AS codes,
            hash(v, n, 'part') % 4 > 0 AS has_part, (min(which) % 10)::INTEGER AS part,
            hash(v, n, 'brand') % 12 AS brand
        FROM readings WHERE shows AND hash(v, n) % 3 = 0 GROUP BY v, n
    ) ORDER BY n, v
"""
_CLEARS: Final = """
    SELECT vehicle_id, strftime(repaired_at::TIMESTAMP + INTERVAL 1 HOUR, '%Y-%m-%dT%H:%M:%SZ')
        AS cleared_at, odometer_km
    FROM ({repairs}) WHERE hash(repair_id) % 4 > 0
"""
_VEHICLES: Final = """
    SELECT 'V' || v AS vehicle_id, 'Make ' || v % 5 AS make, 'Model ' || v % 20 AS model,
        2012 + v % 4 AS model_year, ['petrol', 'diesel'][v % 2 + 1] AS powertrain,
        'site ' || v % getvariable('n_sites') AS site,
        CASE WHEN v % 50 = 0 THEN 'in_stock' ELSE 'in_fleet' END AS stock_status
    FROM range({n}) a(v)
"""


@dataclass(frozen=True, slots=True)
class FleetFiles:
    """Where a fleet's files stand."""

    n_vehicles: int
    vehicles: Path
    scans: tuple[Path, ...]
    repairs: tuple[Path, ...]
    clears: tuple[Path, ...]

    @property
    def all(self) -> tuple[Path, ...]:
        """Every file, in the order it is delivered."""
        return (self.vehicles, *self.scans, *self.repairs, *self.clears)


def write_fleet(folder: Path, n_scan_rows: int, form: Form = "csv") -> FleetFiles:
    """Write a fleet of about ``n_scan_rows`` scan rows: a file a year and table."""
    n = max(1, n_scan_rows // ROWS_A_VEHICLE)
    folder.mkdir(parents=True, exist_ok=True)
    found: dict[str, list[Path]] = {"scans": [], "repairs": [], "clears": []}
    with _maker(n) as con:
        vehicles = _copied(con, _VEHICLES.format(n=n), folder / "vehicles", form)
        for year in range(YEARS):
            first = year * SCANS_A_YEAR
            _make_readings(con, f"range({n})", first, first + SCANS_A_YEAR)
            for table, sql in _TABLES.items():
                found[table].append(_copied(con, sql, folder / f"{table}-{2015 + year}", form))
    return FleetFiles(n, vehicles, *(tuple(found[table]) for table in _TABLES))


def write_night(folder: Path, n_vehicles: int, n_scan_rows: int) -> tuple[Path, ...]:
    """Write what comes in after the ten years: ``n_scan_rows`` rows, one scan a vehicle."""
    folder.mkdir(parents=True, exist_ok=True)
    scanned = max(1, min(n_vehicles, n_scan_rows // len(UNITS)))
    spread = (
        f"(SELECT DISTINCT (i * {n_vehicles} // {scanned})::BIGINT AS v FROM range({scanned}) t(i))"
    )
    after = YEARS * SCANS_A_YEAR
    with _maker(n_vehicles) as con:
        _make_readings(con, spread, after, after + 1)
        return tuple(
            _copied(con, sql, folder / f"{table}-night", "csv") for table, sql in _TABLES.items()
        )


_TABLES: Final = {
    "scans": _SCANS,
    "repairs": _REPAIRS,
    "clears": _CLEARS.format(repairs=_REPAIRS),
}


@contextmanager
def _maker(n_vehicles: int) -> Iterator[duckdb.DuckDBPyConnection]:
    con = duckdb.connect(config={"memory_limit": MEMORY_LIMIT})
    try:
        con.execute("SET VARIABLE units = ?", [list(UNITS)])
        con.execute("SET VARIABLE weights = ?", [list(UNITS.values())])
        con.execute("SET VARIABLE n_sites = ?", [max(12, n_vehicles // 500)])
        yield con
    finally:
        con.close()


def _make_readings(con: duckdb.DuckDBPyConnection, vehicles: str, first: int, last: int) -> None:
    made = _READINGS.format(vehicles=vehicles, first=first, last=last, n_units=len(UNITS))
    con.execute(f"CREATE OR REPLACE VIEW readings AS {made}")


def _copied(con: duckdb.DuckDBPyConnection, sql: str, stem: Path, form: Form) -> Path:
    path = stem.with_suffix(f".{form}")
    options = "HEADER" if form == "csv" else "FORMAT parquet"
    con.execute(f"COPY ({sql}) TO '{path}' ({options})")
    return path
