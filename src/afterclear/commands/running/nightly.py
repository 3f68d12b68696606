"""The whole nightly work once: load, analyse, digest, post urgent come-backs."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from afterclear.commands.analysis.analysing import AnalysisReport, analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import LoadReport, load_sources
from afterclear.commands.pages.mailing import SentReport, send_urgent
from afterclear.commands.pages.still_store import written_then_still
from afterclear.commands.pages.write_digests import DigestReport, make_digest
from afterclear.commands.progress import QUIET, Progress
from afterclear.records import LoadResult


@dataclass(frozen=True, slots=True)
class RunReport:
    """What one run did."""

    load: LoadReport
    analysis: AnalysisReport
    digest: DigestReport
    sent: SentReport


def run_once(
    app: App,
    on_load: Callable[[LoadResult], None],
    progress: Progress = QUIET,
    *,
    only: Sequence[str] = (),
    say: Callable[[str], None] = lambda _: None,
) -> RunReport:
    """Load every source, analyse what changed, write the digests of that state.

    No other process writes the store before its state is taken for the pages; then others may.
    Then post urgent come-backs, where a webhook is set: it needs no mail.
    """

    def work() -> tuple[LoadReport, AnalysisReport]:
        load = load_sources(app, on_load, only=only, say=say)
        return load, analyse(app, progress=progress)

    with written_then_still(app, "run", work) as ((load, analysis), still):
        report, model = make_digest(app, still=still)
    return RunReport(load, analysis, report, send_urgent(app, model))
