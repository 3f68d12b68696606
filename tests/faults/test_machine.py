"""The whole tool in any order of its commands, killed at times, against a plain model of it.

2,000 steps are a campaign: ``python -m tests.campaigns machine --times 25``.
"""

import shutil
import tempfile
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar, Final

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from afterclear.commands.upkeep import check
from afterclear.errors import UsageError
from afterclear.store.engine.database import open_store, rows
from afterclear.store.engine.migrations import known_migrations
from tests.campaigns import counted, counted_kills, is_campaign, repeats
from tests.faults.garage_model import (
    NAMELESS,
    Decision,
    File,
    Garage,
    Kept,
    Telling,
    Told,
    plate,
    vin,
)
from tests.faults.garage_work import WORK, End, garage_app, killed_at
from tests.faults.older_store import put_back

STEPS: Final = 20
EXAMPLES: Final = repeats(4)
VEHICLES: Final = (1, 2, 3)
NUMBERS: Final = st.sampled_from([f"V{v}" for v in VEHICLES])
# kills: never, or after so many hundredths of what the work usually asks for
MOMENTS: Final = st.just(0) | st.integers(1, 110)
# how often work asks the database or the file system for something, about
ASKS: Final = {
    "load": 17, "retract": 60, "reassign": 60, "replay": 100, "decide": 25, "undo": 22,
    "forget": 600, "allow": 8, "analyse": 400, "digest": 120, "vacuum": 160, "backup": 20,
    "restore": 66, "upgrade": 100,
}  # fmt: skip
# Schemas of earlier programs.  Those before kept less of what the model knows of: who is forgotten,
# or what a digest said.
SCHEMAS: Final = [name for name in known_migrations() if name >= "0018"][:-1]
TELLINGS: Final = st.builds(
    Telling,
    st.sampled_from(VEHICLES),
    st.integers(0, 5),
    st.sampled_from([0, 0, 7, 11]),
    st.sampled_from([False, False, False, False, True]),
)


def says(folder: Path, now: datetime) -> Told:
    """Ask a store what it says."""
    with open_store(garage_app(folder, now).store, read_only=True) as con:
        scans = rows(con, "SELECT vehicle_id, scan_id, odometer_km::INT AS km FROM scans")
        listed = rows(con, "SELECT vehicle_id, site FROM vehicles")
        refused = rows(con, "SELECT row_json->>'scan_id' AS s FROM rejections WHERE line > 0")
        loads = rows(con, "SELECT file_name FROM loads WHERE outcome IN ('stored', 'refused')")
        said = rows(con, "SELECT vehicle_id, note, undone_at FROM decisions")
    told = [((r["vehicle_id"], r["scan_id"]), str(r["km"])) for r in scans]
    told += [((r["vehicle_id"], "list"), r["site"]) for r in listed]
    assert len(told) == len(set(told))
    return Told(
        frozenset(told),
        frozenset(r["s"] for r in refused if str(r["s"]).startswith("X")),
        frozenset(r["file_name"] for r in loads),
        tuple(
            sorted(
                (Decision(r["vehicle_id"], r["note"], bool(r["undone_at"])) for r in said), key=str
            )
        ),
    )


