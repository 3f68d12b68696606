"""Begin: a commented config with inbox and reports folders; or the demo on the sample data."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from afterclear.commands.analysis.analysing import AnalysisReport, analyse, last_event
from afterclear.commands.app import App
from afterclear.commands.intake.loading import LoadReport, Whose, load_paths
from afterclear.commands.pages.write_digests import DigestAsked, DigestReport, digest
from afterclear.commands.progress import QUIET, Progress
from afterclear.config import Config, commented_files, shipped
from afterclear.errors import UsageError
from afterclear.records import LoadResult

_FOLDERS = ("config", "config/imports", "inbox", "reports")


@dataclass(frozen=True, slots=True)
class DemoReport:
    """What the demo did, for its closing lines."""

    load: LoadReport
    analysis: AnalysisReport
    digest: DigestReport


def init(folder: Path) -> list[Path]:
    """Write a commented config, an inbox and a reports folder; return what was made.

    Raises:
        UsageError: there is a config already; nothing is overwritten.

    """
    config = folder / "config"
    if config.exists():
        raise UsageError(f"{config} is there already; nothing was changed.")
    made = []
    for name in _FOLDERS:
        path = folder / name
        path.mkdir(parents=True, exist_ok=True)
        made.append(path)
    for name, text in commented_files().items():
        (config / name).write_text(text, encoding="utf-8")
        made.append(config / name)
    return made


def of_the_demo(app: App) -> App:
    """Give the app of the demo: a store of its own, no settings, what was changed in its fleet."""
    return replace(app, store=app.reports / "demo" / "demo.duckdb", config=Config(None, demo=True))


def demo(
    app: App,
    on_load: Callable[[LoadResult], None],
    progress: Progress = QUIET,
    *,
    for_desk: bool = False,
) -> DemoReport:
    """Load the sample fleet into a store of its own, judge it, write its digests.

    The demo is as of its last event, so that its pages are the same whenever it runs.
    ``for_desk``: the digests go where a desk of that store has them.
    """
    samples = shipped("sample_data")
    if not samples.is_dir():
        raise UsageError("The sample data are missing from this installation.")
    folder = app.reports / "demo"
    folder.mkdir(parents=True, exist_ok=True)
    own = of_the_demo(app)
    for old in (own.store, Path(f"{own.store}.wal")):
        old.unlink(missing_ok=True)
    load = load_paths(own, [samples], Whose(zone="Europe/Berlin"), on_load)
    analysis = analyse(own, full=True, as_of=last_event(own), progress=progress)
    return DemoReport(
        load, analysis, digest(own, DigestAsked(folder=own.reports if for_desk else folder))
    )
