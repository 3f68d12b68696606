"""What a garage's store must say, in plain Python: loads in their order, decisions, the forgotten.

The rows that stand are the last telling of each key over the loads that count; nothing here knows
how a store comes to that.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

HEAD: Final = "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code\n"
TOOL_HEAD: Final = "s,t,c\n"
CODES: Final = ("P0301", "", "P0420")
# A table whose file does not say whose it is.
NAMELESS: Final = """
kind = "delimited"
files = ["tool*.csv"]
date_format = ["%d/%m/%Y %H:%M"]
[[table]]
into = "scans"
[table.columns]
scan_id = "s"
scanned_at = "t"
ecu = { value = "engine" }
code = "c"
"""


@dataclass(frozen=True)
class Telling:
    """One row of a file: a scan of a vehicle, as this file tells it; unreadable: its time is."""

    vehicle: int
    scan: int
    km: int = 0  # a later telling may have it otherwise
    unreadable: bool = False

    @property
    def scan_id(self) -> str:
        """A key no other vehicle has; a row that is refused has one of its own."""
        return f"{'X' if self.unreadable else 'S'}{self.vehicle}-{self.scan}"


@dataclass(frozen=True)
class File:
    """A file to be delivered.  ``is_tools``: its rows name no vehicle."""

    number: int
    tellings: tuple[Telling, ...]
    is_tools: bool = False
    vehicles: tuple[int, ...] = ()  # listed in it, with VIN and plate; then nothing else is

    @property
    def name(self) -> str:
        """Its name tells the program which map reads it."""
        return f"{'tool' if self.is_tools else 'list'}{self.number}.csv"

    def text(self) -> str:
        """Write it."""
        if self.vehicles:
            rows = (f"V{v},{vin(v)},{plate(v)},site {self.number % 3}\n" for v in self.vehicles)
            return "vehicle_id,vin,plate,site\n" + "".join(rows)
        if self.is_tools:
            return TOOL_HEAD + "".join(
                f"T{self.number}-{n},{1 + n:02d}/04/2025 10:00,{CODES[t.scan % 3]}\n"
                for n, t in enumerate(self.tellings)
            )
        return HEAD + "".join(map(_row, self.tellings))


def _row(told: Telling) -> str:
    at = "yesterday" if told.unreadable else f"2025-{1 + told.scan:02d}-10T08:00:00Z"
    km = 10_000 * told.vehicle + 1_000 * told.scan + told.km
    return f"{told.scan_id},V{told.vehicle},{at},{km},full,engine,{CODES[told.scan % 3]}\n"


def vin(vehicle: int) -> str:
    """Give a vehicle's invented VIN."""
    return f"WTR0000000000000{vehicle}"


def plate(vehicle: int) -> str:
    """Give a vehicle's invented plate."""
    return f"KLM-90{vehicle}"


@dataclass(frozen=True)
class Load:
    """A delivered file that counts.  ``without``: vehicles whose rows of it are gone or outside."""

    file: File
    given: str = ""  # the vehicle a person named for a tool's file
    without: frozenset[str] = frozenset()

    @property
    def names(self) -> frozenset[str]:
        """Name the vehicles its rows are of."""
        if self.file.is_tools:
            return frozenset({self.given})
        return frozenset(f"V{t.vehicle}" for t in self.file.tellings) | frozenset(
            f"V{v}" for v in self.file.vehicles
        )

    def rows(self) -> Iterator[tuple[tuple[str, str], str]]:
        """Give (vehicle, key) and content of its readable rows that may be inside."""
        if self.file.vehicles:
            told = [((f"V{v}", "list"), f"site {self.file.number % 3}") for v in self.file.vehicles]
        elif self.file.is_tools:
            number = self.file.number
            told = [
                ((self.given, f"T{number}-{n}"), "None") for n in range(len(self.file.tellings))
            ]
        else:
            told = [
                ((f"V{t.vehicle}", t.scan_id), str(10_000 * t.vehicle + 1_000 * t.scan + t.km))
                for t in self.file.tellings
                if not t.unreadable
            ]
        return (row for row in told if row[0][0] not in self.without)

    def refused(self) -> frozenset[str]:
        """Give the keys of its unreadable rows."""
        return frozenset(
            t.scan_id
            for t in self.file.tellings
            if t.unreadable and f"V{t.vehicle}" not in self.without
        )


@dataclass(frozen=True)
class Decision:
    """What a person decided."""

    vehicle: str
    note: str
    is_undone: bool = False


@dataclass(frozen=True)
class Told:
    """What a store says, to be compared."""

    rows: frozenset[tuple[tuple[str, str], str]]
    refused: frozenset[str]
    loads: frozenset[str]
    decisions: tuple[Decision, ...]


@dataclass
class Garage:
    """The model."""

    loads: tuple[Load, ...] = ()
    decisions: tuple[Decision, ...] = ()
    forgotten: frozenset[str] = frozenset()

    def copy(self) -> "Garage":
        """Give one that stays as this is now."""
        return replace(self)

    def says(self) -> Told:
        """Say what the store must say."""
        rows: dict[tuple[str, str], str] = {}
        for load in self.loads:
            rows.update(load.rows())
        return Told(
            frozenset(rows.items()),
            frozenset(scan for load in self.loads for scan in load.refused()),
            frozenset(load.file.name for load in self.loads),
            tuple(sorted(self.decisions, key=str)),
        )

    def vehicles(self) -> list[str]:
        """Name the vehicles of which a row is there."""
        return sorted({vehicle for (vehicle, _), _ in self.says().rows})

    def load_of(self, name: str) -> Load | None:
        """Give the load that counts of a file, by its name."""
        return next((load for load in self.loads if load.file.name == name), None)

    def load(self, file: File, given: str) -> None:
        """Take a file in, unless the same bytes were."""
        if file.text() not in {load.file.text() for load in self.loads}:
            load = Load(file, given)
            self.loads += (replace(load, without=load.names & self.forgotten),)

    def retract(self, name: str) -> None:
        """Take a load back."""
        self.loads = tuple(load for load in self.loads if load.file.name != name)

    def reassign(self, name: str, vehicle: str) -> None:
        """Put a tool's file under another vehicle."""
        self.loads = tuple(
            replace(load, given=vehicle) if load.file.name == name else load for load in self.loads
        )

    def decide(self, vehicle: str, note: str) -> None:
        """Keep what a person decided."""
        self.decisions += (Decision(vehicle, note),)

    def undo(self, note: str) -> None:
        """Undo it."""
        self.decisions = tuple(
            replace(d, is_undone=True) if d.note == note else d for d in self.decisions
        )

    def forget(self, vehicle: str) -> None:
        """Erase a vehicle from everything, and refuse it from now on."""
        self.forgotten |= {vehicle}
        self.decisions = tuple(d for d in self.decisions if d.vehicle != vehicle)
        self.loads = tuple(
            replace(load, without=load.without | (load.names & {vehicle})) for load in self.loads
        )


@dataclass
class Kept:
    """A backup, and what the garage was when it was made."""

    number: int
    garage: Garage
    is_analysed: bool
