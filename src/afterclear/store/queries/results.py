"""The store's record of analyses: as of when each was made, and which vehicles wait for one."""

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from afterclear.store.engine.database import Connection, create_temp_table, query


@dataclass(frozen=True, slots=True)
class Analysis:
    """One run of the analysis."""

    analysis_id: int
    as_of: datetime
    through_load: int
    is_full: bool
    version: str
    vehicles_rebuilt: int
    started_at: datetime
    finished_at: datetime


def last_analysis(con: Connection) -> Analysis | None:
    """Give the latest analysis, or None if there was none."""
    rows = query(con, "FROM analyses ORDER BY analysis_id DESC LIMIT 1").rows()
    if not rows:
        return None
    number, as_of, through, is_full, version, rebuilt, started, finished = rows[0]
    return Analysis(
        number, _aware(as_of), through, is_full, version, rebuilt, _aware(started), _aware(finished)
    )


def add_analysis(con: Connection, analysis: Analysis) -> None:
    """Remember an analysis."""
    con.execute(
        "INSERT INTO analyses VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            analysis.analysis_id,
            naive(analysis.as_of),
            analysis.through_load,
            analysis.is_full,
            analysis.version,
            analysis.vehicles_rebuilt,
            naive(analysis.started_at),
            naive(analysis.finished_at),
        ],
    )


def begin_analysis(con: Connection, now: datetime) -> None:
    """Record that an analysis is under way; a killed one leaves the record behind."""
    con.execute("DELETE FROM unfinished")
    con.execute("INSERT INTO unfinished VALUES ('analysis', ?)", [naive(now)])


def end_analysis(con: Connection) -> None:
    """Say that the results are whole, in the transaction that remembers the analysis."""
    con.execute("DELETE FROM unfinished")


def all_vehicle_ids(con: Connection) -> pl.Series:
    """Every vehicle named in any row."""
    return query(
        con,
        """SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scan_facts
           UNION SELECT vehicle_id FROM clears UNION SELECT vehicle_id FROM repairs
           ORDER BY vehicle_id""",
    )["vehicle_id"]


def vehicles_to_rebuild(con: Connection, since: datetime, until: datetime) -> pl.Series:
    """Vehicles whose rows changed, or had events dated in (since, until]."""
    return query(
        con,
        """SELECT DISTINCT vehicle_id FROM stale_vehicles
           UNION SELECT vehicle_id FROM scan_facts WHERE scanned_at > $1 AND scanned_at <= $2
           UNION SELECT vehicle_id FROM clears WHERE cleared_at > $1 AND cleared_at <= $2
           UNION SELECT vehicle_id FROM repairs WHERE repaired_at > $1 AND repaired_at <= $2""",
        [naive(since), naive(until)],
    )["vehicle_id"]


def mark_all_stale(con: Connection, vehicles: pl.Series) -> None:
    """Request a rebuild of these vehicles, so that a stopped run is continued."""
    con.execute("DELETE FROM stale_vehicles")
    create_temp_table(con, "to_rebuild", vehicles.to_frame("vehicle_id"))
    con.execute("INSERT INTO stale_vehicles SELECT vehicle_id, 0 FROM to_rebuild")


def last_event_at(con: Connection) -> datetime | None:
    """Give the latest instant in any stored row."""
    row = query(
        con,
        """SELECT max(at_) FROM (SELECT max(scanned_at) AS at_ FROM scan_facts
           UNION ALL SELECT max(cleared_at) FROM clears
           UNION ALL SELECT max(repaired_at) FROM repairs)""",
    ).item()
    return None if row is None else _aware(row)


def naive(instant: datetime) -> datetime:
    """Turn an aware instant into the store's UTC without an offset."""
    return instant.astimezone(UTC).replace(tzinfo=None)


def _aware(instant: datetime) -> datetime:
    return instant.replace(tzinfo=UTC)
