"""Nights of deliveries, by an accelerated clock, end where one load of everything ends.

The Velmarsh site of the sample fleet delivers each day's rows the night after; some come late,
some twice, some corrected.  The timetable is kept by the same code as ``schedule`` keeps it, in
a zone whose clocks change, at a time one of those nights does not have.  In the end every export
is the same, byte for byte, as after one load of all files.  ``.ci/run`` takes three weeks around
each change of the clocks; ``python -m tests.campaigns year`` the whole year.
"""

import csv
import io
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import load_sources
from afterclear.commands.running.accounting import Due
from afterclear.commands.running.jobs import do_job
from afterclear.commands.upkeep import check
from afterclear.config import Config, NamedJob, shipped
from afterclear.schedule.times import next_time
from afterclear.store.engine.database import open_store, query
from tests.campaigns import counted, is_campaign
from tests.store.care_fixture import exports

ZONE = ZoneInfo("Europe/Berlin")
NIGHTLY = NamedJob(name="nightly load", does="load", at="30 2 * * *", zone=ZONE.key)
JOBS = (
    NIGHTLY,
    NamedJob(name="nightly analysis", does="analyse", at="45 2 * * *", zone=ZONE.key),
    NamedJob(name="digest", does="digest", at="0 6 1,8,15,22 * *", zone=ZONE.key),
)
# table -> (files of the sample data, the column that dates a row, a column to correct)
TABLES = {
    "scans": (("02_scans_velmarsh_to_2025-06.csv", "03_scans_velmarsh_2025-07_to_12.csv",
               "04_scans_velmarsh_2026-01_to_09.csv"), "scanned_at", "odometer_km"),
    "clears": (("10_clears.csv",), "cleared_at", "odometer_km"),
    "repairs": (("11_repairs_velmarsh.csv",), "repaired_at", "odometer_km"),
}  # fmt: skip
SHARE_LATE, SHARE_TWICE, SHARE_CORRECTED = 0.05, 0.03, 0.01
_DIGEST_DAYS = (1, 8, 15, 22)
# what is told of loading itself: when, and what each digest said
_OF_THE_RUNS = ("loads", "digests", "sent")


@dataclass(frozen=True)
class Stretch:
    """Nights one after the other."""

    first: date
    n_nights: int

    @property
    def days(self) -> list[date]:
        return [self.first + timedelta(days=n) for n in range(self.n_nights)]

    @property
    def last(self) -> date:
        return self.days[-1]


STRETCHES = {"autumn": Stretch(date(2025, 10, 13), 21), "spring": Stretch(date(2026, 3, 16), 21)}
if is_campaign():
    STRETCHES["year"] = Stretch(date(2025, 10, 1), 365)


@dataclass
class Delivered:
    """One file and the night on which it comes."""

    on: date
    name: str
    text: str


def rows_of(table: str) -> list[dict[str, str]]:
    files, _, _ = TABLES[table]
    found = []
    for name in files:
        with (shipped("sample_data") / name).open(encoding="utf-8", newline="") as file:
            found += list(csv.DictReader(file))
    return [row for row in found if row["vehicle_id"].startswith("M-")]


