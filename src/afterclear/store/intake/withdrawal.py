"""Withdraw loads, so that their files can be read again as if for the first time.

A load's rows go; rows it had replaced come back. Withdrawn from the last to the first, a series of
loads leaves the tables as they were before it, provided that every load that built on them is in
the series: ``depending`` finds those. The ledger keeps the old line as ``replaced``; the old
refusals are kept in a table of their own.  No row and no refusal counts twice.

Later loads whose rows a repeated reading would now replace are in that series too. Every query on
``loads`` with outcome ``stored`` and on ``rejections`` stays right as it is: old refusals are in
``replaced_rejections``.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from afterclear.plain import TABLES
from afterclear.store.engine.database import Connection, query, scalar
from afterclear.store.intake.staging import UNDECIDED_LINE
from afterclear.store.merging.delivered import delete_rows, insert_rows, placed
from afterclear.store.merging.rows import as_row, key_hash


@dataclass(frozen=True, slots=True)
class Origin:
    """What a user gave for a load besides its file."""

    zone: str = "UTC"
    vehicle_id: str | None = None
    started_at: datetime | None = None  # UTC, without an offset
    changed_at: float | None = None  # the file's time, seconds since 1970


@dataclass(frozen=True, slots=True)
class PastLoad:
    """A ledger line, with what a user gave for the load besides its file."""

    load_id: int
    arrived: int  # the first load of these bytes: its place among the others
    source: str
    file_name: str
    sha256: str
    reader: str
    outcome: str
    origin: Origin
    tables: str  # names of the plain tables it brought rows of


# a file read again has a new number; in the order of loads it keeps its first place
_ARRIVED = """SELECT load_id, min(load_id) OVER (PARTITION BY sha256) AS arrived FROM loads
    WHERE outcome <> 'retracted'"""
_LEDGER = ("load_id", "arrived", "source", "file_name", "sha256", "reader", "outcome", "tables")
_ORIGIN = ("zone", "vehicle_id", "started_at", "changed_at")


def past_loads(con: Connection) -> list[PastLoad]:
    """List the loads that count, oldest first: stored or refused, not replaced."""
    rows = query(
        con,
        f"""SELECT l.load_id, a.arrived, l.source, l.file_name, l.sha256, l.outcome,
               coalesce(l.reader, '') AS reader,
               coalesce(o.zone, 'UTC') AS zone, o.vehicle_id, o.started_at, o.changed_at,
               coalesce(o.tables, '') AS tables
           FROM loads l JOIN ({_ARRIVED}) a USING (load_id)
           LEFT JOIN load_origins o USING (load_id)
           WHERE l.outcome IN ('stored', 'refused') ORDER BY l.load_id""",
    )
    return [
        PastLoad(
            **{name: row[name] for name in _LEDGER},
            origin=Origin(**{name: row[name] for name in _ORIGIN}),
        )
        for row in rows.iter_rows(named=True)
    ]


def mendable(con: Connection) -> set[int]:
    """Name the loads that refused rows, or were refused as a whole."""
    rows = query(
        con,
        """SELECT load_id FROM loads WHERE outcome = 'refused'
           UNION SELECT load_id FROM rejections""",
    )
    return set(rows["load_id"])


def remember_origin(
    con: Connection,
    load_id: int,
    origin: Origin,
    *,
    tables: str = "",
    by_identifiers: bool = False,
) -> None:
    """Record what a user gave for a load besides its file."""
    con.execute(
        "INSERT INTO load_origins VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            load_id,
            origin.zone,
            origin.vehicle_id,
            origin.started_at,
            origin.changed_at,
            tables,
            by_identifiers,
        ],
    )


def depending(con: Connection, chosen: Iterable[int]) -> set[int]:
    """Add the loads that cannot stay when the chosen ones are withdrawn.

    Those are the loads that replaced rows of them; later ones that repeated rows of the same tables
    (which load's rows they repeat is not known); and, if a vehicle list is among them, all loads
    whose vehicles it may have named.
    """
    found = set(chosen)
    while True:
        more = _next(con, found) - found
        if not more:
            return found
        found |= more


def _next(con: Connection, found: set[int]) -> set[int]:
    names = ", ".join(map(str, sorted(found))) or "NULL"
    rows = query(
        con,
        f"""WITH counted AS (
                SELECT l.load_id, l.rows_duplicate, coalesce(o.tables, '') AS tables,
                    coalesce(o.by_marks, false) AS by_marks
                FROM loads l LEFT JOIN load_origins o USING (load_id)
                WHERE l.outcome = 'stored'
            ),
            taken AS (SELECT * FROM counted WHERE load_id IN ({names}))
            SELECT superseded_by FROM superseded WHERE load_id IN ({names})
            UNION
            -- a row that is refused anew must meet its mended one again
            SELECT r.replaced_by FROM replaced_rejections r JOIN counted USING (load_id)
            WHERE r.load_id IN ({names}) AND r.replaced_by <> r.load_id
            UNION
            SELECT c.load_id FROM counted c WHERE c.rows_duplicate > 0 AND EXISTS (
                SELECT 1 FROM taken t WHERE t.load_id < c.load_id
                AND len(list_intersect(split(t.tables, ' '), split(c.tables, ' '))) > 0)
            UNION
            -- a line that was refused beside one of theirs may be taken without it
            SELECT c.load_id FROM counted c JOIN rejections r USING (load_id)
            WHERE r.expected = '{UNDECIDED_LINE}' AND EXISTS (
                SELECT 1 FROM taken t WHERE t.load_id < c.load_id AND contains(t.tables, 'repairs'))
            UNION
            SELECT load_id FROM counted WHERE by_marks
            AND (SELECT count(*) FROM taken WHERE contains(tables, 'vehicles')) > 0""",
    )
    return set(rows["superseded_by"])


class LaterReplaced(Exception):  # noqa: N818 - a signal to start again, not an error
    """Files read again replaced rows of later ones: those must be read again too, after them."""

    def __init__(self, load_ids: set[int]) -> None:
        self.load_ids = load_ids
        super().__init__(load_ids)


def check_order(con: Connection, load_ids: Sequence[int]) -> None:
    """Check that files read again replaced no row of another file that first came later.

    Raises:
        LaterReplaced: they did; it names the loads of those.

    """
    names = ", ".join(map(str, load_ids)) or "NULL"
    rows = query(
        con,
        f"""SELECT DISTINCT s.load_id FROM superseded s
            JOIN ({_ARRIVED}) old USING (load_id)
            JOIN ({_ARRIVED}) new ON new.load_id = s.superseded_by
            WHERE s.superseded_by IN ({names}) AND s.load_id NOT IN ({names})
                AND old.arrived > new.arrived""",
    )
    if len(rows):
        raise LaterReplaced(set(rows["load_id"]))


def withdraw(con: Connection, load_ids: Sequence[int], by_load: int) -> None:
    """Withdraw loads, the last first. ``by_load``: the load for which their vehicles wait."""
    for load_id in sorted(load_ids, reverse=True):
        for name in TABLES:
            _withdraw_rows(con, name, load_id, by_load)
        _list_again(con, load_id)


def _withdraw_rows(con: Connection, name: str, load_id: int, by_load: int) -> None:
    con.execute(
        f"""INSERT INTO stale_vehicles
            SELECT DISTINCT vehicle_id, {by_load} FROM {name} WHERE load_id = {load_id}"""
    )
    delete_rows(con, TABLES[name], f"load_id = {load_id}")
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE coming_back AS
            SELECT unnest({as_row(con, name, "row_json")}) FROM superseded
            WHERE table_name = '{name}' AND superseded_by = {load_id} AND load_id <> {load_id}"""
    )
    con.execute(
        f"""INSERT INTO stale_vehicles SELECT DISTINCT vehicle_id, {by_load} FROM coming_back"""
    )
    key = key_hash(TABLES[name])
    con.execute(
        f"""DELETE FROM coming_back
            WHERE {key} IN (SELECT {key} FROM {placed(TABLES[name], "coming_back")})"""
    )
    insert_rows(con, TABLES[name], "FROM coming_back")
    con.execute(
        f"""DELETE FROM superseded WHERE table_name = '{name}'
            AND {load_id} IN (superseded_by, load_id)"""
    )


