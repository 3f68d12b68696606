"""Rebuild the histories of some vehicles: stored rows -> what was seen, tried, proven.

The rules are the SQL files beside this one, run in their numbers' order over a *bucket* of
vehicles, in bounded memory; vehicles are independent up to here. What SQL cannot express runs
between the files: the odometer line (``odometer.py``), what codes mean (``catalogue_tables.py``).

The scan rows are read once for each bucket (``05_rows.sql``): a bucket is a range of vehicle ids,
so the store skips the others by one column. A whole rebuild empties the histories at once: vehicle
by vehicle, each bucket would search all the others.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, timedelta
from importlib.resources import files

import numpy as np
import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.histories.catalogue_tables import (
    put_cures,
    put_meanings,
    put_order_texts,
    put_part_families,
    put_presences,
    put_unit_labels,
)
from afterclear.histories.evidence_runs import put_evidence_runs
from afterclear.histories.history_rules import HistoryRules
from afterclear.histories.odometer import is_plausible, odometer_line
from afterclear.histories.reading_order import put_reading_order
from afterclear.store.engine.database import Connection, create_temp_table, query, transaction

# Scan rows in a bucket: about a hundred MB of work space.
BUCKET_ROWS = 2_000_000

_SQL = files("afterclear.histories") / "sql"

# What ``90_keep.sql`` fills, and what depends on it: tables whose rows name their vehicle ...
_OF_VEHICLES = (
    "other_readings", "other_moments", "vehicle_clocks", "scan_moments", "known_units",
    "sightings", "clears_placed", "episodes", "fix_numbers", "attempts", "onsets", "watched",
    "vehicle_words", "order_texts", "unit_notes",
    # what a finding derived from these once
    "unit_watch", "fault_watch",
)  # fmt: skip
# ... and tables that name it by a number, which another table links to the vehicle.
_HANGING = (("evidence_runs", "fix_no", "fix_numbers"),)
# All that is kept of histories.
HISTORY_TABLES = (*_OF_VEHICLES, *(name for name, _, _ in _HANGING), "unit_patterns")


def rebuild(
    con: Connection,
    rules: HistoryRules,
    catalogue: Catalogue,
    vehicles: pl.Series,
    progress: Callable[[int], None],
    *,
    anew: bool = False,
) -> None:
    """Rebuild the histories of ``vehicles``, one transaction for each bucket.

    ``progress`` receives the number of vehicles done after each bucket. ``anew``: the histories of
    all vehicles are deleted first; a run stopped after that leaves the rest marked as stale.
    """
    set_rules(con, rules)
    put_presences(con)
    if anew:
        # at once: vehicle by vehicle, each bucket would search all the others
        with transaction(con):
            _forget_all(con)
    for bucket in _buckets(con, vehicles):
        with transaction(con):
            _put_bucket(con, bucket)
            build_bucket(con, rules, catalogue)
            if not anew:
                _forget_bucket(con)
            _run(con, "90_keep.sql")
        progress(len(bucket))
    _drop_work(con)


def rules_as_written() -> bytes:
    """Return the text of every rule, so that a store knows by which rules a history was built."""
    return "".join(rule_files().values()).encode()


def rule_files() -> dict[str, str]:
    """Return the SQL of every rule by its file's name, in the order in which they run."""
    names = sorted(file.name for file in _SQL.iterdir() if file.name.endswith(".sql"))
    return {name: _sql(name) for name in names}


def _forget_all(con: Connection) -> None:
    """Delete the histories of every vehicle from the store."""
    for table in HISTORY_TABLES:
        con.execute(f"DELETE FROM store.{table}")


def _forget_bucket(con: Connection) -> None:
    """Delete the histories of the bucket's vehicles from the store."""
    for table, number, parent in _HANGING:
        theirs = f"SELECT {number} FROM store.{parent} JOIN bucket USING (vehicle_id)"
        con.execute(f"DELETE FROM store.{table} WHERE {number} IN ({theirs})")
    for table in _OF_VEHICLES:
        con.execute(
            f"DELETE FROM store.{table} WHERE vehicle_id IN (SELECT vehicle_id FROM bucket)"
        )


def _drop_work(con: Connection) -> None:
    """Drop the last bucket's tables: about a hundred MB that the findings can use."""
    for name in query(con, "SELECT table_name FROM duckdb_tables() WHERE temporary")["table_name"]:
        con.execute(f'DROP TABLE temp."{name}"')


def _put_bucket(con: Connection, bucket: pl.DataFrame) -> None:
    create_temp_table(con, "bucket", bucket)
    con.execute("SET VARIABLE first_vehicle = ?", [bucket["vehicle_id"][0]])
    con.execute("SET VARIABLE last_vehicle = ?", [bucket["vehicle_id"][-1]])


