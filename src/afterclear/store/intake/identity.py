"""The vehicle of each row: known by number, VIN or plate, at the time of the row.

* A number is the user's own and is taken as it is, unless it is the VIN of exactly one vehicle.
* A VIN never moves.  An unknown VIN stays the vehicle's number until a vehicle list names its
  owner; then the rows move to the owner's number.
* A plate moves.  It is looked up at the row's day (UTC): the day a plate was fitted
  (``plate_since``) it is the new vehicle's.

Nothing doubtful is decided: a VIN of several vehicles, a plate that two may have had or nobody
had then, a number and a VIN that contradict each other are refused with the reason, and can be
replayed once the list is mended.

A reader may hand over ``_vin`` and ``_plate`` beside or instead of ``vehicle_id``; only the store
knows whose they were on that day.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

import polars as pl

from afterclear.catalogue.names_in_text import plain_id, without_country
from afterclear.errors import worded
from afterclear.plain import APART, INSTANT_OF, ONCE, TABLES, Table
from afterclear.records import PlainFile, PlainRows, Rejection
from afterclear.store.engine.database import Connection, query, scalar
from afterclear.store.merging.delivered import delete_rows, names_vehicles, placed
from afterclear.store.merging.rows import as_row, content_hash, key_hash, packed, stored_columns
from afterclear.store.queries.exports_identity import SQL_MARK

# Helper columns of a reader's rows: other ways to know the vehicle.
VIN, PLATE = "_vin", "_plate"
_NO_CELLS = {"_line", APART, ONCE}  # what a reader says of rows, not cells of theirs
# expected of a plate nobody had
UNKNOWN_PLATE = worded("a plate of a vehicle in the vehicle list")
_HAD = "place IN (SELECT place FROM had_already)"
_INSTANT = "%Y-%m-%dT%H:%M:%S%.f%#z"
_NUMBER_MARK, _VIN_MARK = SQL_MARK.format("vehicle_id"), SQL_MARK.format("vin")
# VINs that exactly one vehicle has, and its number.
_OWN_NUMBERS = f"""
    SELECT {_VIN_MARK} AS vin, any_value(vehicle_id) AS own FROM vehicles
    WHERE {_VIN_MARK} <> '' AND {_NUMBER_MARK} <> {_VIN_MARK}
    GROUP BY ALL HAVING count(DISTINCT vehicle_id) = 1"""


@dataclass(frozen=True, slots=True)
class Identified:
    """Rows under their vehicles' own numbers, refused rows, and notes for the ledger."""

    part: PlainFile | PlainRows
    rejections: tuple[Rejection, ...] = ()
    note: str = ""
    by_identifiers: bool = False  # their vehicles depend on the vehicle list


