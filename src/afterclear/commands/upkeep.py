"""Upkeep of the store: back it up, restore it, check it, keep it small."""

from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl
import polars.selectors as cs

from afterclear import __version__
from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.forgetting import is_half_done
from afterclear.commands.trail import take_in
from afterclear.plain import TABLES
from afterclear.store.engine.database import open_store, query
from afterclear.store.engine.snapshot import copy_file, long_writing
from afterclear.store.engine.working import working_folder
from afterclear.store.queries.exports import EXPORTS
from afterclear.store.queries.results import last_analysis
from afterclear.store.upkeep.backup import Manifest, StorePaths, restore_backup, write_backup
from afterclear.store.upkeep.checks import (
    Finding,
    check_archive,
    check_rows,
    results_unfinished,
)
from afterclear.store.upkeep.retention import Retention
from afterclear.store.upkeep.vacuum import Retired, compact, left_over, retire

# Sums of the same numbers in another order differ in their last digits.
_SAME_WITHIN = 1e-9
_NOT_RESULTS = {*TABLES, "rejections", "loads", "decisions"}


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What was checked, and what was found wrong."""

    findings: tuple[Finding, ...]
    left_over: tuple[Path, ...]
    is_half_forgotten: bool = False  # a forgetting was killed and has to be finished

    @property
    def wrong(self) -> tuple[Finding, ...]:
        """Only what does not hold."""
        return tuple(f for f in self.findings if f.n_breaches)


@dataclass(frozen=True, slots=True)
class VacuumReport:
    """What a clean-up took out, and the bytes it saved."""

    retired: Retired
    left_over: int
    bytes_saved: int


def backup(app: App, target: Path) -> Manifest:
    """Write a verified backup; works while the store is being written."""
    return write_backup(_store_paths(app), target, __version__, app.clock())


def restore(app: App, origin: Path, *, replacing: bool = False) -> tuple[Manifest, CheckReport]:
    """Put a backup in place and check the result."""
    manifest = restore_backup(origin, _store_paths(app), replace=replacing)
    with open_store(app.store):
        pass  # a backup of an older version is brought up to date
    return manifest, check(app, quick=True)


def check(app: App, *, quick: bool = False) -> CheckReport:
    """Check the store and the archive; ``quick`` leaves out making the results again."""
    with open_store(app.store, read_only=True) as con:
        findings = [*check_rows(con), *check_archive(con, app.archive)]
        refusal = results_unfinished(con)
        remains = tuple(left_over(con, app.archive))
        half_done = is_half_done(con)
    if not quick:
        findings.append(Finding(_REPRODUCIBLE, 0, left_out=refusal) if refusal else _made_anew(app))
    return CheckReport(tuple(findings), remains, half_done)


def vacuum(app: App, rules: Retention) -> VacuumReport:
    """Remove what the retention rules say, and rewrite the store's file."""
    with long_writing(app.store, "vacuum", copy=False):
        with open_store(app.store) as con:
            take_in(app, con)  # what is noted beside the store is as old as it is
            retired = retire(con, app.archive, rules, app.clock())
            remains = left_over(con, app.archive)
            for path in remains:
                path.unlink(missing_ok=True)
        return VacuumReport(retired, len(remains), compact(app.store))


_REPRODUCIBLE = "Every verdict and finding can be made again from the stored rows."


def _made_anew(app: App) -> Finding:
    """Make all results again in a copy of the store, as of the same time, and compare."""
    with working_folder(app.store.parent, "check") as folder:
        copy = replace(app, store=folder / "copy.duckdb")
        with open_store(app.store, read_only=True) as con:
            before = last_analysis(con)
            as_they_are = _results(app)
            (origin,) = query(
                con, "SELECT path FROM duckdb_databases() WHERE database_name = 'store'"
            )["path"]
            copy_file(Path(origin), copy.store)
            if (log := Path(f"{origin}.wal")).exists():
                copy_file(log, Path(f"{copy.store}.wal"))
        if before is None:
            return Finding(_REPRODUCIBLE, 0, left_out="nothing was analysed yet")
        analyse(copy, full=True, as_of=before.as_of)
        with open_store(copy.store, read_only=True) as con:
            after = last_analysis(con)
        if after is None or after.version != before.version:
            return Finding(
                _REPRODUCIBLE, 0, left_out="the program or its rules changed since the analysis"
            )
        anew = _results(copy)
    differing = tuple(name for name, frame in as_they_are.items() if not is_same(frame, anew[name]))
    return Finding(_REPRODUCIBLE, len(differing), differing)


def _results(app: App) -> dict[str, pl.DataFrame]:
    with open_store(app.store, read_only=True) as con:
        return {name: query(con, sql) for name, sql in EXPORTS.items() if name not in _NOT_RESULTS}


def is_same(one: pl.DataFrame, other: pl.DataFrame) -> bool:
    """Whether two tables hold the same rows, numbers but for their last digits."""
    if one.shape != other.shape or one.columns != other.columns:
        return False
    by = one.select(~cs.float()).columns or one.columns
    one, other = one.sort(by, nulls_last=True), other.sort(by, nulls_last=True)
    for name in one.columns:
        a, b = one[name], other[name]
        if not a.dtype.is_float():
            if not a.equals(b, null_equal=True):
                return False
            continue
        # infinity equals only itself, and has no distance from it
        near = (a - b).abs() <= _SAME_WITHIN * (1 + a.abs())
        near = (a == b) | (near & a.is_finite() & b.is_finite())
        if not near.all() or not a.is_null().equals(b.is_null()):
            return False
    return True


def _store_paths(app: App) -> StorePaths:
    return StorePaths(app.store, app.archive, app.config.folder)
