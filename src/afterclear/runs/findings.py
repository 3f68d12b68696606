"""Findings about vehicles, parts and sites, told from histories and verdicts."""

from datetime import datetime

from afterclear.findings.order_parts import put_order_parts
from afterclear.findings.part_tables import EXPECTED, SUPERSEDED, part_tables
from afterclear.findings.parts import PartRules, find_parts
from afterclear.findings.process import find_process
from afterclear.findings.quarters import find_quarters
from afterclear.findings.recurring import find_recurring
from afterclear.findings.sites import find_holders
from afterclear.findings.traits import put_traits
from afterclear.findings.verdicts import Judged
from afterclear.findings.worsening import find_worsening
from afterclear.runs.app import App
from afterclear.store.database import Connection


def find_all(con: Connection, app: App, judged: Judged | None, as_of: datetime) -> None:
    """Make every table of findings anew; histories and verdicts are up to date.

    Raises:
        ConfigError: the tables of parts are wrong.

    """
    tables = part_tables(app.config.table(EXPECTED), app.config.table(SUPERSEDED))
    settings = app.config.settings.parts
    put_traits(con, as_of)
    put_order_parts(con, app.catalogue, tables.superseded_by)
    find_recurring(con, app.catalogue)
    find_worsening(con)
    rules = PartRules(settings.factory_until_km, settings.unknown_reason_is_failure)
    find_parts(con, tables, rules)
    find_quarters(con, find_holders(con, judged))
    find_process(con)
