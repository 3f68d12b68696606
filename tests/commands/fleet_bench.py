"""Where random fleets (``random_fleets.py``) become stores: by what came, and as it should be."""

import csv
import io
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from afterclear.catalogue.names_in_text import plain_id
from afterclear.commands.analysis.deciding import Asked, decide, undo
from afterclear.commands.app import App
from afterclear.commands.forgetting import forget
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.replaying import replay
from afterclear.config import Config
from afterclear.errors import UsageError
from afterclear.store.engine.database import Connection, create_temp_table, open_store, query
from afterclear.store.upkeep.forget import known_identifiers
from tests.commands.random_fleets import Delivery, Fleet, Replay, Saying, csv_of
from tests.commands.random_maps import FAULTS, MapFault, map_texts
from tests.commands.random_vehicles import BEGIN, Vehicle

BY = "Ottoline Vance"


@dataclass
class Bench:
    """One place to build stores in, one after another; its clock stands where it is put."""

    folder: Path
    now: datetime = BEGIN
    app: App = field(init=False)
    # by number, what a forgotten vehicle was called, as marks
    refused: dict[str, frozenset[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Read the tables once for all stores."""
        self.imports.mkdir(parents=True)
        config = Config(self.folder / "config")
        self.app = App(config, self.folder / "store" / "fleet.duckdb", lambda: self.now)

    @property
    def imports(self) -> Path:
        """Where the maps are."""
        return self.folder / "config" / "imports"

    def begin(self, fault: MapFault = FAULTS["none"]) -> None:
        """Take away the last store, and let the maps be wrong in one way."""
        shutil.rmtree(self.app.store.parent, ignore_errors=True)
        self.app.store.parent.mkdir()
        self.map(fault)

    def map(self, fault: MapFault) -> None:
        """Write the maps, wrong in one way."""
        for old in self.imports.iterdir():
            old.unlink()
        for name, text in map_texts(fault).items():
            (self.imports / name).write_text(text, encoding="utf-8")

    def load(self, delivery: Delivery) -> None:
        """Load a delivery's files, in the order of their names."""
        self.now = delivery.at
        inbox = self.folder / "inbox"
        inbox.mkdir()
        for name, text in delivery.files.items():
            (inbox / name).write_text(text, encoding="utf-8")
        load_paths(self.app, [inbox], Whose(), lambda _: None)
        shutil.rmtree(inbox)

    def replay(self, which: Replay) -> None:
        """Mend the maps, and read again.

        A file that lost a vehicle is not read again; then replay says so and changes nothing.
        """
        self.map(FAULTS["none"])
        of_map = self.ask(
            """SELECT load_id FROM loads
               WHERE outcome <> 'replaced' AND contains(file_name, '_marked.csv')"""
        )
        asked = of_map["load_id"] if which == "of the map" else ()
        if which == "of the map" and not len(of_map):
            return
        gone = len(self.ask("FROM archive_changes"))
        with suppress(UsageError) if gone else nullcontext():
            replay(self.app, asked, lambda _: None, everything=which == "everything")

    def go(self, fleet: Fleet, after_load: Callable[[Delivery], None]) -> list[tuple[int, str]]:
        """Load, read again, do what is asked, forget: delivery after delivery.

        Returns what was forgotten: (delivery after which, number).
        """
        self.begin(FAULTS[fleet.fault or "none"])
        forgotten = []
        for step, delivery in enumerate(fleet.deliveries):
            self.load(delivery)
            if delivery.replay is not None:
                self.replay(delivery.replay)
            after_load(delivery)
            if delivery.forget is not None and (number := self.forget(delivery.forget)):
                forgotten.append((step, number))
        return forgotten

    def forget(self, pick: int) -> str | None:
        """Forget one of the vehicles there are; give its number."""
        known = self.ask(KNOWN["vehicle"])["vehicle_id"]
        if not len(known):
            return None
        number = str(known[pick % len(known)])
        with open_store(self.app.store) as con:
            self.refused[number] = frozenset({plain_id(number), *known_identifiers(con, number)})
        forget(self.app, number)
        return number

    def ask(self, sql: str) -> pl.DataFrame:
        """Ask the store."""
        with open_store(self.app.store, read_only=True) as con:
            return query(con, sql)

    def say(self, saying: Saying) -> None:
        """Decide as a person would; where the store knows nothing of the sort, say nothing."""
        self.now += timedelta(minutes=1)
        known = self.ask(KNOWN[saying.about]).to_dicts()
        if not known:
            return
        about: dict[str, Any] = known[saying.pick % len(known)]
        if saying.word == "undo":
            undo(self.app, about["decision_id"], BY)
            return
        if saying.about == "date":
            about["until_at"] = self.now + timedelta(days=1 + 30 * saying.pick)
        if saying.about == "km":
            about["until_km"] = 10_000.0 + 2_000 * saying.pick
        decide(self.app, Asked(word=saying.word, by=BY, note=f"said {saying.pick}", **about))


# what a saying may be about, as the store knows it when it is said
KNOWN = {
    "vehicle": """SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scans
                  UNION SELECT vehicle_id FROM repairs ORDER BY ALL""",
    "attempt": "SELECT vehicle_id, attempt_id FROM attempts ORDER BY ALL",
    "code": "SELECT DISTINCT vehicle_id, ecu, code FROM sightings ORDER BY ALL",
    "decision": "SELECT decision_id FROM decisions WHERE undone_at IS NULL ORDER BY ALL",
}
KNOWN |= {"date": KNOWN["vehicle"], "km": KNOWN["vehicle"]}


def keep_decisions(con: Connection, decisions: pl.DataFrame) -> None:
    """Put decisions made on another store into this one, with their numbers and times."""
    create_temp_table(con, "made_elsewhere", decisions)
    con.execute("INSERT INTO decisions BY NAME FROM made_elsewhere")


# --- as it should be ------------------------------------------------------------------------------


def as_remains(
    fleet: Fleet,
    forgotten: Iterable[tuple[int, str]],
    refused: Mapping[str, frozenset[str]],
) -> Sequence[Delivery]:
    """Give deliveries without what was forgotten: (delivery after which, number) of each.

    ``refused``: by number, all names the store knew then; later rows with one are refused.

    A file that had come before, to the byte, is not taken in again, with or without a vehicle.
    """
    last = {number: step for step, number in forgotten}
    came: set[str] = set()
    told = []
    for step, delivery in enumerate(fleet.deliveries):
        names = {
            name
            for vehicle in fleet.vehicles
            for name in _names(vehicle)
            if last.keys() & _names(vehicle)
            and max(last.get(name, -1) for name in _names(vehicle)) >= step
        }
        files = {n: text for n, text in delivery.files.items() if text not in came}
        came |= set(delivery.files.values())
        later = {m for number, at in last.items() if at < step for m in refused[number]}
        told.append(
            replace(delivery, files={n: _without(t, names, later) for n, t in files.items()})
        )
    return told


def _names(vehicle: Vehicle) -> set[str]:
    return {vehicle.number, vehicle.vin, vehicle.plate.lower()}


def _without(text: str, names: set[str], later: set[str]) -> str:
    rows = list(csv.DictReader(io.StringIO(text)))
    kept = [
        row
        for row in rows
        if not names & set(row.values())
        and not later & {plain_id(cell or "") for cell in row.values()}
    ]
    return csv_of(kept) if kept else text.partition("\n")[0] + "\n"


def lists_first(fleet: Fleet) -> Sequence[Delivery]:
    """Give deliveries as if whose rows are whose had been known from the first."""
    first = fleet.deliveries[0]
    lists = {n: t for d in fleet.deliveries for n, t in d.files.items() if "vehicles" in n}
    others = [
        replace(d, files={n: t for n, t in d.files.items() if n not in lists})
        for d in fleet.deliveries
    ]
    return [replace(first, files=lists), *others]
