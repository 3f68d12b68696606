"""All findings of an analysis, in an order in which each finds what it needs.

Each analysis replaces every table, always in this order. A finding reads frames from the store,
calls one estimator and writes a frame back. SQL longer than a line is in ``findings/sql``. Its
temporary tables must not share a name with a table of the store, or the store's views would read
them.
"""

from dataclasses import dataclass
from datetime import datetime

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.findings.common.tables import forget
from afterclear.findings.common.vehicle_traits import put_traits
from afterclear.findings.cures.find_cures import find_cures
from afterclear.findings.forecast.find_forecast import find_forecast
from afterclear.findings.interventions.find_interventions import find_interventions
from afterclear.findings.interventions.read_interventions import Change
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.parts.part_lifetimes import PartRules, find_parts
from afterclear.findings.parts.part_tables import PartTables
from afterclear.findings.recurrence.recurring import find_recurring
from afterclear.findings.recurrence.worsening import find_worsening
from afterclear.findings.rising.find_emerging import find_emerging
from afterclear.findings.sites.costs import find_costs
from afterclear.findings.sites.process import find_process
from afterclear.findings.sites.quarters import find_quarters
from afterclear.findings.sites.site_ratios import compare_groups
from afterclear.findings.verdicts import Judged
from afterclear.store.engine.database import Connection


@dataclass(frozen=True, slots=True)
class FindingRules:
    """What findings need beside histories and verdicts."""

    catalogue: Catalogue
    tables: PartTables
    parts: PartRules
    as_of: datetime
    cost_days: int = 365
    changes: tuple[Change, ...] = ()
    zone: str = "UTC"  # IANA name; days of ``changes`` are its days


def make_findings(con: Connection, rules: FindingRules, judged: Judged | None) -> None:
    """Replace every table of findings.

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
    find_cures(con, rules.catalogue, judged)
    find_interventions(con, rules.changes, judged, rules.as_of, rules.zone)
    find_emerging(con, rules.catalogue, rules.as_of)
    find_costs(con, rules.catalogue, rules.as_of, rules.cost_days)
    find_forecast(con, rules.catalogue, rules.as_of)
    forget(con, ("order_parts", "work_cures"))
