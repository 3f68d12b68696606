"""Every finding that is declared.  A finding in this list is stored, exported and explained."""

from typing import Final

from afterclear.finding_tables import (
    costs,
    cures,
    emerging,
    forecast,
    interventions,
    parts,
    recurrence,
    roles,
    sites,
)
from afterclear.finding_tables.declaration import Finding, export_sql

FINDINGS: Final[tuple[Finding, ...]] = (
    *recurrence.FINDINGS,
    *parts.FINDINGS,
    *sites.FINDINGS,
    *roles.FINDINGS,
    *costs.FINDINGS,
    *cures.FINDINGS,
    *interventions.FINDINGS,
    *forecast.FINDINGS,
    *emerging.FINDINGS,
)
BY_NAME: Final[dict[str, Finding]] = {finding.name: finding for finding in FINDINGS}
"""Findings by the name of their export."""
STORED: Final[dict[str, Finding]] = {finding.kept_in: finding for finding in FINDINGS}
"""One finding for each table of the store."""
PAGE_FINDINGS: Final[dict[str, str]] = {finding.name: export_sql(finding) for finding in FINDINGS}
"""The query of each export."""


def of_row(row: object) -> Finding:
    """Find the finding of a row, by its class or one it extends.

    Raises:
        KeyError: it belongs to none.

    """
    for kind in type(row).__mro__:
        for finding in FINDINGS:
            if finding.row is kind:
                return finding
    raise KeyError(type(row).__name__)