def within(con: Connection, load_ids: Iterable[int]) -> set[int]:
    """Name the loads of files that came in these loads' archives or mails."""
    names = ", ".join(map(str, sorted(load_ids))) or "NULL"
    return set(
        query(
            con,
            f"""SELECT load_id FROM loads WHERE outcome IN ('stored', 'refused') AND sha256 IN (
                    SELECT inner_file.sha256 FROM loads packed JOIN loads inner_file
                        ON inner_file.source = packed.source
                        AND starts_with(inner_file.file_name, packed.file_name || '/')
                        AND inner_file.load_id < packed.load_id
                        AND inner_file.started_at >= packed.started_at
                    WHERE packed.load_id IN ({names}))""",
        )["load_id"]
    )


def vehicles_of(con: Connection, load_id: int) -> set[str]:
    """Name the vehicles of a load's rows, replaced ones among them."""
    kept = " UNION ALL ".join(
        f"SELECT vehicle_id FROM {name} WHERE load_id = {load_id}" for name in TABLES
    )
    rows = query(
        con,
        f"""SELECT DISTINCT vehicle_id FROM ({kept} UNION ALL
            SELECT row_json->>'vehicle_id' FROM superseded WHERE load_id = {load_id})""",
    )
    return set(rows["vehicle_id"])


