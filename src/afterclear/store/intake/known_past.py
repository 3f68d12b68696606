"""What is known of some vehicles by now: their odometer readings and codes, for ``map-check``."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from afterclear.catalogue.names_in_text import plain_id
from afterclear.plain import INSTANT_OF, TABLES
from afterclear.store.engine.database import Connection, query
from afterclear.store.intake.identity import claims
from afterclear.store.merging.delivered import names_vehicles

# Days of one vehicle that are told, spread over all it has: enough to place another reading.
_MOST_DAYS = 40


@dataclass(frozen=True, slots=True)
class KnownPast:
    """What some vehicles had, by the names they were asked for with."""

    readings: Mapping[str, tuple[tuple[datetime, float], ...]]  # (UTC, km) in order of time
    codes: Mapping[str, frozenset[str]]


def known_past(con: Connection, told: Iterable[str]) -> KnownPast:
    """Give what is known of vehicles named by number, VIN or plate, however these are written.

    A name that may be of several vehicles is of none.
    """
    owners = _owners(con, {plain_id(name) for name in told} - {""})
    numbers = list(dict.fromkeys(owners.values()))
    readings = _readings(con, numbers)
    codes = {
        number: frozenset(own)
        for number, own in query(
            con,
            """SELECT vehicle_id, list(DISTINCT code) FROM scans
               WHERE code IS NOT NULL AND vehicle_id IN (SELECT unnest(?)) GROUP BY ALL""",
            [numbers],
        ).iter_rows()
    }
    return KnownPast(
        {name: readings[own] for name, own in owners.items() if own in readings},
        {name: codes[own] for name, own in owners.items() if own in codes},
    )


def _owners(con: Connection, names: set[str]) -> dict[str, str]:
    claimed = claims(con)
    owners: dict[str, set[str]] = defaultdict(set)
    for table in map(names_vehicles, TABLES.values()):
        for (number,) in query(con, f"SELECT DISTINCT vehicle_id FROM {table}").iter_rows():
            owners[plain_id(number)].add(number)
    for name in names:
        owners[name] |= claimed.vins.get(name, set())
        owners[name] |= {vehicle for vehicle, _, _ in claimed.plates.get(name, ())}
    return {name: next(iter(owners[name])) for name in names if len(owners[name]) == 1}


def _readings(con: Connection, numbers: list[str]) -> dict[str, tuple[tuple[datetime, float], ...]]:
    own = " UNION ALL ".join(
        f"""SELECT vehicle_id, {at} AS read_at, odometer_km AS km
            FROM {names_vehicles(TABLES[table])}
            WHERE odometer_km > 0 AND vehicle_id IN (SELECT unnest(numbers) FROM asked)"""
        for table, at in INSTANT_OF.items()
    )
    rows = query(
        con,
        f"""WITH asked AS (SELECT ?::VARCHAR[] AS numbers),
            days AS (
                SELECT vehicle_id, min(read_at) AS since, arg_min(km, read_at) AS km
                FROM ({own}) GROUP BY vehicle_id, read_at::DATE
            )
            SELECT vehicle_id, since, km FROM days
            WINDOW w AS (PARTITION BY vehicle_id ORDER BY since),
                whole AS (PARTITION BY vehicle_id)
            QUALIFY (row_number() OVER w - 1) % ceil(count(*) OVER whole / {_MOST_DAYS}.0) = 0
                OR lead(since) OVER w IS NULL
            ORDER BY vehicle_id, since""",
        [numbers],
    )
    found = defaultdict(list)
    for vehicle, at, km in rows.iter_rows():
        found[vehicle].append((at, km))
    return {vehicle: tuple(own) for vehicle, own in found.items()}
