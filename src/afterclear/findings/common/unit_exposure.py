"""How far each control unit was observed without a code, and which codes it ever had.

Only units whose history is new are read; what was found of the others is stored beside them
(``migrations/0010_watch.sql``). Units are taken in batches by number: every table that grows with
the scans is read a piece at a time, in bounded memory. The readings of a batch come from the store
in order, so the previous reading is the row above; a window function in the database took ten times
as long on ten million readings.

Findings of a large fleet use numbers for names (``Enum`` sorts as names do). They read what grows
with the scans in batches of units, from ``looks`` and ``scan_moments``, never from the view
``observations``, and only for new histories: what was found of the others is stored beside them
(``unit_watch``, ``fault_watch``). A finding drops its temporary tables when it is done
(``tables.py``): otherwise they count against the database's memory until the end of the analysis.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from afterclear.store.engine.database import (
    Connection,
    create_temp_table,
    query,
    scalar,
    transaction,
)

# Readings in a batch: with the codes of their unit, about 100 MB, a few times over.
BATCH_READINGS = 500_000

# Readings of stored memory in the order of the histories: at one instant a scan before the work,
# then the clear, then a scan after it. Scan numbers rise with instants and ids.
_READINGS = """
    SELECT l.unit_no, l.scan_no, m.km, n.monitors_incomplete,
        m.seen_at + CASE WHEN m.visit_reason = 'post_repair' THEN INTERVAL 2 MICROSECOND
            ELSE INTERVAL 0 MICROSECOND END AS turn_at
    FROM store.looks l
    JOIN store.scan_moments m USING (scan_no)
    LEFT JOIN store.unit_notes n ON n.vehicle_id = m.vehicle_id AND n.scan_no = l.scan_no
        AND n.unit_no = l.unit_no
    WHERE l.unit_no BETWEEN $1 AND $2 AND m.vehicle_id BETWEEN $3 AND $4
        AND l.answered AND l.is_stored_memory AND m.km IS NOT NULL
    ORDER BY l.unit_no, turn_at, l.scan_no"""
# An inferred clear is just before the scan that revealed it, at the far end of its interval (as in
# ``histories/sql/50_order.sql``).
_CLEARS = """
    SELECT u.unit_no,
        CASE WHEN c.origin IN ('counter', 'status', 'vanished') THEN c.km_high
            ELSE coalesce(c.km, c.km_high) END AS clear_km,
        c.cleared_at + CASE WHEN c.cleared_at < c.high_at THEN INTERVAL 3 MICROSECOND
            WHEN c.origin IN ('counter', 'status', 'vanished') THEN INTERVAL (-1) MICROSECOND
            ELSE INTERVAL 1 MICROSECOND END AS cleared_at
    FROM store.clear_events c
    JOIN store.known_units u USING (vehicle_id, ecu)
    WHERE u.unit_no BETWEEN $1 AND $2 AND c.vehicle_id BETWEEN $3 AND $4
    ORDER BY u.unit_no, cleared_at, clear_km"""
_FAULTS = """
    SELECT u.unit_no, e.code, min(e.family) AS family, count(*)::INTEGER AS n_episodes
    FROM store.episodes e
    JOIN store.known_units u USING (vehicle_id, ecu)
    WHERE u.unit_no BETWEEN $1 AND $2 AND e.vehicle_id BETWEEN $3 AND $4
    GROUP BY u.unit_no, e.code
    ORDER BY u.unit_no, e.code"""
_SEEN = """
    SELECT u.unit_no, s.code, m.scan_no, s.presence = 'present' AS is_dirty
    FROM store.sightings s
    JOIN store.known_units u USING (vehicle_id, ecu)
    JOIN store.scan_moments m USING (vehicle_id, scan_id)
    WHERE u.unit_no BETWEEN $1 AND $2 AND s.vehicle_id BETWEEN $3 AND $4
        AND m.vehicle_id BETWEEN $3 AND $4"""

# Every unit of a batch, so that it is recorded as read.
_KEPT_UNITS = """
    INSERT INTO store.unit_watch
    SELECT vehicle_id, unit_no, km FROM store.known_units LEFT JOIN found USING (unit_no)
    WHERE unit_no BETWEEN $1 AND $2 ORDER BY unit_no"""
_KEPT_FAULTS = """
    INSERT INTO store.fault_watch
    SELECT vehicle_id, unit_no, code, family, n_episodes, coalesce(km, 0)
    FROM store.known_units JOIN found USING (unit_no)
    WHERE unit_no BETWEEN $1 AND $2 ORDER BY unit_no, code"""

# First and last unit of a batch, and of its vehicles: tables that name the vehicle are written
# vehicle by vehicle, so the store can skip the rest.
_Batch = tuple[int, int, str, str]


@dataclass(frozen=True, slots=True)
class Watching:
    """Exposure by the store's unit numbers."""

    units: pl.DataFrame  # unit_no, km: every unit ever read
    faults: pl.DataFrame  # unit_no, code, family, n_episodes, clean_km