def _list_again(con: Connection, load_id: int) -> None:
    """List refused rows again that a load had brought corrected."""
    mended = f"""replaced_by = {load_id} AND load_id IN (
        SELECT load_id FROM loads WHERE outcome = 'stored' AND load_id <> {load_id})"""
    con.execute(
        f"""INSERT INTO rejections BY NAME
            SELECT * EXCLUDE (replaced_by) FROM replaced_rejections WHERE {mended}"""
    )
    con.execute(f"DELETE FROM replaced_rejections WHERE {mended}")


def keep_left(con: Connection, left: Sequence[int], request: str) -> None:
    """Record which loads a replay has yet to try one by one; the caller's transaction."""
    since = scalar(con, "SELECT max(load_id) FROM loads")
    for load_id in left:
        con.execute("INSERT INTO replay_left VALUES (?, ?, ?)", [load_id, since, request])


@dataclass(frozen=True, slots=True)
class Left:
    """What a replay that was killed has yet to do."""

    request: str  # as it was asked for
    since: int  # the last load before it began to try files one by one
    load_ids: tuple[int, ...]


def replay_left(con: Connection) -> Left | None:
    """Give the rest of a killed replay; None: nothing is left."""
    rows = query(con, "SELECT request, since, load_id FROM replay_left ORDER BY load_id").rows()
    if not rows:
        return None
    return Left(rows[0][0], rows[0][1], tuple(load_id for _, _, load_id in rows))


def mark_tried(con: Connection, load_id: int) -> None:
    """Record that a replay is done with a load; the caller's transaction."""
    con.execute("DELETE FROM replay_left WHERE load_id = ?", [load_id])


def mark_retracted(con: Connection, load_id: int, at: datetime) -> None:
    """Record in the ledger that a load was retracted, and set its refusals aside."""
    con.execute(
        """UPDATE loads SET outcome = 'retracted',
               note = concat_ws('; ', nullif(note, ''), ?::VARCHAR) WHERE load_id = ?""",
        [f"retracted on {at:%Y-%m-%d %H:%M} UTC", load_id],
    )
    _put_refusals_aside(con, load_id, load_id)


def mark_replaced(con: Connection, old: int, new: int) -> None:
    """Record in the ledger that a load's file was read again, and set its refusals aside."""
    con.execute(
        """UPDATE loads SET outcome = 'replaced',
               note = concat_ws('; ', nullif(note, ''), 'read again as load ' || ?::VARCHAR)
           WHERE load_id = ?""",
        [new, old],
    )
    _put_refusals_aside(con, old, new)


def _put_refusals_aside(con: Connection, load_id: int, by_load: int) -> None:
    con.execute(
        """INSERT INTO replaced_rejections BY NAME
           SELECT *, ?::INTEGER AS replaced_by FROM rejections WHERE load_id = ?""",
        [by_load, load_id],
    )
    con.execute("DELETE FROM rejections WHERE load_id = ?", [load_id])
