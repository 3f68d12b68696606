"""A store of told stories with all findings made, as an analysis makes them."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from afterclear.finding_tables.registry import PAGE_FINDINGS
from afterclear.findings.all_findings import FindingRules, make_findings
from afterclear.findings.interventions.read_interventions import Change
from afterclear.findings.parts.part_lifetimes import PartRules
from afterclear.findings.parts.part_tables import PartTables
from afterclear.findings.roles.find_roles import find_roles
from afterclear.findings.verdicts import judge_attempts
from afterclear.store.engine.database import Connection, query
from afterclear.wording.exported import with_sentences
from tests.histories.story import CATALOGUE, RULES, Story, together, told

NO_TABLES = PartTables({}, {}, {})
PART_RULES = PartRules(factory_until_km=5000, unknown_reason_is_failure=True)


@contextmanager
def found(
    tmp_path: Path,
    *stories: Story,
    tables: PartTables = NO_TABLES,
    parts: PartRules = PART_RULES,
    cost_days: int = 365,
    changes: tuple[Change, ...] = (),
    zone: str = "UTC",
) -> Iterator[Connection]:
    """Give a store in which the stories were judged and their findings made."""
    with told(tmp_path, together(stories)) as con:
        judged = judge_attempts(con, 0.05).judged
        find_roles(con, CATALOGUE)
        rules = FindingRules(CATALOGUE, tables, parts, RULES.as_of, cost_days, changes, zone)
        make_findings(con, rules, judged)
        yield con


def rows(con: Connection, table: str) -> list[dict[str, Any]]:
    """All rows of a table of findings, as exported."""
    return with_sentences(table, query(con, PAGE_FINDINGS[table])).to_dicts()