def as_csv(rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def deliveries(stretch: Stretch) -> list[Delivered]:
    """Every file; what is older comes in the first night.  Names sort in the order of delivery."""
    chance = random.Random(20251001)  # noqa: S311 - no secret
    first, last = stretch.first, stretch.last
    vehicles = (shipped("sample_data") / "01_vehicles.csv").read_text(encoding="utf-8")
    files = [Delivered(first, f"{first}_0_vehicles.csv", vehicles)]
    for table, (_, dated, corrected) in TABLES.items():
        nights: dict[tuple[date, str], list[dict[str, str]]] = {}
        for row in rows_of(table):
            day = datetime.fromisoformat(row[dated]).date()
            if day > last:
                continue
            night = max(day + timedelta(days=1), first)
            if chance.random() < SHARE_LATE:
                night += timedelta(days=chance.randint(3, 60))
                kind = "2_late"
            else:
                kind = "1"
            nights.setdefault((min(night, last), kind), []).append(row)
            if chance.random() < SHARE_TWICE:
                more = min(night + timedelta(days=chance.randint(1, 9)), last)
                nights.setdefault((more, "1"), []).append(row)
            if chance.random() < SHARE_CORRECTED and row.get(corrected):
                right = row | {corrected: str(int(float(row[corrected])) + 1)}
                later = min(night + timedelta(days=chance.randint(61, 90)), last)
                nights.setdefault((later, "3_corrected"), []).append(right)
        files += [
            Delivered(night, f"{night}_{kind}_{table}.csv", as_csv(rows))
            for (night, kind), rows in sorted(nights.items(), key=lambda pair: pair[0])
        ]
    again = [f for f in files if chance.random() < SHARE_LATE]
    files += [
        Delivered(f.on + timedelta(days=7), f"{f.on + timedelta(days=7)}_4_again_{f.name}", f.text)
        for f in again
        if f.on + timedelta(days=7) <= last
    ]
    return sorted(files, key=lambda f: (f.on, f.name))


def app_in(folder: Path, now: datetime) -> App:
    return App(Config(folder / "config"), folder / "afterclear.duckdb", lambda: now)


def garage(folder: Path) -> Path:
    for name in ("config", "inbox"):
        (folder / name).mkdir(parents=True)
    (folder / "config" / "sources.toml").write_text(
        f'[[source]]\nname = "yard"\nfolder = "inbox"\nzone = "{ZONE.key}"\nsettle_seconds = 0\n'
    )
    return folder


def timetable(begin: datetime, end: datetime) -> Iterator[tuple[NamedJob, Due]]:
    """Each job when it is due, as ``schedule`` would do them, the clock leaping between."""
    now, last = begin, {job.name: begin for job in JOBS}
    while True:
        due = {job.name: next_time(job, last[job.name], now) for job in JOBS}
        job = min(JOBS, key=lambda one: due[one.name].at)
        now = max(now, due[job.name].at)
        if now > end:
            return
        yield job, Due(due[job.name].at, due[job.name].n_missed)
        last[job.name] = due[job.name].at


@pytest.mark.slow
@pytest.mark.parametrize("stretch", STRETCHES.values(), ids=list(STRETCHES))
def test_nights_of_deliveries_end_where_one_load_of_everything_ends(
    tmp_path: Path, stretch: Stretch
) -> None:
    files = deliveries(stretch)
    begin = datetime.combine(stretch.first, datetime.min.time(), ZONE).astimezone(UTC)
    end = begin + timedelta(days=stretch.n_nights, hours=1)

    nightly = garage(tmp_path / "nightly")
    coming, done = list(files), dict.fromkeys([job.name for job in JOBS], 0)
    clock_shown: list[str] = []
    begun = time.monotonic()
    for job, due in timetable(begin, end):
        assert due.at is not None
        today = due.at.astimezone(ZONE).date()
        while coming and coming[0].on <= today:
            (nightly / "inbox" / coming[0].name).write_text(coming.pop(0).text, encoding="utf-8")
        account = do_job(app_in(nightly, due.at), job, due, lambda _: None)
        assert account.outcome in ("done", "refused"), account.report
        done[job.name] += 1
        if job is NIGHTLY:
            clock_shown.append(due.at.astimezone(ZONE).strftime("%m-%d %H:%M"))
    took_s = time.monotonic() - begun
    assert not coming
    nights, n_digests = stretch.n_nights, sum(day.day in _DIGEST_DAYS for day in stretch.days)
    assert done == {"nightly load": nights, "nightly analysis": nights, "digest": n_digests}
    nights_shown = {day.strftime("%m-%d") + " 02:30" for day in stretch.days}
    # the 29th of March has no 2:30; the 26th of October has two, and one load
    if date(2026, 3, 29) in stretch.days:
        nights_shown = nights_shown - {"03-29 02:30"} | {"03-29 03:30"}
    assert sorted(clock_shown) == sorted(nights_shown)
    analyse(app_in(nightly, end))

    once = garage(tmp_path / "once")
    for file in files:
        (once / "inbox" / file.name).write_text(file.text, encoding="utf-8")
    load_sources(app_in(once, end), lambda _: None)
    analyse(app_in(once, end), full=True)

    slow, fast = (exports(app_in(folder, end)) for folder in (nightly, once))
    differing = [n for n in fast if n not in _OF_THE_RUNS and slow[n] != fast[n]]
    with open_store(app_in(nightly, end).store) as con:
        counts = query(
            con,
            """SELECT count(*) AS loads, sum(rows_read)::INT AS read,
                   sum(rows_stored)::INT AS stored,
                   sum(rows_duplicate)::INT AS duplicate, sum(rows_corrected)::INT AS corrected
               FROM loads""",
        ).to_dicts()[0]
    counted(nights, "nights")
    print(f"\n{nights} nights in {took_s:.0f} s, {len(files)} files: {counts}; {done}")
    print("exports compared:", ", ".join(sorted(set(fast) - set(_OF_THE_RUNS))))
    assert differing == []
    assert counts["duplicate"] > 20
    assert counts["corrected"] > 5
    ledgers = []
    for folder in (nightly, once):
        with open_store(app_in(folder, end).store) as con:
            ledgers.append(
                query(con, "SELECT * EXCLUDE (started_at, finished_at) FROM loads ORDER BY load_id")
            )
    assert ledgers[0].equals(ledgers[1], null_equal=True)
    for folder in (nightly, once):
        assert check(replace(app_in(folder, end))).wrong == ()
