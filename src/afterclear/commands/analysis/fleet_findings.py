"""Findings about vehicles, parts and sites, with the settings and tables of the config."""

from datetime import datetime

from afterclear.commands.app import App
from afterclear.findings.all_findings import FindingRules, make_findings
from afterclear.findings.interventions.read_interventions import (
    INTERVENTIONS,
    read_interventions,
)
from afterclear.findings.parts.part_lifetimes import PartRules
from afterclear.findings.parts.part_tables import EXPECTED, SUPERSEDED, part_tables
from afterclear.findings.verdicts import Judged
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.exports import EXPORTS
from afterclear.wording.exported import with_sentences


def find_all(con: Connection, app: App, judged: Judged | None, as_of: datetime) -> None:
    """Fill every table of findings again; histories and verdicts are up to date.

    Raises:
        ConfigError: the tables of parts or of what was changed are wrong.

    """
    tables = part_tables(app.config.table(EXPECTED), app.config.table(SUPERSEDED))
    settings = app.config.settings.parts
    parts = PartRules(settings.factory_until_km, settings.unknown_reason_is_failure)
    days = app.config.settings.costs.days
    changes = read_interventions(
        app.config.table(INTERVENTIONS), frozenset(app.catalogue.lexicon.components)
    )
    zone = app.config.settings.digest.zone
    rules = FindingRules(app.catalogue, tables, parts, as_of, days, changes, zone)
    make_findings(con, rules, judged)


def changes_told(con: Connection) -> tuple[str, ...]:
    """Say of each change of ``interventions.toml`` whether it helped, a line each, as stored."""
    found = with_sentences("interventions", query(con, EXPORTS["interventions"]))
    return tuple(f"{name}: {said}" for name, said in found.select("name", "sentence").iter_rows())
