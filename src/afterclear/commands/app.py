"""What every run needs: the settings, the store's path, and the time."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from afterclear.catalogue.cautions import Cautions
from afterclear.config import Config
from afterclear.histories.history_rules import HistoryRules
from afterclear.plain import Takes
from afterclear.readers.limits import ReadingLimits
from afterclear.store.engine.archive import archive_folder
from afterclear.store.engine.sharing import Kept
from afterclear.store.engine.snapshot import long_writing, sweep_if_free
from afterclear.store.upkeep.retention import Retention

if TYPE_CHECKING:
    from afterclear.catalogue.code_meaning import Catalogue


__all__ = ["Kept"]  # so that the desk can name the type without importing the store

STORE_NAME = "afterclear.duckdb"


@dataclass(frozen=True)
class App:
    """One configured afterclear.  ``clock`` gives aware instants."""

    config: Config
    store: Path
    clock: Callable[[], datetime]
    # How many processes may be begun for pages.  Each reads the main module again: more than
    # one only in a program whose main module does nothing when it is imported.
    processes: int = 1

    @property
    def archive(self) -> Path:
        """Folder of the delivered files, beside the store."""
        return archive_folder(self.store)

    @property
    def reports(self) -> Path:
        """Folder the digests are written to."""
        base = self.config.folder.parent if self.config.folder else self.store.parent
        return base / "reports"

    @property
    def takes(self) -> Takes:
        """What is accepted in delivered tables."""
        limits = self.config.settings.limits
        return Takes(
            columns=limits.max_columns,
            times_from=limits.times_from,
            dates_from=limits.dates_from,
            until=limits.until,
            max_km=limits.max_odometer_km,
            max_hours=limits.max_engine_hours,
            km_per_day=self.config.settings.evidence.max_km_per_day,
            latest=self.clock() + timedelta(days=limits.max_days_ahead),
            places_of=self._places_of,
        )

    def _places_of(self, code: str) -> Mapping[str, str]:
        """Give a code's places; few loads ask, and the catalogue takes a while to read."""
        return self.catalogue.places_of(code)

    @cached_property
    def catalogue(self) -> "Catalogue":
        """What codes mean; read once, and loaded only when needed."""
        from afterclear.catalogue.code_meaning import Catalogue  # noqa: PLC0415

        return Catalogue.load(self.config.tables, self.config.own_cures)

    @cached_property
    def cautions(self) -> Cautions:
        """Warnings; read once, and without the rest of the catalogue, which takes far longer."""
        return Cautions.load(self.config.tables)

    @property
    def retention(self) -> Retention:
        """How long things are kept."""
        keep = self.config.settings.keep
        return Retention(
            archive_days=keep.archive_days,
            refused_rows_days=keep.refused_rows_days,
            superseded_days=keep.superseded_days,
            runs_days=keep.runs_days,
            trail_days=keep.trail_days,
            page_sums_days=keep.page_sums_days,
        )

    @property
    def reading_limits(self) -> ReadingLimits:
        """What one file may take to read, and how large one within another may be."""
        limits = self.config.settings.limits
        return ReadingLimits(
            memory_bytes=int(limits.reader_memory_mb * 1e6),
            seconds=limits.reader_seconds,
            member_bytes=int(limits.max_file_mb * 1e6),
            pages=limits.reader_pages,
        )

    def long_writing(self, doing: str) -> AbstractContextManager[None]:
        """Hold the store for a long piece of work, with a snapshot for readers if so set."""
        return long_writing(self.store, doing, copy=self.config.settings.store.copy_for_readers)

    def kept_readings(self) -> Kept:
        """Give what opens the store for one block of reading after another, and seldom anew."""
        return Kept(self.store)

    def sweep(self) -> None:
        """Remove what killed processes left beside the store, unless somebody works on it."""
        sweep_if_free(self.store)

    def history_rules(self, as_of: datetime) -> HistoryRules:
        """Give the settings the histories use."""
        evidence = self.config.settings.evidence
        return HistoryRules(
            as_of=as_of,
            visit_hours=evidence.visit_hours,
            visit_km=evidence.visit_km,
            presume_clear_at_repair=evidence.presume_clear_at_repair,
            max_km_per_day=evidence.max_km_per_day,
            assumed_km_per_day=evidence.assumed_km_per_day,
            km_per_engine_hour=evidence.km_per_engine_hour,
            extrapolate_days=evidence.extrapolate_days,
            counter_slack_km=evidence.counter_slack_km,
        )


def app_at(config: Config, store: Path | None, processes: int = 1) -> App:
    """Build an app: with the store asked for, otherwise the one beside the config folder."""
    beside = config.folder.parent if config.folder else Path()
    return App(config, store or beside / STORE_NAME, lambda: datetime.now(UTC), processes)
