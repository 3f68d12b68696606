"""Analysing after each delivery ends where one full analysis of everything ends.

Random fleets (``random_fleets.py``) are loaded delivery by delivery and analysed each time, only
the vehicles whose rows changed; a second store gets the same files, then one full analysis.
"""

import shutil
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from polars.testing import assert_frame_equal

from afterclear.config import Config
from afterclear.runs.analysing import analyse
from afterclear.runs.app import App
from afterclear.runs.deciding import Asked, decide, undo
from afterclear.runs.loading import Whose, load_paths
from afterclear.store.database import Connection, open_store, query
from afterclear.store.decisions import Decision, add_decision, undo_decision
from afterclear.store.exports import EXPORTS, PAGE_FRAMES
from afterclear.store.exports_findings import PAGE_FINDINGS
from afterclear.store.exports_roles import PAGE_ROLES
from tests.runs.random_fleets import BEGIN, Delivery, Fleet, Saying, fleets

# everything a person can take out, and what pages show beside it
_COMPARED = {
    f"{of}: {name}": sql
    for of, frames in (
        ("export", EXPORTS), ("pages", PAGE_FRAMES), ("roles", PAGE_ROLES),
        ("findings", PAGE_FINDINGS),
    )
    for name, sql in frames.items()
}  # fmt: skip
_BY = "Ottoline Vance"


@dataclass
class Bench:
    """One place to build stores in, one after another; its clock stands where it is put."""

    folder: Path
    now: datetime = BEGIN
    app: App = field(init=False)

    def __post_init__(self) -> None:
        """Read the tables once for all stores."""
        self.app = App(Config(None), self.folder / "fleet.duckdb", lambda: self.now)

    def clean(self) -> None:
        """Take away the last store."""
        shutil.rmtree(self.folder)
        self.folder.mkdir()

    def load(self, delivery: Delivery) -> None:
        """Load a delivery's files, in the order of their names."""
        self.now = delivery.at
        inbox = self.folder / "inbox"
        inbox.mkdir()
        for name, text in delivery.files.items():
            (inbox / name).write_text(text, encoding="utf-8")
        load_paths(self.app, [inbox], Whose(), lambda _: None)
        shutil.rmtree(inbox)

    def frames(self) -> dict[str, pl.DataFrame]:
        """Give all that is compared."""
        with open_store(self.app.store, read_only=True) as con:
            return {name: query(con, sql) for name, sql in _COMPARED.items()}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench") / "store")


def incremental(bench: Bench, fleet: Fleet) -> dict[str, pl.DataFrame]:
    """Load, analyse and decide, delivery after delivery."""
    bench.folder.mkdir(exist_ok=True)
    bench.clean()
    for delivery in fleet.deliveries:
        bench.load(delivery)
        analyse(bench.app, full=delivery.is_full, as_of=delivery.as_of)
        for saying in delivery.sayings:
            bench.now += timedelta(minutes=1)
            say(bench.app, saying)
    return bench.frames()


