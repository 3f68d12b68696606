"""A vehicle's story as a test tells it, through the real store and the real rules."""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.config import shipped
from afterclear.histories.build_histories import rebuild
from afterclear.histories.history_rules import HistoryRules
from afterclear.records import PlainRows
from afterclear.store.engine.database import Connection, make_store, open_store, query
from afterclear.store.intake.absorb import absorb
from afterclear.store.queries.results import all_vehicle_ids
from afterclear.take_in import SPELLERS

RULES = HistoryRules(
    as_of=datetime(2030, 1, 1, tzinfo=UTC),
    visit_hours=12,
    visit_km=25,
    presume_clear_at_repair=True,
    max_km_per_day=1500,
    assumed_km_per_day=40,
    km_per_engine_hour=35,
    extrapolate_days=90,
    counter_slack_km=5,
)
CATALOGUE = Catalogue.load(shipped("config"))


@dataclass
class Story:
    """Rows of one or more vehicles, told in order; days count from 1 January 2025, 8:00 UTC."""

    vehicle: str = "V1"
    scans: list[dict[str, Any]] = field(default_factory=list)
    clears: list[dict[str, Any]] = field(default_factory=list)
    repairs: list[dict[str, Any]] = field(default_factory=list)

    def scan(self, day: float, km: float | None, **units: Any) -> "Story":
        """Tell of a scan; keyword: unit=[codes] or unit=dict of columns with ``codes``."""
        head = {
            "scan_id": f"S{len({r['scan_id'] for r in self.scans}) + 1}",
            "vehicle_id": self.vehicle,
            "scanned_at": at(day),
            "odometer_km": text(km),
        }
        head |= {k: str(units.pop(k)) for k in ("scan_scope", "visit_reason") if k in units}
        for ecu, told in units.items():
            columns = dict(told) if isinstance(told, dict) else {"codes": told}
            for code in columns.pop("codes", []) or [None]:
                spelled, _, status = (code or "").partition("/")
                row = {"ecu": ecu, "code": spelled or None, "status": status or None}
                self.scans.append(head | row | {k: str(v) for k, v in columns.items()})
        if not units:
            self.scans.append(head)
        return self

    def clear(self, day: float, km: float | None = None, ecu: str | None = None) -> "Story":
        """Tell of a recorded clear."""
        self.clears.append(
            {
                "vehicle_id": self.vehicle,
                "cleared_at": at(day),
                "odometer_km": text(km),
                "ecu": ecu,
            }
        )
        return self

    def repair(self, day: float, km: float | None = None, **columns: str) -> "Story":
        """Tell of a work order."""
        self.repairs.append(
            {
                "repair_id": f"R{len(self.repairs) + 1}",
                "vehicle_id": self.vehicle,
                "repaired_at": at(day),
                "odometer_km": text(km),
            }
            | columns
        )
        return self

    def load(self, con: Connection, load_id: int = 1) -> None:
        """Bring the rows into a store, as one delivery."""
        for table in ("scans", "clears", "repairs"):
            rows = getattr(self, table)
            if rows:
                columns = {name: pl.String for row in rows for name in row}
                frame = pl.DataFrame(rows, schema=columns).with_row_index("_line", 1)
                frame = frame.with_columns(pl.col("_line").cast(pl.Int64))
                part = PlainRows(table, frame)
                found = absorb(con, part, load_id, zone="UTC", spellers=SPELLERS)
                assert not found.rejections, found.rejections


def together(stories: Sequence[Story]) -> Story:
    """All stories as one delivery: loading them one by one takes most of the time."""
    return Story(
        scans=[row for story in stories for row in story.scans],
        clears=[row for story in stories for row in story.clears],
        repairs=[row for story in stories for row in story.repairs],
    )


def at(day: float) -> str:
    """Spell the instant ``day`` days after 1 January 2025, 8:00 UTC."""
    return datetime.fromtimestamp(1735718400 + day * 86400, UTC).isoformat()


def text(value: float | None) -> str | None:
    return None if value is None else str(value)


def put_empty_store(path: Path) -> Path:
    """Put an empty store somewhere: its migrations take longer than what most tests do with it."""
    if not path.exists():
        path.write_bytes(_empty_store())
    return path


@cache
def _empty_store() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.duckdb"
        make_store(path)
        return path.read_bytes()


@contextmanager
def told(tmp_path: Path, *stories: Story, rules: HistoryRules = RULES) -> Iterator[Connection]:
    """Give a store in which the stories' histories are built."""
    with open_store(put_empty_store(tmp_path / "store.duckdb")) as con:
        for number, story in enumerate(stories, start=1):
            story.load(con, number)
        build(con, rules)
        yield con


def build(con: Connection, rules: HistoryRules = RULES) -> None:
    """Build the histories of every vehicle."""
    rebuild(con, rules, CATALOGUE, all_vehicle_ids(con), lambda _: None)


def attempts(con: Connection) -> list[dict[str, Any]]:
    """All attempts, oldest first."""
    return query(con, "FROM store.attempts ORDER BY attempted_at, ecu, code").to_dicts()


def findings(con: Connection, attempt_id: str | None = None) -> list[tuple[str, str]]:
    """(scan, finding) of the evidence, in order; of one attempt or of the only one."""
    where = f"WHERE attempt_id = '{attempt_id}'" if attempt_id else ""
    return query(
        con, f"SELECT scan_id, finding FROM store.evidence {where} ORDER BY seen_at, scan_id"
    ).rows()


def found_of_each(con: Connection) -> dict[str, tuple[str, str]]:
    """(scan, finding) of each vehicle that has one attempt with one scan to judge it by."""
    found = query(con, "SELECT vehicle_id, scan_id, finding FROM store.evidence").rows()
    each = {vehicle: (scan, finding) for vehicle, scan, finding in found}
    assert len(each) == len(found)
    return each


def attempt_of_each(con: Connection) -> dict[str, dict[str, Any]]:
    """Give the attempt of each vehicle that has one."""
    made = attempts(con)
    assert len({row["vehicle_id"] for row in made}) == len(made)
    return {row["vehicle_id"]: row for row in made}


def episodes(con: Connection) -> list[dict[str, Any]]:
    """All episodes, oldest first."""
    return query(con, "FROM store.episodes ORDER BY onset_high_at, ecu, code").to_dicts()