@dataclass(slots=True)
class Claims:
    """What the vehicle lists say so far about VINs and plates."""

    vins: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    # plate -> (vehicle, from, until); None: not known
    plates: dict[str, list[tuple[str, date | None, date | None]]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def owner_of_plate(self, plate: str, day: date | None) -> str | None:
        """Give the one vehicle that had a plate on a day; None: none, or not known."""
        if day is None:
            return None
        had = [
            (since, vehicle)
            for vehicle, since, until in self.plates.get(plate, ())
            if (since is None or since <= day) and (until is None or day < until)
        ]
        vehicles = {vehicle for _, vehicle in had}
        if len(vehicles) == 1:
            return vehicles.pop()
        dated = [(since, vehicle) for since, vehicle in had if since is not None]
        latest = {v for s, v in dated if s == max(s for s, _ in dated)}
        return latest.pop() if len(latest) == 1 else None


@dataclass(frozen=True, slots=True)
class Identifiers:
    """The numbers, VINs and plates of all vehicles, as they are compared."""

    numbers: frozenset[str]
    vins: frozenset[str]
    plates: frozenset[str]
    owners: dict[str, frozenset[str]]  # VIN or plate -> numbers of the vehicles that have or had it
    written: dict[str, str]  # number as compared -> as the list writes it, where one vehicle has it


def known_identifiers(con: Connection) -> Identifiers:
    """Give the identifiers of all vehicles."""
    numbers = {
        plain_id(number)
        for table in map(names_vehicles, TABLES.values())
        for (number,) in query(con, f"SELECT DISTINCT vehicle_id FROM {table}").iter_rows()
    }
    claimed = claims(con)
    owners = {vin: frozenset(map(plain_id, own)) for vin, own in claimed.vins.items()}
    for plate, had in claimed.plates.items():
        owners[plate] = frozenset(plain_id(vehicle) for vehicle, _, _ in had)
    listed: dict[str, set[str]] = defaultdict(set)
    for number in query(con, "SELECT vehicle_id FROM vehicles")["vehicle_id"]:
        listed[plain_id(number)].add(number)
    return Identifiers(
        frozenset(numbers),
        frozenset(claimed.vins),
        frozenset(claimed.plates),
        owners,
        {plain: min(own) for plain, own in listed.items() if len(own) == 1},
    )


def claims(con: Connection) -> Claims:
    """Gather what present and replaced rows of the vehicle lists say."""
    rows = query(
        con,
        f"""SELECT vehicle_id, {SQL_MARK.format("vin")} AS vin,
                {SQL_MARK.format("plate")} AS plate, plate_since, is_current
            FROM (
                SELECT vehicle_id, vin, plate, plate_since, true AS is_current FROM vehicles
                UNION ALL
                SELECT row_json->>'vehicle_id', row_json->>'vin', row_json->>'plate',
                    try_cast(row_json->>'plate_since' AS DATE), false
                FROM superseded WHERE table_name = 'vehicles'
            )""",
    )
    made = Claims()
    had: dict[str, list[tuple[str, date | None, bool]]] = defaultdict(list)
    for vehicle, vin, plate, since, is_current in rows.iter_rows():
        if vin and is_current and plain_id(vehicle) != vin:
            made.vins[vin].add(vehicle)
        if plate:
            had[vehicle].append((plate, since, is_current))
    for vehicle, plates in had.items():
        for plate, since, until in _periods(plates):
            made.plates[plate].append((vehicle, since, until))
    return made


def _periods(
    plates: Iterable[tuple[str, date | None, bool]],
) -> Iterable[tuple[str, date | None, date | None]]:
    """Give each of a vehicle's plates its time: until the next one that has a date."""
    known = set(plates)
    changes = sorted((since, plate) for plate, since, _ in known if since is not None)
    for plate, since, is_current in known:
        later = [s for s, p in changes if p != plate and (since is None or s > since)]
        if since is None and is_current:
            later = []  # a present plate without a date may be the newest
        yield plate, since, min(later, default=None)


# --- rows of a delivery -------------------------------------------------------------------------


def under_own_number(con: Connection, part: PlainFile | PlainRows) -> Identified:
    """Give rows a reader made their vehicles' own numbers."""
    if isinstance(part, PlainFile):
        return Identified(part)  # the store resolves these itself, with the file's rows: absorb.py
    known = claims(con)
    frame = part.frame
    if part.table == "vehicles":
        own = {vin: next(iter(owners)) for vin, owners in known.vins.items() if len(owners) == 1}
        number = pl.col("vehicle_id")
        own = {
            v: own[plain_id(v)]
            for v in frame["vehicle_id"].drop_nulls().unique()
            if plain_id(v) in own
        }
        return Identified(PlainRows(part.table, frame.with_columns(number.replace(own))))
    return _identified(part, known)


def known_vins(con: Connection, table: str, rows: str) -> int:
    """Put into ``renamed`` those of the numbers among ``rows`` are VINs of exactly one vehicle.

    ``rows``: SQL after FROM.  Returns how many there are.  Only rows of scans, clears and work are
    asked: a vehicle list names vehicles itself.
    """
    if table not in INSTANT_OF or not scalar(con, "SELECT count(vin) FROM vehicles"):
        return 0
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE renamed AS
            SELECT told, own FROM (
                SELECT vehicle_id AS told, {_NUMBER_MARK} AS vin
                FROM (SELECT DISTINCT vehicle_id FROM {rows}))
            JOIN ({_OWN_NUMBERS}) USING (vin)"""
    )
    return scalar(con, "SELECT count(*) FROM renamed")


def _identified(part: PlainRows, known: Claims) -> Identified:
    frame = part.frame
    day = pl.col(INSTANT_OF[part.table]).str.to_datetime(_INSTANT, strict=False, time_zone="UTC")
    keys = frame.select(
        pl.col("vehicle_id"),
        *(
            pl.col(c) if c in frame.columns else pl.lit(None, pl.String).alias(c)
            for c in (VIN, PLATE)
        ),
        day.dt.date().alias("day"),
    )
    if PLATE not in frame.columns:
        keys = keys.with_columns(pl.lit(None, pl.Date).alias("day"))
    answers = _answers(keys.unique(), known)
    # nulls are keys too: a row may have a number, a VIN or a plate
    found = keys.join(answers, on=keys.columns, how="left", nulls_equal=True, maintain_order="left")
    with_owner = frame.drop(VIN, PLATE, strict=False).with_columns(
        found["vehicle"].alias("vehicle_id")
    )
    kept = with_owner.filter(found["why"].is_null())
    n_by_vin = int(found["plate_differs"].sum())
    note = ""
    if n_by_vin:
        note = worded("rows taken by VIN whose plate is another vehicle's: {n:,}", n=n_by_vin)
    return Identified(
        PlainRows(part.table, kept),
        tuple(_refusals(part.table, frame, found["why"])) if len(kept) < len(frame) else (),
        note,
        by_identifiers=bool(found["by_mark"].any()),
    )


def _answers(keys: pl.DataFrame, known: Claims) -> pl.DataFrame:
    """Answer for each distinct (number, VIN, plate, day)."""
    found = [_answer(key, known) for key in keys.iter_rows()]
    return keys.with_columns(
        pl.Series("vehicle", [a.vehicle for a in found], dtype=pl.String),
        pl.Series("why", [a.reason for a in found], dtype=pl.String),
        pl.Series("plate_differs", [a.plate_differs for a in found], dtype=pl.Boolean),
        pl.Series("by_mark", [a.by_mark for a in found], dtype=pl.Boolean),
    )


@dataclass(frozen=True, slots=True)
class _Answer:
    vehicle: str | None
    reason: str | None = None  # what is missing, if no vehicle was found
    plate_differs: bool = False
    by_mark: bool = False


_Key = tuple[str | None, str | None, str | None, date | None]


def _answer(key: _Key, known: Claims) -> _Answer:  # noqa: PLR0911 - the cases as the head lists them
    """Give the vehicle with this number, VIN and plate on this day."""
    number, vin, plate, day = key
    number, vin, plate = ((x.strip() or None) if x else None for x in (number, vin, plate))
    if number and not vin and plain_id(number) in known.vins:
        number, vin = None, number
    owners = known.vins.get(plain_id(vin), set()) if vin else set()
    if len(owners) > 1:
        named = ", ".join(sorted(owners))
        return _Answer(None, worded("the VIN of one vehicle; {named} all have it", named=named))
    own = next(iter(owners), None)
    if number:
        if own and own != number:
            said = worded("a number and a VIN of one vehicle; this VIN is {own}'s", own=own)
            return _Answer(None, said)
        return _Answer(number, by_mark=vin is not None)
    owner = _owner_of_plate(plate, day, known) if plate else None
    if vin:
        differs = own is not None and owner is not None and owner != own
        return _Answer(own or plain_id(vin), plate_differs=differs, by_mark=True)
    if plate and owner:
        return _Answer(owner, by_mark=True)
    if plate:
        return _Answer(None, _why_no_plate(plain_id(plate), day, known), by_mark=True)
    return _Answer(None)  # the store reports a missing vehicle


def _owner_of_plate(plate: str, day: date | None, known: Claims) -> str | None:
    """Find a plate's vehicle; before a plate nobody has, the sign of a country is left out."""
    as_written = plain_id(plate)
    short = without_country(plate)
    known_as = as_written if as_written in known.plates else short
    return known.owner_of_plate(known_as, day)


def _why_no_plate(plate: str, day: date | None, known: Claims) -> str:
    had = ", ".join(sorted({vehicle for vehicle, _, _ in known.plates.get(plate, ())}))
    if not had:
        return UNKNOWN_PLATE
    if day is None:
        return worded(
            "a time, since plates move from vehicle to vehicle; {had} had this one", had=had
        )
    return worded(
        "a plate that exactly one vehicle had on {day}; the list names {had}: "
        "give plate_since for each",
        day=day,
        had=had,
    )


def _refusals(table: str, frame: pl.DataFrame, reason: pl.Series) -> Iterable[Rejection]:
    refused = frame.filter(reason.is_not_null())
    for row, expected in zip(refused.iter_rows(named=True), reason.drop_nulls(), strict=True):
        column = next((c for c in (PLATE, VIN) if row.get(c)), "vehicle_id")
        named = {k.removeprefix("_"): v for k, v in row.items() if k not in _NO_CELLS}
        text = pl.DataFrame([named]).write_ndjson().strip()
        yield Rejection(
            table, row["_line"], column.removeprefix("_"), row.get(column), expected, text
        )


# --- rows of earlier deliveries -----------------------------------------------------------------


def adopt(con: Connection, load_id: int) -> int:
    """Put rows that a VIN stood in for under the number a vehicle list has now given it.

    Returns how many rows were moved.  Only after loads that brought vehicle rows.
    """
    if not scalar(con, "SELECT count(*) FROM vehicles WHERE load_id = ?", [load_id]):
        return 0
    con.execute(f"CREATE OR REPLACE TEMP TABLE own_numbers AS {_OWN_NUMBERS}")
    n_moved = sum(_move(con, name, load_id) for name in INSTANT_OF)
    _fold_vehicles(con, load_id)
    _move_decisions(con)
    return n_moved


def _move_decisions(con: Connection) -> None:
    """Move people's decisions to the vehicle's new number.

    An attempt has another name under another number: a decision on it becomes one on its code.
    """
    con.execute(
        """UPDATE decisions SET ecu = a.ecu, code = a.code, attempt_id = NULL FROM attempts a
           WHERE decisions.attempt_id = a.attempt_id
               AND decisions.vehicle_id IN (SELECT vin FROM own_numbers)"""
    )
    con.execute(
        """UPDATE decisions SET vehicle_id = o.own FROM own_numbers o
           WHERE decisions.vehicle_id = o.vin"""
    )


def _move(con: Connection, name: str, load_id: int) -> int:
    """Move one table's rows; a row the owner has already is kept as a replaced one."""
    table = TABLES[name]
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE moving AS
            SELECT t.* REPLACE (o.own AS vehicle_id), t.vehicle_id AS vin
            FROM {placed(table)} t JOIN own_numbers o ON t.vehicle_id = o.vin"""
    )
    n_moved = scalar(con, "SELECT count(*) FROM moving")
    if not n_moved:
        return 0
    key = key_hash(table)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE had_already AS SELECT place FROM moving
            WHERE {key} IN (
                SELECT {key} FROM {name} WHERE vehicle_id IN (SELECT own FROM own_numbers))"""
    )
    _set_aside(con, table, load_id)
    con.execute(
        f"""INSERT INTO stale_vehicles
            SELECT DISTINCT unnest([vin, vehicle_id]), {load_id} FROM moving"""
    )
    delete_rows(con, table, _HAD)
    con.execute(
        f"""UPDATE {names_vehicles(table)} t SET vehicle_id = o.own FROM own_numbers o
            WHERE t.vehicle_id = o.vin"""
    )
    _move_replaced(con, name)
    return n_moved


