"""A simulated fleet whose causes are known: who breaks, who only echoes, and what workshops did.

Everything is invented.  A *cause* breaks at a constant rate and stores its code; each of its
echoes is stored in another unit with its own chance and delay, again after every clear for as long
as the cause is there.  Workshops repair what they see, sometimes only the echo, and clear all.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from afterclear.records import PlainRows
from afterclear.store.engine.database import Connection
from afterclear.store.intake.absorb import absorb
from afterclear.take_in import SPELLERS

BEGIN = datetime(2024, 1, 1, 8, tzinfo=UTC)
KM_PER_DAY = 80.0
Place = tuple[str, str]  # control unit, code


@dataclass(frozen=True, slots=True)
class Echo:
    """A code a cause sets elsewhere."""

    place: Place
    chance: float = 0.9
    delay_km: float = 0.0
    text: str | None = None
    lasts: bool = False  # harm done: stays when the cause is cured, until it is itself repaired


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that breaks; ``place`` None: it has no code of its own, only echoes."""

    name: str
    place: Place | None
    per_10000_km: float
    echoes: tuple[Echo, ...] = ()
    text: str | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """How a fleet is watched and worked on."""

    causes: tuple[Cause, ...]
    units: tuple[str, ...]
    n_vehicles: int = 120
    km: float = 60_000.0
    scan_km: float = 3000.0
    coverage: dict[str, float] = field(default_factory=dict)  # share of scans that read a unit
    cured: float = 0.85
    luck: float = 0.3
    worked_on: float = 0.75  # share of scans with codes that lead to work
    echo_only: float = 0.3  # share of work that is aimed at an echo alone
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of one code in one scan."""

    scan_id: str
    place: Place
    role: str  # primary | consequential | stands_alone
    primary: Place | None  # of an echo; None: its cause has no code, or its unit was not read
    cause: str


@dataclass(slots=True)
class _Broken:
    cause: Cause
    since_km: float
    takes: tuple[Echo, ...]  # echoes it has this time


@dataclass(slots=True)
class Fleet:
    """The rows that were written down, and what is true."""

    scans: list[dict[str, Any]] = field(default_factory=list)
    clears: list[dict[str, Any]] = field(default_factory=list)
    repairs: list[dict[str, Any]] = field(default_factory=list)
    truths: list[Truth] = field(default_factory=list)

    def load(self, con: Connection) -> None:
        """Bring the rows into a store."""
        for table in ("scans", "clears", "repairs"):
            rows = getattr(self, table)
            if rows:
                frame = pl.DataFrame(rows, schema=dict.fromkeys(rows[0], pl.String))
                frame = frame.with_row_index("_line", 1).with_columns(pl.col("_line").cast(int))
                found = absorb(con, PlainRows(table, frame), 1, zone="UTC", spellers=SPELLERS)
                assert not found.rejections, found.rejections[:3]


def simulate(plan: Plan) -> Fleet:
    """Drive the whole fleet."""
    rng, fleet = np.random.default_rng(plan.seed), Fleet()
    for number in range(plan.n_vehicles):
        _Vehicle(f"V{number:04d}", plan, rng, fleet).live()
    return fleet


class _Vehicle:
    def __init__(self, name: str, plan: Plan, rng: np.random.Generator, fleet: Fleet) -> None:
        self.name, self.plan, self.rng, self.fleet = name, plan, rng, fleet
        self.broken: list[_Broken] = []
        self.cleared_km = 0.0
        self.old: dict[Place, tuple[str, Place | None]] = {}  # stored before, cause gone since

    def live(self) -> None:
        """Drive, be scanned, be worked on."""
        onsets = sorted(self._onsets(), key=lambda x: x[0])
        km = self.rng.uniform(0.2, 1.0) * self.plan.scan_km
        while km < self.plan.km:
            while onsets and onsets[0][0] <= km:
                at, cause = onsets.pop(0)
                if all(b.cause.name != cause.name for b in self.broken):
                    takes = tuple(e for e in cause.echoes if self.rng.random() < e.chance)
                    self.broken.append(_Broken(cause, at, takes))
            self._scan(km)
            km += self.rng.uniform(0.6, 1.4) * self.plan.scan_km

    def _onsets(self) -> Iterator[tuple[float, Cause]]:
        for cause in self.plan.causes:
            n = self.rng.poisson(cause.per_10000_km * self.plan.km / 10_000)
            for at in self.rng.uniform(0, self.plan.km, n):
                yield float(at), cause

    def _stored(self, km: float) -> dict[Place, list[tuple[str, Place | None, str | None]]]:
        """Give what the memories hold: place -> causes (name, cause's place, text)."""
        held: dict[Place, list[tuple[str, Place | None, str | None]]] = defaultdict(list)
        for broken in self.broken:
            cause, since = broken.cause, max(broken.since_km, self.cleared_km)
            if cause.place is not None:
                held[cause.place].append((cause.name, None, cause.text))
            for echo in broken.takes:
                if since + echo.delay_km <= km:
                    held[echo.place].append((cause.name, cause.place, echo.text))
        return held

    def _scan(self, km: float) -> None:
        plan, rng = self.plan, self.rng
        read = [u for u in plan.units if rng.random() < plan.coverage.get(u, 1.0)]
        if not read:
            return
        scan_id, at = f"{self.name}-{km:.0f}", BEGIN + timedelta(days=km / KM_PER_DAY)
        shown = {p: c for p, c in self._stored(km).items() if p[0] in read}
        head = {
            "scan_id": scan_id,
            "vehicle_id": self.name,
            "scanned_at": at.isoformat(),
            "odometer_km": f"{km:.1f}",
            "scan_scope": "partial",
        }
        for unit in read:
            codes = [(p[1], c[0][2]) for p, c in shown.items() if p[0] == unit] or [(None, None)]
            for code, text in codes:
                self.fleet.scans.append(head | {"ecu": unit, "code": code, "description": text})
        self._note_truth(scan_id, shown)
        if shown and rng.random() < plan.worked_on:
            self._work(km, at + timedelta(hours=2), shown)

    def _note_truth(self, scan_id: str, shown: dict[Place, list[Any]]) -> None:
        followed = {c[1] for causes in shown.values() for c in causes if c[1] in shown}
        for place, causes in shown.items():
            if len(causes) > 1:
                continue  # both its own fault and an echo, or of two causes: no one truth
            name, cause, _ = causes[0]
            if cause is None and self._is_echo(place, name):
                # its cause has no code: no code of the scan is behind it
                self.fleet.truths.append(Truth(scan_id, place, "stands_alone", None, name))
            elif cause is None:
                role = "primary" if place in followed else "stands_alone"
                self.fleet.truths.append(Truth(scan_id, place, role, None, name))
            else:
                named = cause if cause in shown else None
                self.fleet.truths.append(Truth(scan_id, place, "consequential", named, name))

    def _is_echo(self, place: Place, name: str) -> bool:
        return any(c.name == name and c.place != place for c in self.plan.causes)

    def _work(self, km: float, at: datetime, shown: dict[Place, list[Any]]) -> None:
        echoes = [p for p, causes in shown.items() if all(self._is_echo(p, c[0]) for c in causes)]
        own = [p for p in shown if p not in echoes]
        if echoes and (not own or self.rng.random() < self.plan.echo_only):
            aimed = [echoes[int(self.rng.integers(len(echoes)))]]
        else:
            aimed = [own[int(self.rng.integers(len(own)))]]
        self.fleet.repairs.append(
            {
                "repair_id": f"R{len(self.fleet.repairs)}",
                "vehicle_id": self.name,
                "repaired_at": at.isoformat(),
                "odometer_km": f"{km:.1f}",
                "codes": " ".join(p[1] for p in aimed),
                "action": "replace",
                "part_cost": "80",
                "currency": "EUR",
            }
        )
        self.fleet.clears.append(
            {
                "vehicle_id": self.name,
                "cleared_at": (at + timedelta(minutes=30)).isoformat(),
                "odometer_km": f"{km:.1f}",
            }
        )
        self.cleared_km = km
        gone = [b for b in self.broken if self._cured(b.cause, aimed)]
        self.broken = [b for b in self.broken if b not in gone] + [
            harm for b in gone for harm in self._harm_of(b, km) if harm.cause.place not in aimed
        ]

    def _harm_of(self, broken: _Broken, km: float) -> Iterator[_Broken]:
        """Give what a cured cause leaves behind: from now on faults of their own."""
        for echo in broken.takes:
            if echo.lasts and broken.since_km + echo.delay_km <= km:
                name = f"harm by {broken.cause.name}"
                yield _Broken(Cause(name, echo.place, 0.0, text=echo.text), km, ())

    def _cured(self, cause: Cause, aimed: list[Place]) -> bool:
        """Work on a fault cures it mostly; on an echo of a fault without a code, by luck."""
        if cause.place is not None:
            return cause.place in aimed and self.rng.random() < self.plan.cured
        return any(e.place in aimed for e in cause.echoes) and self.rng.random() < self.plan.luck


def told_roles(rows: Sequence[dict[str, Any]]) -> dict[tuple[str, Place], dict[str, Any]]:
    """Roles of the store by scan and place."""
    return {(row["scan_id"], (row["ecu"], row["code"])): row for row in rows}
