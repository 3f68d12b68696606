"""Names of vehicles that no list has, among the refused rows; and lists that name them.

What a person says becomes a vehicle list as any other, in the plain layout: loaded, archived,
listed and taken back as a file that came.
"""

import csv
import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from typing import Any, Final

from afterclear.catalogue.names_in_text import plain_id
from afterclear.commands.app import App
from afterclear.commands.queries.refused_workbook import Renamed, refused_workbook
from afterclear.errors import UsageError, worded
from afterclear.plain import TABLES
from afterclear.store.engine.database import Connection, open_store, query, rows, scalar
from afterclear.store.intake.identity import UNKNOWN_PLATE, claims
from afterclear.store.intake.near_misses import NEARLY_A_NUMBER, NEARLY_A_VIN

_NEAR: Final = 0.75  # of difflib's ratio; no published threshold fits: two of eight letters differ
_MOST_NEAR: Final = 3
_SAID_AT: Final = "said_at"  # else the bytes of a list that was said before would be known
_LONGEST: Final = 60
_NEARLY: Final = (NEARLY_A_NUMBER, NEARLY_A_VIN)
_UNKNOWN: Final = f"""SELECT value, column_name = 'plate' AS is_plate, count(*) AS n_rows,
        any_value(expected) AS expected
    FROM rejections
    WHERE table_name IN ('scans', 'clears', 'repairs') AND value IS NOT NULL AND (
        (column_name = 'plate' AND expected = '{UNKNOWN_PLATE}')
        OR (column_name = 'vehicle_id' AND (starts_with(expected, ?) OR starts_with(expected, ?))))
    GROUP BY ALL"""


@dataclass(frozen=True, slots=True)
class UnknownName:
    """A name in refused rows that no vehicle list has."""

    name: str
    is_plate: bool  # otherwise it stands where a vehicle's number does
    n_rows: int
    expected: str
    near: tuple[str, ...] = ()  # vehicles that may be meant: of a plate, those of plates like it


@dataclass(frozen=True, slots=True)
class Said:
    """What a person says of a name.

    ``vehicle_id``: whose plate it is; of a number, the number itself.  ``is_new``: no list has that
    vehicle yet.  ``was_before``: the vehicle has another plate now.
    """

    name: str
    vehicle_id: str
    is_plate: bool
    is_new: bool = False
    since: str = ""  # a day, as 2026-11-30
    was_before: bool = False


@dataclass(frozen=True, slots=True)
class Meant:
    """What a person says a wrongly written name stands for: a number, or a plate."""

    name: str
    is_plate: bool
    meant: str


def n_unknown_names(app: App) -> int:
    """Count the names that rows were refused for."""
    with open_store(app.store, read_only=True) as con:
        return int(scalar(con, f"SELECT count(*) FROM ({_UNKNOWN})", [*_NEARLY]))


def unknown_names(app: App, most: int = 100, skip: int = 0) -> list[UnknownName]:
    """List the names that rows were refused for, those of most rows first; no more than so many.

    ``skip``: how many are left out before.
    """
    with open_store(app.store, read_only=True) as con:
        found = query(
            con,
            f"{_UNKNOWN} ORDER BY n_rows DESC, value, is_plate LIMIT ? OFFSET ?",
            [*_NEARLY, most, skip],
        )
        plates = claims(con).plates if found["is_plate"].any() else {}
        return [
            UnknownName(name, is_plate, n, expected, _near(name, plates) if is_plate else ())
            for name, is_plate, n, expected in found.rows()
        ]


def _near(plate: str, plates: Mapping[str, Iterable[tuple[str, Any, Any]]]) -> tuple[str, ...]:
    like = get_close_matches(plain_id(plate), list(plates), _MOST_NEAR, _NEAR)
    return tuple(dict.fromkeys(vehicle for p in like for vehicle, *_ in plates[p]))


def mended_rows(app: App, said: Meant) -> bytes:
    """Make a workbook (xlsx) of the rows that were refused for a name, with what is meant.

    It is loaded as any workbook of refused rows that a person mended.

    Raises:
        UsageError: no vehicle list has what is meant, or none of the rows can come back by itself.

    """
    meant = said.meant.strip()
    with open_store(app.store, read_only=True) as con:
        if said.is_plate:
            is_known = plain_id(meant) in claims(con).plates
        else:
            is_known = _listed(con, meant) is not None
    if not meant or not is_known:
        what = "plate" if said.is_plate else "vehicle"
        raise UsageError(
            worded(
                "No vehicle list has the {what} {meant!r}. Look at how it is written.",
                what=what,
                meant=meant,
            )
        )
    column = "plate" if said.is_plate else "vehicle_id"
    return refused_workbook(app, Renamed(column, said.name, meant)).content