def _move_replaced(con: Connection, name: str) -> None:
    """Move the rows that those had replaced: they may be restored, repeated, or forgotten."""
    row = as_row(con, name, "json_merge_patch(row_json::JSON, json_object('vehicle_id', o.own))")
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE moving_replaced AS
            SELECT s.rowid AS place, o.vin, o.own, {row} AS told FROM superseded s
            JOIN own_numbers o ON s.row_json->>'vehicle_id' = o.vin
            WHERE s.table_name = '{name}'"""
    )
    con.execute(
        f"""UPDATE superseded SET row_json = to_json(m.told),
                content_hash = {content_hash(TABLES[name], "m.told.")},
                key_json = to_json(list_transform(key_json::JSON::VARCHAR[],
                    lambda x: CASE WHEN x = m.vin THEN m.own ELSE x END))
            FROM moving_replaced m WHERE superseded.rowid = m.place"""
    )


def _set_aside(con: Connection, table: Table, load_id: int) -> None:
    content = ", ".join(stored_columns(table))
    con.execute(
        f"""INSERT INTO superseded
            SELECT '{table.name}', to_json(struct_pack({packed(table)}, load_id := load_id)), '[]',
                hash({content}), load_id, {load_id}
            FROM {placed(table)} WHERE {_HAD}"""
    )


def _fold_vehicles(con: Connection, load_id: int) -> None:
    """Add the facts of the row under the VIN to the owner's row, and set that row aside."""
    con.execute(
        """CREATE OR REPLACE TEMP TABLE had_already AS SELECT v.rowid AS place
           FROM vehicles v JOIN own_numbers o ON v.vehicle_id = o.vin"""
    )
    if not scalar(con, "SELECT count(*) FROM had_already"):
        return
    facts = [n for n in stored_columns(TABLES["vehicles"]) if n not in ("vehicle_id", "extras")]
    sets = ", ".join(f"{n} = coalesce(vehicles.{n}, k.{n})" for n in facts)
    con.execute(
        f"""UPDATE vehicles SET {sets} FROM (
                SELECT o.own, v.* FROM vehicles v JOIN own_numbers o ON v.vehicle_id = o.vin) k
            WHERE vehicles.vehicle_id = k.own"""
    )
    _set_aside(con, TABLES["vehicles"], load_id)
    delete_rows(con, TABLES["vehicles"], _HAD)