def build_bucket(con: Connection, rules: HistoryRules, catalogue: Catalogue) -> None:
    """Build the histories of the vehicles in ``bucket`` into temporary tables."""
    _run(con, "05_rows.sql")
    _run(con, "10_moments.sql")
    _fit_lines(con, rules.max_km_per_day)
    _run(con, "20_line.sql")
    put_unit_labels(con, catalogue)
    _run(con, "30_units.sql")
    put_meanings(con, catalogue)
    put_part_families(con, catalogue)
    put_cures(con, catalogue)
    put_order_texts(con, catalogue)
    for name in ("35_sightings", "40_clears", "50_order"):
        _run(con, f"{name}.sql")
    put_reading_order(con)
    for name in ("55_readings", "60_episodes", "70_attempts", "80_evidence", "85_patterns"):
        _run(con, f"{name}.sql")
    put_evidence_runs(con)


def set_rules(con: Connection, rules: HistoryRules) -> None:
    """Pass the settings to the SQL as variables."""
    values: dict[str, object] = {
        "as_of": rules.as_of.astimezone(UTC).replace(tzinfo=None),
        "visit": timedelta(hours=rules.visit_hours),
        "visit_km": rules.visit_km,
        "presume_clear": rules.presume_clear_at_repair,
        "assumed_km_per_day": rules.assumed_km_per_day,
        "km_per_engine_hour": rules.km_per_engine_hour,
        "extrapolate_days": rules.extrapolate_days,
        "counter_slack_km": rules.counter_slack_km,
    }
    for name, value in values.items():
        con.execute(f"SET VARIABLE {name} = ?", [value])


def _run(con: Connection, name: str) -> None:
    con.script(_sql(name))


def _sql(name: str) -> str:
    return (_SQL / name).read_text(encoding="utf-8")


def _buckets(con: Connection, vehicles: pl.Series) -> Iterator[pl.DataFrame]:
    """Split vehicles, in the order of their ids, into runs of about ``BUCKET_ROWS`` scan rows."""
    create_temp_table(con, "asked", vehicles.unique().to_frame("vehicle_id"))
    # by bytes, as the database compares the ends of a bucket
    counted = query(
        con,
        """SELECT a.vehicle_id, coalesce(n, 0) AS n FROM asked a
           LEFT JOIN (SELECT vehicle_id, count(*) AS n
                      FROM store.scan_lines JOIN store.scan_facts USING (fact_no)
                      SEMI JOIN asked USING (vehicle_id) GROUP BY vehicle_id) USING (vehicle_id)
           ORDER BY a.vehicle_id""",
    )
    before = pl.col("n").cum_sum() - pl.col("n")
    for bucket in counted.with_columns(before // BUCKET_ROWS).partition_by(
        "n", maintain_order=True, include_key=False
    ):
        yield bucket.with_row_index("vehicle_no").with_columns(pl.col("vehicle_no").cast(pl.Int32))


def _fit_lines(con: Connection, max_km_per_day: float) -> None:
    """Fit each vehicle's odometer line into the temporary table ``odometer``."""
    readings = query(
        con,
        """SELECT vehicle_no, happened_at AS read_at, odometer_km AS reading_km, origin, origin_id,
               scan_no
           FROM moments WHERE odometer_km IS NOT NULL
           ORDER BY vehicle_no, read_at, reading_km, origin, origin_id""",
    )
    days = readings["read_at"].dt.epoch("us").to_numpy() / 86_400_000_000
    km = readings["reading_km"].to_numpy()
    line, reasons = km.copy(), np.full(len(km), None, dtype=object)
    for begin, end in _runs(readings["vehicle_no"]):
        if is_plausible(days[begin:end], km[begin:end], max_km_per_day):
            continue
        fitted = odometer_line(days[begin:end], km[begin:end], max_km_per_day)
        line[begin:end], reasons[begin:end] = fitted.line_km, fitted.reasons
    create_temp_table(
        con,
        "odometer",
        readings.with_columns(
            pl.Series("line_km", line, dtype=pl.Float64).fill_nan(None),
            pl.Series("set_aside", [r and str(r) for r in reasons], dtype=pl.String),
        ),
    )


def _runs(vehicles: pl.Series) -> Iterator[tuple[int, int]]:
    """Start and end of each vehicle's run of rows."""
    lengths = vehicles.rle().struct.field("len").to_numpy() if len(vehicles) else np.array([], int)
    ends = np.cumsum(lengths)
    yield from zip((ends - lengths).tolist(), ends.tolist(), strict=True)
