"""Who did what at the desk: kept in the store, without names of vehicles that are forgotten."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from afterclear.store.engine.database import Connection, rows, transaction
from afterclear.store.intake.forgotten_names import Door, the_door
from afterclear.store.queries.results import naive


@dataclass(frozen=True, slots=True)
class Entry:
    """Something a person did.  ``done_at`` is aware."""

    entry_id: str
    done_at: datetime
    who: str
    role: str
    did: str
    about: str = ""
    vehicles: tuple[str, ...] = ()


def add_entries(con: Connection, entries: Sequence[Entry]) -> None:
    """Keep entries; those that are kept already are left out."""
    door = the_door(con)
    with transaction(con):
        found = rows(con, "SELECT entry_id FROM trail")
        kept = {row["entry_id"] for row in found}
        for entry in entries:
            if entry.entry_id not in kept:
                _insert(con, entry if door is None else _without_forgotten(entry, door))


def last_entries(con: Connection, n: int) -> list[Entry]:
    """List the latest entries, newest first."""
    found = rows(
        con,
        f"""SELECT entry_id, any_value(t.done_at) AS done_at, any_value(who) AS who,
                any_value(role) AS role, any_value(did) AS did, any_value(about) AS about,
                list(vehicle_id ORDER BY vehicle_id) FILTER (vehicle_id IS NOT NULL) AS vehicles
            FROM trail t LEFT JOIN trail_vehicles USING (entry_id)
            GROUP BY entry_id ORDER BY done_at DESC, entry_id LIMIT {n:d}""",
    )
    return [
        Entry(
            **row
            | {
                "done_at": row["done_at"].replace(tzinfo=UTC),
                "vehicles": tuple(row["vehicles"] or ()),
            }
        )
        for row in found
    ]


def _insert(con: Connection, entry: Entry) -> None:
    con.execute(
        "INSERT INTO trail VALUES (?, ?, ?, ?, ?, ?)",
        [entry.entry_id, naive(entry.done_at), entry.who, entry.role, entry.did, entry.about],
    )
    for vehicle_id in entry.vehicles:
        con.execute("INSERT INTO trail_vehicles VALUES (?, ?)", [entry.entry_id, vehicle_id])


def _without_forgotten(entry: Entry, door: Door) -> Entry:
    called = door.refused(entry.vehicles, [entry.about])
    if called is None:
        return entry
    stay = tuple(v for v in entry.vehicles if not called.is_number(v))
    return replace(entry, about=called.words_erased_from(entry.about), vehicles=stay)