def vehicle_list(app: App, said: Said) -> str:
    """Make the list (CSV) that says so: one file, so that it is taken whole or not at all.

    Of a plate the vehicle had before, the present one stands in the row below: the last row counts.

    Raises:
        UsageError: the vehicle is not known, or is known where a new one is meant; the day is none,
            or contradicts that of its present plate.

    """
    number, name = said.vehicle_id.strip(), said.name.strip()
    if not number or not name or max(len(number), len(name)) > _LONGEST:
        raise UsageError(worded("Say which vehicle it is, by its number."))
    since = _day(said.since)
    with open_store(app.store, read_only=True) as con:
        known = _listed(con, number)
        if said.is_new and known is not None:
            raise UsageError(
                worded(
                    "The vehicle list has {number} already; say whose plate it is.", number=number
                )
            )
        if not said.is_new and known is None:
            raise UsageError(
                worded(
                    "No vehicle list has {number}. Choose “a new vehicle”, or write "
                    "another number.",
                    number=number,
                )
            )
    beside = _beside(known) | {_SAID_AT: app.clock().isoformat()}
    if not said.is_plate:
        return _csv({"vehicle_id": number} | beside)
    told = {"vehicle_id": number, "plate": name, "plate_since": since} | beside
    if said.was_before and (known is None or not known["plate"]):
        raise UsageError(
            worded(
                "{number} has no plate now, so it cannot have had this one before.", number=number
            )
        )
    if known is None:
        return _csv(told)
    day = known["plate_since"].isoformat() if known["plate_since"] else ""
    _check_days(said, since, (known["plate"], day))
    present = {"vehicle_id": number, "plate": known["plate"], "plate_since": day} | beside
    return _csv(told, present) if said.was_before else _csv(told)


def _check_days(said: Said, since: str, present: tuple[str, str]) -> None:
    """Check that a plate since that day can be the one before the present one, or after it."""
    plate, day = present
    if not since or not day:
        return
    if said.was_before and since >= day:
        raise UsageError(
            worded(
                "{vehicle_id} has {plate} since {day}, says the vehicle list: a plate before that "
                "one it had earlier. Mend the day, or leave it empty.",
                vehicle_id=said.vehicle_id,
                plate=plate,
                day=day,
            )
        )
    if not said.was_before and since <= day:
        raise UsageError(
            worded(
                "{vehicle_id} has {plate} since {day}, says the vehicle list: a plate it has now "
                "came later. Mend the day, or say that it had this plate before.",
                vehicle_id=said.vehicle_id,
                plate=plate,
                day=day,
            )
        )


def _listed(con: Connection, number: str) -> dict[str, Any] | None:
    found = rows(
        con, "SELECT plate, plate_since, extras FROM vehicles WHERE vehicle_id = ?", [number]
    )
    return found[0] if found else None


def _beside(known: Mapping[str, Any] | None) -> dict[str, str]:
    """Give what the vehicle's list had beside the plain columns: a later list replaces it whole."""
    extras = json.loads((known and known["extras"]) or "{}")
    return {name: str(cell) for name, cell in extras.items() if cell and name != _SAID_AT}


def _day(text: str) -> str:
    if not text.strip():
        return ""
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError as error:
        raise UsageError(
            worded("{text!r} is no day; write it as 2026-11-30.", text=text)
        ) from error


def _csv(*rows_of_it: Mapping[str, str]) -> str:
    r"""Write a list of one vehicle; columns without a cell are left out.

    >>> _csv({"vehicle_id": "V1", "plate": "NH 101", "plate_since": ""})
    'vehicle_id,plate\nV1,NH 101\n'
    """
    kept = [name for name in rows_of_it[0] if any(cells[name] for cells in rows_of_it)]
    if len({*kept} & set(TABLES["vehicles"].names)) == 1:
        kept.append("plate")  # a number alone is no vehicle list (readers/plain_table.py)
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(kept)
    writer.writerows([cells.get(name, "") for name in kept] for cells in rows_of_it)
    return file.getvalue()
