"""Plain-layout fleets of any size, made in the database itself: deterministic, invented.

A vehicle has eight control units and is scanned about monthly; about one reading in fifteen
shows a code, codes last a few scans, and most are cleared with a work order.
"""

from pathlib import Path

import duckdb

UNITS = ("engine", "transmission", "brakes", "airbag", "body", "gateway", "steering", "cluster")
SCANS_A_VEHICLE = 24
ROWS_A_VEHICLE = SCANS_A_VEHICLE * len(UNITS)

_SCANS = """
    SELECT 'S' || v || '-' || n AS scan_id, 'V' || v AS vehicle_id,
        strftime(TIMESTAMP '2023-01-02' + to_days(n * 30 + v % 28) + to_hours(v % 9 + 8),
                 '%Y-%m-%dT%H:%M:%SZ') AS scanned_at,
        1000 + n * (900 + v % 1700) AS odometer_km, 'full' AS scan_scope, 'stored' AS memory,
        units[u + 1] AS ecu, 'answered' AS ecu_response,
        CASE WHEN fault THEN 'P0' || (300 + hash(v, u) % 13) END AS code,
        CASE WHEN fault THEN 'confirmed' END AS status,
        CASE WHEN fault THEN 'Misfire, cylinder ' || hash(v, u) % 13 END AS description,
        CASE WHEN fault THEN 1 + n % 5 END AS occurrences,
        CASE WHEN n % 7 = 0 THEN 'complaint' ELSE 'routine' END AS visit_reason
    FROM (
        SELECT v, n, u, getvariable('units') AS units,
            hash(v, u, n // 3) % 15 = 0 AND hash(v, u, n // 3, n) % 4 > 0 AS fault
        FROM range({first}, {last}) a(v), range({scans}) b(n), range({n_units}) c(u)
    )
    ORDER BY n, v, u
"""
_REPAIRS = """
    SELECT 'R' || row_number() OVER () AS repair_id, vehicle_id,
        strftime(at_ + INTERVAL 2 HOUR, '%Y-%m-%dT%H:%M:%SZ') AS repaired_at,
        km AS odometer_km, 'site ' || hash(vehicle_id) % 12 AS site, codes, 'replace' AS action
    FROM (
        SELECT vehicle_id, scan_id, min(scanned_at)::TIMESTAMP AS at_, min(odometer_km) AS km,
            string_agg(DISTINCT code, ' ') AS codes
        FROM scans WHERE code IS NOT NULL AND hash(scan_id) % 3 = 0
        GROUP BY vehicle_id, scan_id
    )
"""
_CLEARS = """
    SELECT vehicle_id, strftime(repaired_at::TIMESTAMP + INTERVAL 1 HOUR, '%Y-%m-%dT%H:%M:%SZ')
        AS cleared_at, odometer_km
    FROM repairs WHERE hash(repair_id) % 4 > 0
"""


def write_fleet(folder: Path, n_scan_rows: int) -> dict[str, Path]:
    """Write scans, repairs and clears as CSV; about ``n_scan_rows`` scan rows."""
    folder.mkdir(parents=True, exist_ok=True)
    vehicles = max(1, n_scan_rows // ROWS_A_VEHICLE)
    scans = _SCANS.format(first=0, last=vehicles, scans=SCANS_A_VEHICLE, n_units=len(UNITS))
    con = duckdb.connect()
    con.execute("SET VARIABLE units = ?", [list(UNITS)])
    con.execute(f"CREATE TABLE scans AS {scans}")
    con.execute(f"CREATE TABLE repairs AS {_REPAIRS}")
    con.execute(f"CREATE TABLE clears AS {_CLEARS}")
    paths = {}
    for table in ("scans", "repairs", "clears"):
        paths[table] = folder / f"{table}.csv"
        con.execute(f"COPY {table} TO '{paths[table]}' (HEADER)")
    con.close()
    return paths
