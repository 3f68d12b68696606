"""Load files: those named, or those of every configured source."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from pathlib import Path

from afterclear.commands.app import App
from afterclear.commands.intake.fetching import Fetching, FetchReport, arrivals
from afterclear.errors import UsageError, worded
from afterclear.load import Arrival, load_files
from afterclear.readers.limits import ReadingLimits
from afterclear.records import LoadResult, printable
from afterclear.sources.folder import files_at
from afterclear.store.engine.database import open_store
from afterclear.take_in import Clock

COMMAND_LINE = "command line"


@dataclass(frozen=True, slots=True)
class LoadReport:
    """The result of one ``load``: a line a file, and the sources that did not answer."""

    results: tuple[LoadResult, ...]
    out_of_reach: tuple[str, ...] = ()
    unsettled: tuple[str, ...] = ()  # files still being written, left for the next run

    @property
    def rows_rejected(self) -> int:
        """Rows refused in all files."""
        return sum(r.rows_rejected for r in self.results)

    @property
    def exit_code(self) -> int:
        """1: our own bug on a file; 4: out of reach; 3: something refused; otherwise 0."""
        if any(r.is_fault for r in self.results):
            return 1
        if self.out_of_reach or any(r.outcome == "left" for r in self.results):
            return 4
        refused = any(r.outcome == "refused" for r in self.results) or self.rows_rejected
        return 3 if refused else 0


@dataclass(frozen=True, slots=True)
class Whose:
    """Facts that files named on the command line do not state themselves."""

    zone: str = "UTC"
    vehicle_id: str | None = None
    started_at: datetime | None = None


def load_paths(
    app: App, paths: Sequence[Path], whose: Whose, on_load: Callable[[LoadResult], None]
) -> LoadReport:
    """Load files and folders; ``on_load`` is called with each file when it is done."""
    arrivals = [
        Arrival(
            source=COMMAND_LINE,
            path=file,
            name=printable(str(file.relative_to(path.resolve())) if path.is_dir() else file.name),
            zone=whose.zone,
            vehicle_id=whose.vehicle_id,
            started_at=whose.started_at,
            root=path.resolve() if path.is_dir() else None,
            by_hand=True,
        )
        for path in paths
        for file in files_at(path)
    ]
    results = []
    with app.long_writing("load"), open_store(app.store, takes=app.takes) as con:
        for result in load_files(con, app.archive, arrivals, *_how(app)):
            results.append(result)
            on_load(result)
    return LoadReport(tuple(results))


def load_sources(
    app: App,
    on_load: Callable[[LoadResult], None],
    *,
    only: Sequence[str] = (),
    say: Callable[[str], None] = lambda _: None,
) -> LoadReport:
    """Load what every configured source has new; one out of reach does not stop the others.

    ``only``: names of the sources asked; none: all.  ``say`` is called for each failed try.

    Raises:
        UsageError: there is no source to ask.

    """
    if not app.config.sources:
        raise UsageError(
            worded(
                "No source is configured here, so there is nothing to load. Go to the folder that "
                "'afterclear init DIR' made, or name it with --config DIR/config, or name files: "
                "'afterclear load FILE'. What was loaded before is judged by 'afterclear analyse'."
            )
        )
    results: list[LoadResult] = []
    fetched = FetchReport()
    with app.long_writing("load"), open_store(app.store, takes=app.takes) as con:
        how = Fetching(app, con, say=say)
        chosen = [s for s in app.config.sources if not only or s.name in only]
        feed = chain.from_iterable(arrivals(source, how, fetched) for source in chosen)
        for result in load_files(con, app.archive, feed, *_how(app)):
            fetched.hear(result)
            results.append(result)
            on_load(result)
        for result in fetched.refused:
            results.append(result)
            on_load(result)
    return LoadReport(tuple(results), tuple(fetched.out_of_reach), tuple(fetched.unsettled))


def _how(app: App) -> tuple[Clock, Path, ReadingLimits]:
    return app.clock, app.config.imports, app.reading_limits