def rebuilt(bench: Bench, fleet: Fleet, decisions: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Load everything, keep what was decided, then analyse once, in full."""
    bench.clean()
    for delivery in fleet.deliveries:
        bench.load(delivery)
    with open_store(bench.app.store) as con:
        keep_decisions(con, decisions)
    analyse(bench.app, full=True, as_of=fleet.deliveries[-1].as_of)
    return bench.frames()


# what a saying may be about, as the store knows it when it is said
_KNOWN = {
    "vehicle": """SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scans
                  UNION SELECT vehicle_id FROM repairs ORDER BY ALL""",
    "attempt": "SELECT vehicle_id, attempt_id FROM attempts ORDER BY ALL",
    "code": "SELECT DISTINCT vehicle_id, ecu, code FROM sightings ORDER BY ALL",
    "decision": "SELECT decision_id FROM decisions WHERE undone_at IS NULL ORDER BY ALL",
}
_KNOWN |= {"date": _KNOWN["vehicle"], "km": _KNOWN["vehicle"]}


def say(app: App, saying: Saying) -> None:
    """Decide as a person would; where the store knows nothing of the sort, say nothing."""
    with open_store(app.store, read_only=True) as con:
        known = query(con, _KNOWN[saying.about]).to_dicts()
    if not known:
        return
    about: dict[str, Any] = known[saying.pick % len(known)]
    if saying.word == "undo":
        undo(app, about["decision_id"], _BY)
        return
    if saying.about == "date":
        about["until_at"] = app.clock() + timedelta(days=30 * saying.pick)
    if saying.about == "km":
        about["until_km"] = 10_000.0 + 2_000 * saying.pick
    decide(app, Asked(word=saying.word, by=_BY, note=f"said {saying.pick}", **about))


def keep_decisions(con: Connection, decisions: pl.DataFrame) -> None:
    """Put decisions made on another store into this one, with their times."""
    for row in decisions.iter_rows(named=True):
        number, undone_by, undone_at = (
            row.pop(name) for name in ("decision_id", "undone_by", "undone_at")
        )
        times = {k: v.replace(tzinfo=UTC) for k, v in row.items() if isinstance(v, datetime)}
        assert add_decision(con, Decision(**row | times)) == number
        if undone_at is not None:
            undo_decision(con, number, undone_by, undone_at.replace(tzinfo=UTC))


def check_fleet(bench: Bench, fleet: Fleet) -> dict[str, pl.DataFrame]:
    """Hold what analyses of each delivery end in against one of everything; give it."""
    found = incremental(bench, fleet)
    with open_store(bench.app.store, read_only=True) as con:
        assert not query(con, "FROM analyses ORDER BY analysis_id")["is_full"][-1]
    wanted = rebuilt(bench, fleet, found["export: decisions"])
    for name, frame in wanted.items():
        try:
            assert_frame_equal(found[name], frame, check_exact=True)
        except AssertionError as error:
            raise AssertionError(f"{name}:\n{error}\n{found[name]}\n{frame}") from None
    return wanted


_UNHURRIED = settings(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow,
                           HealthCheck.data_too_large],
)  # fmt: skip


# not made smaller where it fails: that takes minutes, and the slow test does it
@settings(_UNHURRIED, max_examples=2, phases=[Phase.generate])
@given(fleet=fleets(fewest=4))
def test_analysing_each_delivery_ends_where_one_full_analysis_ends(
    bench: Bench, fleet: Fleet
) -> None:
    """Late, repeated and corrected rows, late lists, decisions: all tables row for row."""
    check_fleet(bench, fleet)


_SCAN = "vehicle_id,scan_id,scanned_at,odometer_km,scan_scope,ecu,code,description\n"


def two_deliveries(first: str, second: str, *, late: str = "scans") -> Fleet:
    """Give a scan file in March 2025, and another file the month after."""
    files = ({"scans.csv": _SCAN + first}, {f"{late}.csv": second})
    days = (BEGIN + timedelta(days=30), BEGIN + timedelta(days=60))
    return Fleet(
        (),
        tuple(
            Delivery(files=f, at=at, as_of=at, is_full=False, sayings=())
            for f, at in zip(files, days, strict=True)
        ),
    )


def test_a_maker_told_late_leaves_no_words_of_the_time_before(bench: Bench) -> None:
    """A code named by its words alone would get those of a family nobody has any more."""
    shown = "V1,S1,2025-03-02T08:00:00Z,10000,full,engine,P1351,\n"
    fleet = two_deliveries(shown, "vehicle_id,make\nV1,Veldrun\n", late="vehicles")
    assert check_fleet(bench, fleet)["roles: roles"]["family_label"].to_list() == [
        "P1351 (veldrun)"
    ]


def test_a_row_dated_later_than_an_analysis_counts_in_the_first_one_after_its_date(
    bench: Bench,
) -> None:
    """Nothing more comes of V1: only the passing of time makes its row count."""
    later = "V1,S1,2025-04-20T08:00:00Z,10000,full,engine,P0301,\n"
    other = "V2,S2,2025-04-02T08:00:00Z,10000,full,engine,,\n"
    found = check_fleet(bench, two_deliveries(later, _SCAN + other))
    assert found["export: episodes"]["vehicle_id"].to_list() == ["V1"]


def test_what_two_tools_call_a_makers_code_is_the_same_whoever_was_rebuilt_last(
    bench: Bench,
) -> None:
    """Only V2 is rebuilt by the second analysis; its tool's words must not oust those of V1's."""
    first = "V1,S1,2025-03-02T08:00:00Z,10000,full,engine,P1351,aft trim flag\n"
    second = "V2,S2,2025-04-02T08:00:00Z,10000,full,engine,P1351,zeta trim flag\n"
    check_fleet(bench, two_deliveries(first, _SCAN + second))


@pytest.mark.slow
@settings(_UNHURRIED, max_examples=100)
@given(fleet=fleets())
def test_a_hundred_fleets_end_where_one_full_analysis_ends(bench: Bench, fleet: Fleet) -> None:
    """The same over many more fleets."""
    check_fleet(bench, fleet)
