"""Which onsets only follow from another fault: one meaning for every count of new faults.

A code that followed when it began is no fault of its own, whatever it was seen as later; what is
known on a day does not change afterwards. A code whose cause nobody knows counts for itself.
"""

from typing import Final

from afterclear.store.engine.database import Connection

_MACRO: Final = """
    CREATE OR REPLACE TEMP MACRO echo_onsets() AS TABLE
    SELECT DISTINCT vehicle_id, ecu, code, seen_at FROM store.roles
    WHERE role = 'consequential' AND primary_code IS NOT NULL"""


def name_echo_onsets(con: Connection) -> None:
    """Let the connection's SQL ask for ``echo_onsets()``.  Needs the roles of this analysis."""
    con.execute(_MACRO)
