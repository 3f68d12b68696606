"""Two commands of the tool at once on one garage, killed at a random moment or not.

What they leave must be what they leave one after the other, in one of the orders there are.  A
command that was killed is given once more, as a person would: what it had done before may stand or
not, but nothing of it twice and nothing half.
"""

import hashlib
import os
import random
import shutil
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import chain, permutations, product
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, Final

from afterclear.commands.analysis.deciding import undo
from afterclear.commands.app import App
from afterclear.commands.intake.loading import load_sources
from afterclear.commands.queries.exporting import export_file
from afterclear.commands.running.nightly import run_once
from afterclear.commands.upkeep import backup, check
from afterclear.errors import AfterclearError, StoreInUseError
from afterclear.store.engine.database import open_store, scalar
from afterclear.store.upkeep.backup import verify_backup
from tests.faults.garage_model import NAMELESS, File, Telling
from tests.faults.garage_work import BY, START, WARM, WORK, backup_file, garage_app
from tests.store.care_fixture import (
    CORRECTED,
    REPAIRS,
    SCAN_HEAD,
    VEHICLES,
    WITH_REFUSED,
    exports,
    scans,
)

NOW: Final = datetime(2026, 1, 1, 12, tzinfo=UTC)
_FOURTH: Final = "V4,WTR00000000000004,AB-104,Tarrovane,Lumo\n"
_TOOLS: Final = (File(1, (Telling(0, 0), Telling(0, 1)), is_tools=True), "V1")
# delivered before, in this order; what is delivered while two commands work
_BEFORE: Final = {
    "vehicles.csv": VEHICLES + _FOURTH,
    "scans.csv": scans(),
    "repairs.csv": REPAIRS,
    "refused.csv": WITH_REFUSED,
}
_LATER: Final = SCAN_HEAD + "".join(
    f"L{v},V{v},2025-12-2{v}T08:00:00Z,{20_000 + v},full,engine,{code},,\n"
    for v, code in ((1, "P0301"), (2, ""), (3, "P0420"))
)
_NEW: Final = {"corrected.csv": CORRECTED, "more.csv": scans(8), "later.csv": _LATER}
_SOURCE: Final = '[[source]]\nname = "yard"\nfolder = "yard"\nsettle_seconds = 0\n'


def _check(app: App) -> None:
    assert check(app).wrong == ()


def _undo(app: App, note: str) -> None:
    with open_store(app.store) as con:
        number = scalar(con, "SELECT max(decision_id) FROM decisions WHERE note = ?", [note])
    undo(app, number, BY)


_DOES: Final[dict[str, Callable[..., Any]]] = WORK | {
    "run": lambda app: run_once(app, lambda _: None),
    "export": lambda app: export_file(app, "scans", "csv", app.store.parent / "exported.csv"),
    "sources": lambda app: load_sources(app, lambda _: None),
    "check": _check,
    "undo": _undo,
    "backup": lambda app, number: backup(app, backup_file(app, number)),
}
# what a person may ask for while somebody else asks for another of it
COMMANDS: Final[dict[str, tuple[Any, ...]]] = {
    "load": ("load", "more.csv", ""),
    "correct": ("load", "corrected.csv", ""),
    "retract": ("retract", "repairs.csv"),
    "reassign": ("reassign", _TOOLS[0].name, "V2"),
    "replay": ("replay",),
    "decide": ("decide", "V2", "waits for a coil"),
    "undo": ("undo", "seen before"),
    "forget": ("forget", "V3"),
    "allow": ("allow", "V4"),
    "analyse": ("analyse",),
    "digest": ("digest",),
    "run": ("run",),
    "vacuum": ("vacuum",),
    "backup": ("backup", 2),
    "restore": ("restore", 1),
    "export": ("export",),
    "check": ("check",),
    "later": ("load", "later.csv", ""),
}
# what a command may have done when it is killed, where it does one thing after another
_STEPS: Final[dict[str, tuple[Any, ...]]] = {"sources": ("sources",)}
_PARTS: Final = {"run": (("sources",), ("sources", "analyse"))}
# a person looks whether a decision was kept before giving it again
ONCE: Final = frozenset({"decide"})