class GarageMachine(RuleBasedStateMachine):
    """A garage and its model, side by side."""

    done: ClassVar[Counter[str]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="garage-"))
        for name in ("config/imports", "files", "backups"):
            (self.folder / name).mkdir(parents=True)
        (self.folder / "config" / "imports" / "tool.toml").write_text(NAMELESS, encoding="utf-8")
        self.now = datetime(2026, 3, 1, 12, tzinfo=UTC)
        self.garage = Garage()
        self.files: list[File] = []
        self.backups: list[Kept] = []
        self.n_notes = 0
        self.is_analysed = False

    @initialize()
    def begins(self) -> None:
        with open_store(garage_app(self.folder, self.now).store):
            pass
        self._deliver(File(0, (), vehicles=VEHICLES), "", 0)

    # --- one step: the work on the store, killed or not, and on the model ----------------------

    def _step(self, after: Garage, kill: int, *work: Any, may_refuse: bool = False) -> None:
        self.now += timedelta(seconds=1)
        name, *given = work
        self.done[name] += 1
        before = self.garage
        end: End | None = None
        if kill:
            asks = 1 + ASKS[name] * kill // 100
            end = killed_at(self.folder, self.now, asks, work)
        if end == "killed":
            self.done[f"{name}, killed"] += 1
            with open_store(garage_app(self.folder, self.now).store):
                pass  # what the killed process left in the log is folded in
            if name != "forget" and not self._is_to_be_repeated(before, after):
                end = "done"
        if end == "done":
            self.garage = after
            return
        app = garage_app(self.folder, self.now)
        try:
            WORK[name](app, *given)
        except UsageError:
            # one that must be read again is no longer in the archive as it came
            assert may_refuse, work
            self.done[f"{name}, refused"] += 1
            return
        self.garage = after

    def _is_to_be_repeated(self, before: Garage, after: Garage) -> bool:
        found = says(self.folder, self.now)
        assert found in (before.says(), after.says())
        return before.says() == after.says() or found == before.says()

    def _is_cut(self) -> bool:
        return any(load.without for load in self.garage.loads)

    def _deliver(self, file: File, given: str, kill: int) -> None:
        (self.folder / "files" / file.name).write_text(file.text(), encoding="utf-8")
        after = self.garage.copy()
        after.load(file, given)
        self._step(after, kill, "load", file.name, given)

    # --- what may be done -----------------------------------------------------------------------

    @rule(tellings=st.lists(TELLINGS, min_size=1, max_size=6), kill=MOMENTS)
    def loads(self, tellings: list[Telling], kill: int) -> None:
        once = {told.scan_id: told for told in tellings}
        self.files.append(File(len(self.files) + 1, tuple(once.values())))
        self._deliver(self.files[-1], "", kill)

    @rule(n=st.integers(1, 3), vehicle=NUMBERS, kill=MOMENTS)
    def loads_a_tools_file(self, n: int, vehicle: str, kill: int) -> None:
        told = tuple(Telling(0, scan) for scan in range(n))
        self.files.append(File(len(self.files) + 1, told, is_tools=True))
        self._deliver(self.files[-1], vehicle, kill)

    @rule(listed=st.sets(st.sampled_from(VEHICLES), min_size=1), kill=MOMENTS)
    def loads_a_list(self, listed: set[int], kill: int) -> None:
        self.files.append(File(len(self.files) + 1, (), vehicles=tuple(sorted(listed))))
        self._deliver(self.files[-1], "", kill)

    @precondition(lambda self: self.files)
    @rule(data=st.data(), kill=MOMENTS)
    def loads_again(self, data: st.DataObject, kill: int) -> None:
        file = data.draw(st.sampled_from(self.files))
        past = self.garage.load_of(file.name)
        self._deliver(file, (past.given if past else "V2") if file.is_tools else "", kill)

    @precondition(lambda self: self.garage.loads)
    @rule(data=st.data(), kill=MOMENTS)
    def retracts(self, data: st.DataObject, kill: int) -> None:
        load = data.draw(st.sampled_from(self.garage.loads))
        after = self.garage.copy()
        after.retract(load.file.name)
        self._step(after, kill, "retract", load.file.name, may_refuse=self._is_cut())

    @precondition(lambda self: any(load.file.is_tools for load in self.garage.loads))
    @rule(data=st.data(), vehicle=NUMBERS, kill=MOMENTS)
    def reassigns(self, data: st.DataObject, vehicle: str, kill: int) -> None:
        tools = [load for load in self.garage.loads if load.file.is_tools]
        load = data.draw(st.sampled_from(tools))
        after = self.garage.copy()
        after.reassign(load.file.name, vehicle)
        unchanged = vehicle == load.given or vehicle in self.garage.forgotten
        may_refuse = unchanged or self._is_cut()
        self._step(after, kill, "reassign", load.file.name, vehicle, may_refuse=may_refuse)

    @rule(kill=MOMENTS)
    def replays(self, kill: int) -> None:
        self._step(self.garage.copy(), kill, "replay", may_refuse=self._is_cut())

    @precondition(lambda self: self.garage.vehicles())
    @rule(data=st.data(), kill=MOMENTS)
    def decides(self, data: st.DataObject, kill: int) -> None:
        vehicle = data.draw(st.sampled_from(self.garage.vehicles()))
        self.n_notes += 1
        after = self.garage.copy()
        after.decide(vehicle, f"note {self.n_notes}")
        self._step(after, kill, "decide", vehicle, f"note {self.n_notes}")

    @precondition(lambda self: any(not d.is_undone for d in self.garage.decisions))
    @rule(data=st.data(), kill=MOMENTS)
    def undoes(self, data: st.DataObject, kill: int) -> None:
        standing = [d.note for d in self.garage.decisions if not d.is_undone]
        note = data.draw(st.sampled_from(standing))
        after = self.garage.copy()
        after.undo(note)
        self._step(after, kill, "undo", note)

    @precondition(lambda self: self.garage.vehicles())
    @rule(data=st.data(), kill=MOMENTS)
    def forgets(self, data: st.DataObject, kill: int) -> None:
        vehicle = data.draw(st.sampled_from(self.garage.vehicles()))
        after = self.garage.copy()
        after.forget(vehicle)
        self._step(after, kill, "forget", vehicle)
        left = [p for p in self.folder.rglob("*") if p.is_file() and p.parent.name != "backups"]
        number = int(vehicle[1:])
        for path in left:
            if path.parent.name != "files":
                content = path.read_bytes()
                assert vin(number).encode() not in content, path
                assert plate(number).encode() not in content, path

    @precondition(lambda self: self.garage.forgotten)
    @rule(data=st.data(), kill=MOMENTS)
    def lets_in(self, data: st.DataObject, kill: int) -> None:
        vehicle = data.draw(st.sampled_from(sorted(self.garage.forgotten)))
        after = self.garage.copy()
        after.forgotten -= {vehicle}
        self._step(after, kill, "allow", vehicle)

    @rule(kill=MOMENTS)
    def analyses(self, kill: int) -> None:
        self._step(self.garage.copy(), kill, "analyse")
        self.is_analysed = True

    @precondition(lambda self: self.is_analysed)
    @rule(kill=MOMENTS)
    def writes_pages(self, kill: int) -> None:
        self._step(self.garage.copy(), kill, "digest")

    @rule(kill=MOMENTS)
    def vacuums(self, kill: int) -> None:
        self._step(self.garage.copy(), kill, "vacuum")

    @rule(kill=MOMENTS)
    def backs_up(self, kill: int) -> None:
        kept = Kept(len(self.backups) + 1, self.garage.copy(), self.is_analysed)
        self._step(self.garage.copy(), kill, "backup", kept.number)
        self.backups.append(kept)

    @precondition(lambda self: self.backups)
    @rule(data=st.data(), kill=MOMENTS)
    def restores(self, data: st.DataObject, kill: int) -> None:
        kept = data.draw(st.sampled_from(self.backups))
        self._step(kept.garage.copy(), kill, "restore", kept.number)
        self.is_analysed = kept.is_analysed

    @rule(schema=st.sampled_from(SCHEMAS), kill=MOMENTS)
    def upgrades(self, schema: str, kill: int) -> None:
        """Bring a store up to date that was an older program's until now."""
        put_back(garage_app(self.folder, self.now).store, schema)
        self._step(self.garage.copy(), kill, "upgrade")
        self.is_analysed = False  # its results are to be made anew

    @rule(hours=st.sampled_from([-26, -1, 1, 700]))
    def sets_the_clock(self, hours: int) -> None:
        self.done["clock"] += 1
        self.now += timedelta(hours=hours)

    # --- what always holds ----------------------------------------------------------------------

    @invariant()
    def the_store_says_what_the_model_says(self) -> None:
        if self.garage.loads or self.files:
            assert says(self.folder, self.now) == self.garage.says()
            assert check(garage_app(self.folder, self.now), quick=True).wrong == ()

    def teardown(self) -> None:
        try:
            if self.is_analysed:
                WORK["analyse"](garage_app(self.folder, self.now))
            assert check(garage_app(self.folder, self.now)).wrong == ()
        finally:
            shutil.rmtree(self.folder)


