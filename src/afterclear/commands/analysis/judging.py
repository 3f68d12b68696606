"""Judge every attempt, tell every finding: all of an analysis that needs the estimators."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from afterclear.commands.analysis.fleet_findings import find_all
from afterclear.commands.analysis.role_findings import find_stock_and_work, tell_roles
from afterclear.commands.app import App
from afterclear.findings.verdicts import Verdicts, judge_attempts
from afterclear.store.engine.database import Connection, scalar


def judge_all(
    con: Connection,
    app: App,
    until: datetime,
    tell_roles: Callable[[App, Connection], None] = tell_roles,
) -> Verdicts:
    """Judge every attempt of the histories that are there, and tell what follows.

    ``tell_roles``: how roles get into the store, once verdicts are there.
    """
    rules = app.config.settings.evidence
    verdicts = judge_attempts(con, rules.held_below, rules.vehicle_life_km)
    tell_roles(app, con)
    find_all(con, app, verdicts.judged, until)
    find_stock_and_work(app, con, until)
    return replace(verdicts, n_echoes=scalar(con, "SELECT count(*) FROM echo_fixes"))
