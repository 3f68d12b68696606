"""afterclear from Python: a garage's folder opened, its tables as frames, its work done.

The same functions as the command line's; nothing is worked out in a second way.
"""

from datetime import datetime
from pathlib import Path

import polars as pl

from afterclear.commands.analysis.analysing import AnalysisReport, analyse
from afterclear.commands.app import STORE_NAME, App, app_at
from afterclear.commands.intake.loading import LoadReport, Whose, load_paths, load_sources
from afterclear.commands.pages.write_digests import DigestReport, digest
from afterclear.commands.queries.answering import answer_frame
from afterclear.commands.queries.exporting import TABLES, export_frame
from afterclear.commands.queries.vehicle_story import VehicleStory, vehicle_story
from afterclear.config import Config


class Garage:
    """One garage: its settings, its store, and what can be asked of them.

    Frames are Polars frames with the columns of ``afterclear help tables``: distances in km,
    instants aware and in UTC, empty if something is not known.  Every method opens the store and
    closes it again, so that the scheduler can run beside it.
    """

    def __init__(self, app: App) -> None:
        self._app = app

    @property
    def tables(self) -> tuple[str, ...]:
        """Names that ``table`` takes."""
        return TABLES

    def table(self, name: str) -> pl.DataFrame:
        """Give an exported table, a row as ``afterclear export`` has it.

        Raises:
            UnknownNameError: there is no such table; the message lists them.
            StoreError: there is no store yet.

        """
        return export_frame(self._app, name)

    def attempts(self) -> pl.DataFrame:
        """Give every fix attempt with its verdict: a row each."""
        return self.table("attempts")

    def worklist(self) -> pl.DataFrame:
        """Give what is to be done next: a row for each line of each audience's list."""
        return self.table("worklist")

    def sql(self, question: str) -> pl.DataFrame:
        """Answer one reading statement over the tables.

        Raises:
            UsageError: it is not one statement that reads, or the database does not understand it.
            StoreError: there is no store yet, or none that was analysed by this version.

        """
        return answer_frame(self._app, question)

    def vehicle(self, vehicle_id: str) -> VehicleStory:
        """Give one vehicle's history.

        Raises:
            UnknownVehicleError: no row speaks of the vehicle.

        """
        return vehicle_story(self._app, vehicle_id)

    def load(
        self, *paths: str | Path, zone: str = "UTC", vehicle_id: str | None = None
    ) -> LoadReport:
        """Load files and folders; without any, what every configured source has new.

        ``zone``: IANA name, for times without an offset; ``vehicle_id``: whose files they are where
        they do not say so.  A refused file is listed in the report, not raised.
        """
        if not paths:
            return load_sources(self._app, lambda _: None)
        whose = Whose(zone=zone, vehicle_id=vehicle_id)
        return load_paths(self._app, [Path(path) for path in paths], whose, lambda _: None)

    def analyse(self, *, full: bool = False, as_of: datetime | None = None) -> AnalysisReport:
        """Rebuild what changed since the last time and judge every fix attempt.

        ``full``: rebuild all vehicles; ``as_of``: an aware instant; later events are left out.
        """
        return analyse(self._app, full=full, as_of=as_of)

    def digest(self) -> DigestReport:
        """Write the digests into the garage's ``reports`` folder."""
        return digest(self._app)


def open_garage(folder: str | Path = ".", *, store: str | Path | None = None) -> Garage:
    """Open the garage in a folder made by ``afterclear init``, or a store alone.

    Raises:
        ConfigError: a file of its ``config`` folder is wrong.

    """
    config = Path(folder) / "config"
    settings = Config(config) if config.is_dir() else Config(None)
    return Garage(app_at(settings, Path(store) if store else Path(folder) / STORE_NAME))
