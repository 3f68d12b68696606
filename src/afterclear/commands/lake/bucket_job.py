"""What workers do with one bucket of a lake, and how it is told to them.

A worker needs the lake's folder only: rows, settings and the list of tasks (the *plan*) are in it.
What a task leaves is a folder that gets its own name last, in one step; the name tells rows, rules
and time, so that what was done before, by whichever run, need not be done again.
"""

import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.histories.history_rules import HistoryRules
from afterclear.lake.contents import Contents, Piece, fingerprint, named, piece_from

OWN_CURES: Final = "own_cures.csv"  # of the settings that a lake keeps for its workers
LINKS: Final = ("cure_links",)  # likewise: what the fleet's orders add to the tables
UNFINISHED: Final = ".building-"  # how the name of a folder begins until it is done


@dataclass(frozen=True, slots=True)
class Task:
    """One bucket to be worked on, and where what comes of it is put; places are below the lake."""

    bucket: int
    pieces: tuple[Piece, ...]
    histories: str
    roles: str = ""

    @property
    def n_scan_rows(self) -> int:
        """Count the rows of the table that work grows with."""
        return sum(piece.n_rows for piece in self.pieces if piece.table == "scans")


@dataclass(frozen=True, slots=True)
class Plan:
    """The tasks of a round, and by which rules."""

    settings: str  # folder of the tables of codes, below the lake
    rules: HistoryRules
    tasks: tuple[Task, ...]
    pairs: str = ""  # file of the fleet's pairs of codes, below the lake

    def catalogue(self, lake: Path) -> Catalogue:
        """Read what codes mean from a lake's settings; once in a worker."""
        folder = lake / self.settings
        own = folder / OWN_CURES
        return Catalogue.load(folder / "tables", own if own.exists() else None)


def tasks_of(contents: Contents, version: str, as_of: datetime) -> tuple[Task, ...]:
    """Name every bucket's task; one whose rows and rules are as before has the place of before.

    Time counts only where a bucket has rows after it.
    """
    until = as_of.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")
    found = []
    for bucket, pieces in contents.by_bucket().items():
        is_later = max(piece.last_at for piece in pieces) > until
        name = named((fingerprint(pieces), version, until if is_later else "all"))
        found.append(Task(bucket, tuple(pieces), f"histories/bucket={bucket}/{name}"))
    return tuple(found)


def put_plan(place: Path, plan: Plan) -> None:
    """Write a plan where the workers read it."""
    told = asdict(plan)
    told["rules"]["as_of"] = plan.rules.as_of.isoformat()
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text(json.dumps(told), encoding="utf-8")


def plan_at(place: Path) -> Plan:
    """Read a plan."""
    told = json.loads(place.read_text(encoding="utf-8"))
    rules = told["rules"]
    rules["as_of"] = datetime.fromisoformat(rules["as_of"])
    tasks = tuple(
        Task(**{**task, "pieces": tuple(map(piece_from, task["pieces"]))}) for task in told["tasks"]
    )
    return Plan(told["settings"], HistoryRules(**rules), tasks, told["pairs"])


def worked(
    lake: str,
    plan: str,
    number: int,
    place_of: Callable[[Task], str],
    leave: Callable[[Path, Plan, Task, Path], None],
) -> dict[str, Any]:
    """Let a planned task leave its folder, unless it is there; tell what it took.

    ``place_of``: where the task's folder is, below the lake; ``leave``: fills it.  Texts and a
    number: what an engine hands to its workers.
    """
    meter, place = Meter.begin(), Path(lake)
    planned = plan_at(place / plan)
    task = planned.tasks[number]
    is_new = done(place / place_of(task), lambda folder: leave(place, planned, task, folder))
    return meter.told(task, is_new=is_new)


def done(target: Path, leave: Callable[[Path], None]) -> bool:
    """Let a task leave its folder, unless it is there; tell whether it was not."""
    if target.exists():
        return False
    with _whole(target) as building:
        leave(building)
    return True


@contextmanager
def _whole(target: Path) -> Iterator[Path]:
    """Give a folder that has its own name only after the block, with all that was put into it."""
    building = target.with_name(f"{UNFINISHED}{os.getpid()}-{time.time_ns()}")
    building.mkdir(parents=True)
    try:
        yield building
        try:
            building.rename(target)
        except OSError:  # another worker was faster, and left the same
            if not target.exists():
                raise
    finally:
        shutil.rmtree(building, ignore_errors=True)


@dataclass(slots=True)
class Meter:
    """What a task takes, from when this is made."""

    begun: float
    used: float

    @classmethod
    def begin(cls) -> "Meter":
        """Begin to measure."""
        return cls(time.monotonic(), time.process_time())

    def told(self, task: Task, *, is_new: bool) -> dict[str, Any]:
        """Say of a bucket's task what was used so far."""
        return {
            "bucket": task.bucket,
            "is_new": is_new,
            "rows": task.n_scan_rows,
            **self.used_so_far(),
        }

    def used_so_far(self) -> dict[str, float]:
        """Say how long it took, in seconds and seconds of a processor, and the most memory."""
        return {
            "seconds": time.monotonic() - self.begun,
            "cpu_s": time.process_time() - self.used,
            "peak_mb": _peak_mb(),
        }


def _peak_mb() -> float:
    """Give the most memory this worker ever had; 0 where the system does not tell."""
    with suppress(ImportError):
        import resource  # noqa: PLC0415 - not on every system

        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return 0.0
