"""The bare work that histories are measured against is the same work, whatever does it."""

import duckdb

from tests.benchmarks.islands import COLUMNS, ISLANDS, in_pandas, in_polars, in_the_database

SCANS = """
    CREATE TABLE scans AS
    SELECT 'V' || vehicle AS vehicle_id, 'engine' AS ecu,
        CASE WHEN (day + vehicle) % 5 < 2 THEN 'P0301' END AS code,
        TIMESTAMP '2026-01-01 08:00' + to_days(day::INTEGER) AS scanned_at
    FROM range(3) AS vehicles (vehicle), range(20) AS days (day)
"""


def test_three_ways_find_the_same_runs_of_a_code() -> None:
    with duckdb.connect() as con:
        con.execute(SCANS)
        in_sql = con.sql(ISLANDS).fetchall()
        polars = in_polars(con).select(COLUMNS).rows()
        pandas = [tuple(row) for row in in_pandas(con).itertuples(index=False)]
        counted = in_the_database(con)
    # days 0 and 1 of each five; 4 and 0, so that the first and last day stand alone; 3 and 4
    assert counted == len(in_sql) == 4 + 5 + 4
    assert sorted(in_sql) == sorted(polars) == sorted(pandas)
