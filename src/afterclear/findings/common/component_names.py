"""What components are called, in rows of findings."""

from typing import Final

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.store.engine.database import Connection, query

# components that only codes name
_MET: Final = """
    SELECT component_of(family), min(family_label) FROM store.codes_met
    WHERE family IS NOT NULL GROUP BY ALL ORDER BY ALL"""


def component_labels(con: Connection, catalogue: Catalogue) -> dict[str, str]:
    """Name every component by its key: as the lexicon does, otherwise as a code says."""
    labels = dict(query(con, _MET).iter_rows())
    return labels | {key: each.label for key, each in catalogue.lexicon.components.items()}
