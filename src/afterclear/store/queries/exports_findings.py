"""Tables of findings a person can take out, as they are declared (``finding_tables``)."""

from typing import Final

from afterclear.finding_tables.declaration import export_sql
from afterclear.finding_tables.registry import FINDINGS

PAGE_FINDINGS: Final[dict[str, str]] = {finding.name: export_sql(finding) for finding in FINDINGS}
