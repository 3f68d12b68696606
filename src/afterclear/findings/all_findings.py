"""All findings of an analysis, in the order in which they rest on each other.

Each table is made anew, always in this order. A finding is frames from the store, one call to an
estimator, a frame back. SQL that needs more than a line stands in ``findings/sql``; its temporary
tables must not be called like a table of the store, or the store's views would read them.
"""

from dataclasses import dataclass
from datetime import datetime

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.findings.common.tables import forget
from afterclear.findings.common.vehicle_traits import put_traits
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.parts.part_lifetimes import PartRules, find_parts
from afterclear.findings.parts.part_tables import PartTables
from afterclear.findings.recurrence.recurring import find_recurring
from afterclear.findings.recurrence.worsening import find_worsening
from afterclear.findings.sites.process import find_process
from afterclear.findings.sites.quarters import find_quarters
from afterclear.findings.sites.site_ratios import compare_groups
from afterclear.findings.verdicts import Judged
from afterclear.store.engine.database import Connection


@dataclass(frozen=True, slots=True)
class FindingRules:
    """What findings use beside histories and verdicts."""

    catalogue: Catalogue
    tables: PartTables
    parts: PartRules
    as_of: datetime


def make_findings(con: Connection, rules: FindingRules, judged: Judged | None) -> None:
    """Make every table of findings anew.

    Histories, verdicts and roles (``find_roles``) are up to date; the settings of the histories set
    (``histories.build.set_rules``).
    """
    put_traits(con, rules.as_of)
    put_order_parts(con, rules.catalogue, rules.tables.superseded_by)
    find_recurring(con, rules.catalogue)
    find_worsening(con)
    find_parts(con, rules.tables, rules.parts)
    find_quarters(con, compare_groups(con, judged))
    find_process(con)
    forget(con, ("order_parts",))
