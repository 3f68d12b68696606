"""Which episodes are faults of their own: one meaning for every count of new faults.

A code that followed from another fault when it began is none of its own, whatever it was seen as
later; what is known on a day does not change afterwards. A code whose cause nobody knows counts for
itself, one whose component nobody knows does not.
"""

from typing import Final

from afterclear.store.engine.database import Connection

_MACRO: Final = """
    CREATE OR REPLACE TEMP MACRO own_episodes() AS TABLE
    SELECT e.* FROM store.episodes e
    ANTI JOIN (FROM store.roles WHERE role = 'consequential' AND primary_code IS NOT NULL) r
        ON r.vehicle_id = e.vehicle_id AND r.ecu = e.ecu AND r.code = e.code
        AND r.seen_at = e.onset_high_at
    WHERE e.family IS NOT NULL"""


def name_own_episodes(con: Connection) -> None:
    """Let the connection's SQL ask for ``own_episodes()``.  Needs the roles of this analysis."""
    con.execute(_MACRO)
