"""The whole nightly work once: load, analyse, digest."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from afterclear.records import LoadResult
from afterclear.runs.analysing import AnalysisReport, analyse
from afterclear.runs.app import App
from afterclear.runs.loading import LoadReport, load_sources
from afterclear.runs.pages import DigestReport, digest
from afterclear.runs.progress import QUIET, Progress


@dataclass(frozen=True, slots=True)
class RunReport:
    """What one run did."""

    load: LoadReport
    analysis: AnalysisReport
    digest: DigestReport


def run_once(
    app: App,
    told: Callable[[LoadResult], None],
    progress: Progress = QUIET,
    *,
    only: Sequence[str] = (),
    say: Callable[[str], None] = lambda _: None,
) -> RunReport:
    """Load every source, analyse what changed, write the digests; nobody writes in between."""
    with app.long_writing("run"):
        load = load_sources(app, told, only=only, say=say)
        return RunReport(load, analyse(app, progress=progress), digest(app))
