"""Load files: those named, or those of every configured source."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from afterclear.errors import UnreachableError
from afterclear.load import Arrival, load_files
from afterclear.records import LoadResult
from afterclear.runs.app import App
from afterclear.sources.folder import files_at, files_in
from afterclear.store.database import open_store

COMMAND_LINE = "command line"


@dataclass(frozen=True, slots=True)
class LoadReport:
    """What came of one ``load``: a line a file, and the sources that did not answer."""

    results: tuple[LoadResult, ...]
    out_of_reach: tuple[str, ...] = ()

    @property
    def rows_rejected(self) -> int:
        """Rows refused in all files."""
        return sum(r.rows_rejected for r in self.results)

    @property
    def exit_code(self) -> int:
        """4: a source out of reach; 3: something refused; else 0."""
        if self.out_of_reach:
            return 4
        refused = any(r.outcome == "refused" for r in self.results) or self.rows_rejected
        return 3 if refused else 0


@dataclass(frozen=True, slots=True)
class Whose:
    """What files named on the command line do not say themselves."""

    zone: str = "UTC"
    vehicle_id: str | None = None
    started_at: datetime | None = None


@dataclass(slots=True)
class _Found:
    arrivals: list[Arrival] = field(default_factory=list)
    out_of_reach: list[str] = field(default_factory=list)


def load_paths(
    app: App, paths: Sequence[Path], whose: Whose, told: Callable[[LoadResult], None]
) -> LoadReport:
    """Load files and folders; ``told`` hears of each file as it is done."""
    arrivals = [
        Arrival(
            source=COMMAND_LINE,
            path=file,
            name=str(file.relative_to(path.resolve())) if path.is_dir() else file.name,
            zone=whose.zone,
            vehicle_id=whose.vehicle_id,
            started_at=whose.started_at,
        )
        for path in paths
        for file in files_at(path)
    ]
    return _load(app, _Found(arrivals), told)


def load_sources(app: App, told: Callable[[LoadResult], None]) -> LoadReport:
    """Load what every configured source has; one out of reach does not stop the others."""
    found = _Found()
    for source in app.config.sources:
        folder = app.config.source_folder(source)
        try:
            files = files_in(folder, source.pattern)
        except UnreachableError as error:
            found.out_of_reach.append(f"{source.name}: {error}")
            continue
        found.arrivals += [
            Arrival(
                source=source.name,
                path=file,
                name=str(file.relative_to(folder.resolve())),
                zone=source.zone,
                vehicle_id=source.vehicle,
            )
            for file in files
        ]
    return _load(app, found, told)


def _load(app: App, found: _Found, told: Callable[[LoadResult], None]) -> LoadReport:
    results = []
    with open_store(app.store) as con:
        for result in load_files(
            con, app.archive, found.arrivals, app.clock, app.config.imports
        ):
            results.append(result)
            told(result)
    return LoadReport(tuple(results), tuple(found.out_of_reach))