@pytest.mark.slow
def test_a_garage_of_an_earlier_schema_goes_on_where_it_was() -> None:
    """The one rule that the draws above may miss, killed and not."""
    machine = GarageMachine()
    machine.begins()
    machine.loads([Telling(1, 0), Telling(2, 1, 7), Telling(1, 3, 0, unreadable=True)], 0)
    machine.loads_a_tools_file(2, "V2", 0)
    for schema in SCHEMAS[:: max(1, 4 // repeats(1))]:
        for kill in (0, 50):
            machine.upgrades(schema, kill)
            machine.the_store_says_what_the_model_says()
    machine.analyses(0)
    machine.writes_pages(0)
    machine.teardown()


@pytest.mark.slow
def test_in_any_order_and_killed_at_any_moment_the_store_says_what_the_model_says() -> None:
    GarageMachine.done.clear()
    run_state_machine_as_test(
        GarageMachine,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            derandomize=not is_campaign(),  # a campaign looks elsewhere each night
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )
    n_steps = sum(n for what, n in GarageMachine.done.items() if "," not in what)
    counted(n_steps, "steps")
    killed = {
        what.removesuffix(", killed"): n
        for what, n in GarageMachine.done.items()
        if what.endswith(", killed")
    }
    counted(sum(killed.values()), "steps killed")
    counted_kills(killed)
    print(f"\n{n_steps} steps:")
    print(dict(sorted(GarageMachine.done.items())))
