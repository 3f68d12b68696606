"""What cured which fault in this fleet, as the terminal says it."""

from afterclear.finding_tables.cures import Cure, by_fault
from afterclear.finding_tables.declaration import columns_of
from afterclear.store.engine.database import Connection, rows


def fleet_cures(con: Connection) -> dict[str, tuple[Cure, ...]]:
    """Read every work, and every brand and grade of it, by the component with the fault."""
    names = ", ".join(column.name for column in columns_of(Cure))
    return by_fault(Cure(**row) for row in rows(con, f"SELECT {names} FROM cures"))
