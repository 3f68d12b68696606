"""Analyse: rebuild the histories that changed, then judge every attempt again."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from afterclear import __version__
from afterclear.commands.app import App
from afterclear.commands.progress import QUIET, Progress
from afterclear.histories.build_histories import rebuild, rules_as_written
from afterclear.store.engine.database import open_store, scalar, transaction
from afterclear.store.queries.public_views import make_views
from afterclear.store.queries.results import (
    Analysis,
    add_analysis,
    all_vehicle_ids,
    begin_analysis,
    end_analysis,
    last_analysis,
    last_event_at,
    mark_all_stale,
    vehicles_to_rebuild,
)

if TYPE_CHECKING:
    from afterclear.findings.verdicts import Verdicts


@dataclass(frozen=True, slots=True)
class AnalysisReport:
    """What an analysis did and found."""

    as_of: datetime
    vehicles_rebuilt: int
    verdicts: "Verdicts"
    changes: tuple[str, ...] = ()  # whether what was changed helped, a line each


# settings that do not affect how a history is built
_NOT_RULES = {
    "afterclear.toml",
    "sources.toml",
    "schedule.toml",
    "part_life.toml",
    "supersession.csv",
    "interventions.toml",
    "stock_rules.toml",
    "worklist_rules.toml",
    "urgency.csv",
}


def analyse(
    app: App,
    *,
    full: bool = False,
    as_of: datetime | None = None,
    progress: Progress = QUIET,
) -> AnalysisReport:
    """Bring histories and verdicts up to date with the stored rows.

    ``as_of``: leave out what happened later; None: now.  ``full``: rebuild all vehicles, not
    only those whose rows changed.
    """
    # the estimators' libraries take longer to load than most of what else a command does
    from afterclear.commands.analysis.fleet_findings import changes_told  # noqa: PLC0415
    from afterclear.commands.analysis.judging import judge_all  # noqa: PLC0415
    from afterclear.findings.cures.order_links import learn_links  # noqa: PLC0415

    started_at = app.clock()
    until = as_of or started_at
    with app.long_writing("analyse"), open_store(app.store) as con:
        begin_analysis(con, started_at)
        before = last_analysis(con)
        version = rules_version(app, learn_links(con, app.catalogue, until))
        if full or before is None or until < before.as_of or before.version != version:
            vehicles = all_vehicle_ids(con)
            with transaction(con):
                mark_all_stale(con, vehicles)
            full = True
        else:
            vehicles = vehicles_to_rebuild(con, before.as_of, until)
        progress.begin(len(vehicles))
        rebuild(con, app.history_rules(until), app.catalogue, vehicles, progress.advance, anew=full)
        verdicts = judge_all(con, app, until)
        done = Analysis(
            analysis_id=1 + (before.analysis_id if before else 0),
            as_of=until,
            through_load=scalar(con, "SELECT max(load_id) FROM loads"),
            is_full=full,
            version=version,
            vehicles_rebuilt=len(vehicles),
            started_at=started_at,
            finished_at=app.clock(),
        )
        with transaction(con):
            add_analysis(con, done)
            end_analysis(con)
        make_views(con)
        changes = changes_told(con)
    return AnalysisReport(until, len(vehicles), verdicts, changes)


def rule_tables(app: App) -> tuple[Path, ...]:
    """List the tables of the settings that a history is built with."""
    tables = app.config.tables
    return tuple(
        path
        for path in sorted(tables.rglob("*"))
        if path.suffix in {".csv", ".toml"}
        and path.name not in _NOT_RULES
        and tables / "imports" not in path.parents
    )


def rules_version(app: App, links: tuple[tuple[str, str], ...]) -> str:
    """Identify the program, its rules, the settings and the tables a history was built with.

    ``links``: what the fleet's orders add to the table of cures.

    If any of them changed, every vehicle is rebuilt: half a fleet judged by other rules than the
    rest is no evidence.
    """
    digest = hashlib.sha256(app.config.settings.evidence.model_dump_json().encode())
    digest.update(rules_as_written())
    for path in rule_tables(app):
        digest.update(path.read_bytes())
    digest.update(repr(links).encode())
    if app.config.own_cures:
        digest.update(app.config.own_cures.read_bytes())
    return f"{__version__} rules {digest.hexdigest()[:12]}"


def last_event(app: App) -> datetime | None:
    """Give the latest instant in any stored row; None for an empty store."""
    with open_store(app.store) as con:
        return last_event_at(con)
