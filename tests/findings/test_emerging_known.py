"""What is new rests on what was known: no later reading changes the counts of a day before it."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from afterclear.findings.rising.find_emerging import _fleet
from afterclear.records import PlainRows
from afterclear.store.engine.database import Connection, open_store
from afterclear.store.intake.absorb import absorb
from afterclear.take_in import SPELLERS
from tests.findings.test_emerging import FIRST
from tests.histories.story import Story, build, together

EARLY, LATE = 400, 700  # days of two analyses


def fleet() -> list[tuple[Story, str]]:
    """Petrol cars misfire early, at planned visits; a diesel one late, after a complaint."""
    cars = []
    for n in range(4):
        story = Story(f"P{n}")
        for day in range(n, 380, 40):
            codes = ["P0301"] if day >= 120 + 30 * n else []
            story.scan(day, 1000 + 60 * day, engine=codes, visit_reason="routine")
        cars.append((story, "petrol"))
    for n in range(4):
        story = Story(f"D{n}")
        for day in range(n, LATE - 20, 40):
            codes = ["P0301"] if day >= 500 + 30 * n else []
            reason = "complaint" if codes else "routine"
            story.scan(day, 1000 + 60 * day, engine=codes, visit_reason=reason)
        cars.append((story, "diesel"))
    return cars


@pytest.fixture
def con(tmp_path: Path) -> Iterator[Connection]:
    told = fleet()
    with open_store(tmp_path / "store.duckdb") as con:
        cars = pl.DataFrame(
            [
                {"vehicle_id": s.vehicle, "make": "Mak", "model": kind, "powertrain": kind}
                for s, kind in told
            ]
        ).with_row_index("_line", 1)
        part = PlainRows("vehicles", cars.with_columns(pl.col("_line").cast(pl.Int64)))
        assert not absorb(con, part, 1, zone="UTC", spellers=SPELLERS).rejections
        together([story for story, _ in told]).load(con, 2)
        build(con)
        yield con


def test_the_counts_of_a_day_are_the_same_in_every_later_analysis(con: Connection) -> None:
    """Neither that diesels may misfire, nor that faults bring vehicles in, was known then."""
    then, later = (_fleet(con, FIRST + timedelta(days=day)) for day in (EARLY, LATE))
    assert then is not None
    assert later is not None
    assert then.zero == later.zero
    faults = {fault.name: fault for fault in later.faults}
    for fault in then.faults:
        before, after = then.records.of(fault), later.records.of(faults[fault.name])
        for name in ("onsets", "km", "all_onsets", "all_km"):
            known, told = (
                record[:EARLY] if name.startswith("all") else record[:, :EARLY]
                for record in (getattr(before, name), getattr(after, name))
            )  # the last day was not over
            np.testing.assert_array_equal(known, told, err_msg=f"{fault.name}: {name}")


def test_km_before_a_kind_was_known_to_show_the_fault_count_once_it_was(con: Connection) -> None:
    later = _fleet(con, FIRST + timedelta(days=LATE))
    assert later is not None
    fault = later.faults[0]
    assert fault.name == "misfire"
    known = fault.known_day.max()
    assert known > EARLY
    km = later.records.of(fault).all_km.sum(axis=1)
    driven = km[known] - km[known - 1]
    assert driven > 4 * 60 * EARLY / 2  # of four diesels, mostly at once