def rounds() -> list[list[tuple[str, str]]]:
    """Give every two commands once, in rounds in which each command comes once; then twins."""
    fixed, *others = COMMANDS
    n = len(others)
    made = []
    for turn in range(n):
        ring = [*others[turn:], *others[:turn]]
        pairs = [(ring[i], ring[-i]) for i in range(1, (n + 1) // 2)]
        made.append([(fixed, ring[0]), *pairs])
    return [*made, [(name, name) for name in COMMANDS]]


# --- one command in a process of its own ----------------------------------------------------------

_REFUSED, _IN_USE = 3, 4


def _work(folder: Path, name: str, words: Path) -> None:
    does, *given = (COMMANDS | _STEPS)[name]
    code = 1
    with words.open("w", encoding="utf-8") as told:
        try:
            (app := garage_app(folder, NOW)).sweep()  # as the command line does
            _DOES[does](app, *given)
            code = 0
        except AfterclearError as error:
            told.write(str(error))
            code = _IN_USE if isinstance(error, StoreInUseError) else _REFUSED
        except BaseException:  # noqa: BLE001 - told, whatever it is
            told.write(traceback.format_exc())
    raise SystemExit(code)


@dataclass(frozen=True)
class Begun:
    """A command that was begun."""

    name: str
    child: BaseProcess
    words: Path

    def end(self) -> str:
        """Wait for it, and say how it ended."""
        self.child.join(timeout=300)
        if self.child.exitcode is None:
            self.child.kill()
            return f"hangs: {self.name}"
        ends = {0: "done", _REFUSED: "refused", _IN_USE: "in use", -9: "killed"}
        if end := ends.get(self.child.exitcode):
            return end
        return f"{self.name}, code {self.child.exitcode}: {self.words.read_text()[-1500:]}"


def begun(folder: Path, name: str, number: int = 0) -> Begun:
    """Begin a command."""
    words = folder.with_name(f"words{number}")
    child = START.Process(target=_work, args=(folder, name, words))
    child.start()
    return Begun(name, child, words)


# --- what is left ---------------------------------------------------------------------------------


def everything(folder: Path) -> dict[str, str]:
    """Give all that stands in a garage: exports, pages, backups, names of files."""
    told = exports(garage_app(folder, NOW), "sent")
    pages = sorted(p for p in (folder / "reports").rglob("*") if p.is_file())
    sums = ((str(p.relative_to(folder)), hashlib.sha256(p.read_bytes())) for p in pages)
    told["pages"] = "\n".join(f"{name} {made.hexdigest()}" for name, made in sums)
    for made in sorted((folder / "backups").glob("*.tar")):
        kept = verify_backup(made)
        told[made.name] = f"{kept.n_loads} loads, {kept.archive}"
    if (exported := folder / "exported.csv").exists():
        told[exported.name] = exported.read_text(encoding="utf-8")
    told["files"] = "\n".join(sorted(_left(folder)))
    return told


def _left(folder: Path) -> Iterator[str]:
    """Name every file but those that may be there or not: locks, logs, what was put aside."""
    for path in folder.rglob("*"):
        if not (path.name.endswith((".wal", ".lock")) or ".before-restore" in path.name):
            yield str(path.relative_to(folder))


@dataclass
class Tally:
    """What became of the mixtures."""

    ends: Counter[str] = field(default_factory=Counter)
    kills: Counter[str] = field(default_factory=Counter)  # of each command
    wrong: list[str] = field(default_factory=list)


class Bench:
    """A garage with everything in it, and what commands make of it one after the other."""

    def __init__(self, place: Path) -> None:
        START.set_forkserver_preload([__name__, WARM])
        self.place = place
        self.took_s: dict[str, float] = {}
        self._known: dict[tuple[str, ...], dict[str, str]] = {}
        self._kept: dict[tuple[str, ...], Path] = {}  # garages after one command
        self._ready = place / "ready"
        _fill(self._ready)

    def garage(self, names: tuple[str, ...] = ()) -> Path:
        """Give the garage as commands find it, or after some; always at the same place."""
        folder = self.place / "garage"
        known = names if names in self._kept else ()
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self._kept.get(known, self._ready), folder)
        for name in names[len(known) :]:
            since = time.perf_counter()
            begun(folder, name).end()
            self.took_s.setdefault(name, time.perf_counter() - since)
        if len(names) == 1 and not known:
            self._kept[names] = Path(shutil.copytree(folder, self.place / f"after-{names[0]}"))
        return folder

    def after(self, names: tuple[str, ...]) -> dict[str, str]:
        """Give what is left when commands come one after the other."""
        if names not in self._known:
            self.garage(names[:1])
            self._known[names] = everything(self.garage(names))
        return self._known[names]

    def usual_s(self, name: str) -> float:
        """Give how long a command takes that is alone."""
        self.after((name,))
        return self.took_s[name]


def _fill(folder: Path) -> None:
    for name in ("config/imports", "files", "backups", "yard"):
        (folder / name).mkdir(parents=True)
    (folder / "config" / "imports" / "tool.toml").write_text(NAMELESS, encoding="utf-8")
    (folder / "config" / "sources.toml").write_text(_SOURCE, encoding="utf-8")
    tools, vehicle = _TOOLS
    files = {tools.name: tools.text(), **_BEFORE, **_NEW}
    for name, text in files.items():
        (folder / "files" / name).write_text(text, encoding="utf-8")
    brought = shutil.copy(folder / "files" / "more.csv", folder / "yard")
    os.utime(brought, (0, 0))  # long settled
    app = garage_app(folder, NOW)
    for name in _BEFORE:
        WORK["load"](app, name, "")
    WORK["load"](app, tools.name, vehicle)
    WORK["forget"](app, "V4")
    WORK["analyse"](app)
    WORK["backup"](app, 1)
    WORK["decide"](app, "V1", "seen before")
    WORK["digest"](app)


# --- two at once ----------------------------------------------------------------------------------

_TOLD: Final = ("done", "refused", "in use", "killed")


def tried(on: Bench, pair: Sequence[str], chance: random.Random, tally: Tally) -> None:
    """Let two commands work at once, killed or not; keep what was wrong."""
    names = chance.sample(list(pair), 2)
    usual = [on.usual_s(name) for name in names]
    folder = on.garage()
    second_after = chance.uniform(0, usual[0])
    plan = _killed_when(usual, second_after, chance)
    ends = _at_once(folder, names, second_after, plan)
    tally.ends[", ".join(sorted(end.partition(":")[0] for end in ends))] += 1
    tally.kills.update(n for n, end in zip(names, ends, strict=True) if end == "killed")
    problem = next((end for end in ends if end not in _TOLD), "")
    if problem := problem or _problem(on, folder, names, ends):
        tally.wrong.append(f"{names} ended {ends}: {problem}")
        print(tally.wrong[-1], flush=True)


def _killed_when(
    usual: Sequence[float], second_after: float, chance: random.Random
) -> dict[int, float]:
    """Choose which of the two are killed, and after how many seconds: of three mixtures in two.

    One that finds the other at work takes longer than usual, as long as both at most.
    """
    victims: tuple[int, ...] = chance.choice([(), (0,), (1,)])
    if victims and chance.random() < 1 / 5:
        victims = (0, 1)
    longest = [usual[victim] + chance.random() * usual[1 - victim] for victim in (0, 1)]
    return {v: v * second_after + chance.uniform(0, longest[v]) for v in victims}


def _at_once(
    folder: Path, names: Sequence[str], second_after: float, plan: dict[int, float]
) -> list[str]:
    since = time.perf_counter()
    both = [begun(folder, names[0], 0)]
    for at, victim in sorted([(second_after, -1), *((at, victim) for victim, at in plan.items())]):
        time.sleep(max(0.0, since + at - time.perf_counter()))
        if victim < 0:
            both.append(begun(folder, names[1], 1))
        elif victim < len(both):
            both[victim].child.kill()
    return [one.end() for one in both]


def _problem(on: Bench, folder: Path, names: Sequence[str], ends: Sequence[str]) -> str:
    """Say what is wrong with what two commands left; empty: nothing."""
    app = garage_app(folder, NOW)
    with open_store(app.store):
        pass  # what a killed process left in the log is folded in
    report = check(app, quick=True)
    if report.wrong and not report.is_half_forgotten:
        return f"check: {[(f.says, f.examples) for f in report.wrong]}"
    cut_short = [name for name, end in zip(names, ends, strict=True) if end in ("killed", "in use")]
    again = [name for name in cut_short if name not in ONCE]
    for name in again:
        if (end := begun(folder, name).end()) not in ("done", "refused"):
            return f"again: {end}"
    if wrong := check(app, quick=True).wrong:
        return f"check: {[(f.says, f.examples) for f in wrong]}"
    left = everything(folder)
    whole = [name for name, end in zip(names, ends, strict=True) if end not in ("killed", "in use")]
    found = []
    for order in _orders(whole, cut_short, again):
        found.append(on.after(order))
        if found[-1] == left:
            return ""
    return "; or ".join(_differing(left, state) for state in found)


def _orders(
    whole: Sequence[str], cut_short: Sequence[str], again: Sequence[str]
) -> list[tuple[str, ...]]:
    """Give every order in which the commands may have come, the likeliest first.

    One that was killed may have done all its work, some parts of it or none before it was given
    once more.
    """
    done_before = product(*([(), (name,), *_PARTS.get(name, ())] for name in cut_short))
    before = {
        tuple(chain(*order))
        for some in done_before
        for order in permutations([*((name,) for name in whole), *filter(None, some)])
    }
    return sorted(((*order, *again) for order in before), key=lambda order: (len(order), order))


def _differing(found: dict[str, str], expected: dict[str, str]) -> str:
    names = [n for n in {**expected, **found} if found.get(n) != expected.get(n)]
    if names == ["files"]:
        mine, theirs = (set(told["files"].splitlines()) for told in (found, expected))
        return f"left {sorted(mine - theirs)}, missing {sorted(theirs - mine)}"
    return f"differ: {names}"
