"""The whole nightly work once: load, analyse, digest, post urgent come-backs."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from afterclear.commands.analysis.analysing import AnalysisReport, analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import LoadReport, load_sources
from afterclear.commands.pages.mailing import SentReport, send_urgent
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
    """Load every source, analyse what changed, write the digests; no other writer in between.

    Then post urgent come-backs, where a webhook is set: it needs no mail.
    """
    with app.long_writing("run"):
        load = load_sources(app, on_load, only=only, say=say)
        analysis = analyse(app, progress=progress)
        report, model = make_digest(app)
    return RunReport(load, analysis, report, send_urgent(app, model))