def watching(con: Connection, rules: Callable[[pl.DataFrame], pl.DataFrame]) -> Watching:
    """Return the exposure of every unit in the store; reads only those with a new history.

    ``rules``: adds to rows with code and family what a reading needs to be evidence about the code:
    ``monitor`` (must be complete) and ``min_clean_km`` (since the last clear). When they change,
    every history is built again.
    """
    for batch in _batches(con):
        readings = _readings(con, batch)
        own = query(con, _FAULTS, batch).with_row_index("fault_no")
        clean = _clean_km(readings, rules(own), query(con, _SEEN, batch))
        with transaction(con):
            _keep(con, _KEPT_UNITS, batch, _summed(readings, "unit_no", _looked_back("unit_no")))
            _keep(con, _KEPT_FAULTS, batch, own.join(clean, on="fault_no", how="left"))
    return Watching(
        query(con, "SELECT unit_no, km FROM store.unit_watch WHERE km IS NOT NULL"),
        query(con, "SELECT * EXCLUDE (vehicle_id) FROM store.fault_watch"),
    )


def _keep(con: Connection, sql: str, batch: _Batch, found: pl.DataFrame) -> None:
    create_temp_table(con, "found", found)
    con.execute(sql, batch[:2])
    con.execute("DROP TABLE temp.found")


def _batches(con: Connection) -> Iterator[_Batch]:
    """Split the units not read yet into batches. New histories have the highest numbers."""
    known = query(con, "SELECT unit_no, vehicle_id FROM store.known_units ORDER BY unit_no")
    readings = scalar(con, "SELECT count(*) FROM store.looks")
    size = max(1, len(known) * BATCH_READINGS // max(1, readings))
    last_counted = scalar(con, "SELECT coalesce(max(unit_no), -1) FROM store.unit_watch")
    for batch in known.filter(pl.col("unit_no") > last_counted).iter_slices(size):
        numbers, vehicles = batch["unit_no"], batch["vehicle_id"]
        yield int(numbers[0]), int(numbers[-1]), str(vehicles.min()), str(vehicles.max())


def _readings(con: Connection, batch: _Batch) -> pl.DataFrame:
    """Add to each reading the last clear before it: its instant and its highest km."""
    clears = query(con, _CLEARS, batch).with_columns(pl.col("cleared_at").alias("at"))
    return query(con, _READINGS, batch).join_asof(
        clears, left_on="turn_at", right_on="at", by="unit_no", check_sortedness=False
    )


def _looked_back(run: str) -> pl.Expr:
    """Km a reading covers: back to the previous one or, where it is in between, to the last clear.

    ``run``: the column whose equal values form a run of readings; its first reading covers 0 km.
    """
    before_km = pl.col("km").shift(1)
    is_clear_between = pl.col("cleared_at") >= pl.col("turn_at").shift(1)
    begun_km = (
        pl.when(is_clear_between)
        .then(pl.max_horizontal(before_km, "clear_km"))
        .otherwise(before_km)
    )
    return (
        pl.when(pl.col(run) == pl.col(run).shift(1))
        .then(pl.max_horizontal(pl.lit(0.0), pl.col("km") - begun_km))
        .otherwise(0.0)
    )


def _summed(rows: pl.DataFrame, run: str, km: pl.Expr) -> pl.DataFrame:
    """Add up km over each run, in row order, independent of other runs."""
    runs = rows[run].rle_id().to_numpy()
    names = rows[run].rle().struct.field("value").alias(run)
    weight = rows.select(km).to_series().to_numpy()
    total = np.bincount(runs, weight, len(names)).astype(np.float64)
    return pl.DataFrame([names, pl.Series("km", total)])


def _clean_km(readings: pl.DataFrame, faults: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """Km observed without each of a unit's own codes: fault_no, km.

    Only readings count that show the code or could have shown it.
    """
    has_monitor = pl.col("monitors_incomplete").is_not_null() & pl.col("monitor").is_not_null()
    incomplete = pl.col("monitors_incomplete").str.split(" ").list.contains(pl.col("monitor"))
    could_show = (
        pl.when(has_monitor)
        .then(incomplete.not_())
        .otherwise(
            pl.coalesce(
                pl.col("km") - pl.col("clear_km") >= pl.col("min_clean_km"),
                pl.col("cleared_at").is_null(),
            )
        )
    )
    sightings = seen.join(faults.select("unit_no", "code", "fault_no"), on=["unit_no", "code"])
    telling = (
        faults.select("fault_no", "unit_no", "monitor", "min_clean_km")
        .join(readings, on="unit_no", maintain_order="left_right")
        .join(
            sightings.select("fault_no", "scan_no", "is_dirty"),
            on=["fault_no", "scan_no"],
            how="left",
            maintain_order="left",
        )
        .filter(pl.col("is_dirty") | (pl.col("is_dirty").is_null() & could_show))
    )
    # after a reading that showed the code, the clean km begin with a clear, if there was one
    # between
    was_dirty = pl.col("is_dirty").shift(1) & (pl.col("fault_no") == pl.col("fault_no").shift(1))
    stayed = was_dirty & (pl.col("cleared_at") >= pl.col("turn_at").shift(1)).not_().fill_null(
        value=True
    )
    counts = pl.col("is_dirty").is_null() & stayed.fill_null(value=False).not_()
    return _summed(
        telling, "fault_no", pl.when(counts).then(_looked_back("fault_no")).otherwise(0.0)
    )
