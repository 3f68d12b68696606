"""Which vehicle a person means: by number, plate or VIN, whatever the capitals and blanks."""

from typing import Final

from afterclear.errors import UnknownVehicleError, UsageError, worded
from afterclear.store.engine.database import Connection, rows
from afterclear.store.queries.exports_identity import SQL_MARK

_KNOWN: Final = (
    "(SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scan_facts "
    "UNION SELECT vehicle_id FROM clears UNION SELECT vehicle_id FROM repairs)"
)


def _alike(column: str, table: str) -> str:
    own = SQL_MARK.format(column)
    return f"SELECT vehicle_id FROM {table} WHERE {own} = {SQL_MARK.format('?')} AND {own} <> ''"


# the first that finds any counts: an exact number comes first, sought where each vehicle is once
_WAYS: Final = (
    "SELECT vehicle_id FROM vehicle_clocks WHERE vehicle_id = ?",
    f"SELECT vehicle_id FROM {_KNOWN} WHERE vehicle_id = ?",
    _alike("vehicle_id", _KNOWN),
    _alike("plate", "vehicles"),
    _alike("vin", "vehicles"),
)


def vehicle_called(con: Connection, name: str) -> str:
    """Find the number of the vehicle a person names by number, present plate or VIN.

    Raises:
        UnknownVehicleError: no vehicle has this name.
        UsageError: several have; the message names them.

    """
    for way in _WAYS:
        found = [row["vehicle_id"] for row in rows(con, f"{way} ORDER BY 1", [name])]
        if len(found) == 1:
            return str(found[0])
        if found:
            raise UsageError(
                worded(
                    "{name!r} may mean any of these vehicles: {vehicles}. Give the number as it "
                    "stands there.",
                    name=name,
                    vehicles=", ".join(found),
                )
            )
    raise UnknownVehicleError(name, by_any_name=True)
