"""Whose rows these are: a file that knows a vehicle by its VIN only, put under its own number.

Only where exactly one vehicle of the store has that VIN; otherwise the VIN stays the number,
and nothing is guessed.
"""

import polars as pl

from afterclear.records import PlainFile, PlainRows
from afterclear.store.database import Connection, query


def under_own_number(con: Connection, part: PlainFile | PlainRows) -> PlainFile | PlainRows:
    """Give rows a reader made the vehicle's own number, where their number is a known VIN."""
    if isinstance(part, PlainFile):
        return part  # its vehicle_id is the user's own by contract
    own = query(
        con,
        """SELECT vin, any_value(vehicle_id) AS own FROM vehicles
           WHERE vin IS NOT NULL GROUP BY vin HAVING count(DISTINCT vehicle_id) = 1""",
    )
    names = dict(own.iter_rows())
    frame = part.frame.with_columns(
        pl.col("vehicle_id").replace(names) if names else pl.col("vehicle_id")
    )
    return PlainRows(part.table, frame)
