"""One vehicle under the hands of drivers and garages: drive, scan, clear, repair."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from math import floor

from tests.scenario.book import Book, Clear, Line, Order, Reading, Scan, Truth
from tests.scenario.catalogue import (
    BRAND_GRADE,
    GOOD_LIFE_KM,
    PREFIX,
    WEAK_BRAND,
    WEAK_LIFE_KM,
    WHEEL_SENSOR,
    Fault,
    Part,
    Sign,
    fault_of,
)
from tests.scenario.chance import Chance
from tests.scenario.drive import END, Drive
from tests.scenario.fleet import Vehicle
from tests.scenario.memory import Ailment, Entry, Memory
from tests.scenario.sites import SITES

KM_AN_HOUR = 21.0  # of engine running, for machines that count hours
_REBUILT = {"EGR valve", "ABS pump motor", "instrument cluster"}  # sold remanufactured by one brand
_SATURDAY = 5
_CLOSED = {(1, 1), (12, 25), (12, 26)}  # month, day
_MAX_DISTANCE, _MAX_WARMUPS = 65535, 255  # PID 31 and 30 stop here (SAE J1979)
_COUNTING = {"engine", "transmission"}  # units that count since a clear
_SHOWS_HISTORY = {"A", "D"}  # testers that read permanent codes and a code's first km


class Car:
    """A vehicle at an instant ``now``, which only moves forward."""

    def __init__(self, vehicle: Vehicle, book: Book, start: datetime) -> None:
        self.vehicle = vehicle
        self.book = book
        self.chance = Chance("life", vehicle.vehicle_id)
        self.now = start
        self.drive = Drive(self.chance, vehicle.start_km, vehicle.pace)
        self.test_km = 0.0  # driven on test, beyond the daily work
        self.shown_shift = 0.0  # what the instrument shows beside the truth
        self.told_shift = 0.0  # what the control units are told beside the truth
        self.heavy = "heavy" in vehicle.model.tags
        since_clear = min(self.km, self.chance.between(1500, 70000))
        self.memory = Memory(vehicle.model, self.chance, self.km - since_clear,
                             -int(since_clear / 25))  # fmt: skip
        self.ecu_vins: dict[str, str] = {}  # units that carry another vehicle's number
        self.lives: list[tuple[float, Fault]] = []  # km at which a fitted part dies

    # --- where it is ------------------------------------------------------------------------

    @property
    def km(self) -> float:
        """The true km."""
        return self.drive.km_at(self.now) + self.test_km

    @property
    def shown_km(self) -> float | None:
        """What the instrument shows; None where only hours are counted."""
        return self.km + self.shown_shift if self.vehicle.counts_km else None

    @property
    def warmups(self) -> int:
        """Warm-up cycles since the first day."""
        return self.drive.warmups_at(self.now)

    def go_to(self, at: datetime) -> None:
        """Move to an instant; what is due on the way happens."""
        if at < self.now:
            raise ValueError(f"{self.vehicle.vehicle_id}: {at} is before {self.now}.")
        if at > END:
            raise ValueError(f"{self.vehicle.vehicle_id}: {at} is after the sample's end.")
        self.now = at
        self.memory.advance(self.km, self.warmups)

    def pause(self, minutes: int) -> None:
        """Let time pass while the vehicle stands."""
        self.go_to(self.now + timedelta(minutes=minutes))

    def morning(self, day: date) -> datetime:
        """Give a working morning on that day or the next the garages are open."""
        while day.weekday() >= _SATURDAY or (day.month, day.day) in _CLOSED:
            day += timedelta(days=1)
        minutes = self.chance.whole(7 * 60 + 5, 9 * 60 + 40)
        return datetime.combine(day, time(), self.now.tzinfo) + timedelta(minutes=minutes)

    def morning_with(self, km: float) -> datetime:
        """Give the first working morning that finds at least these true km."""
        day = max(self.drive.day_with(km - self.test_km), self.now.date() + timedelta(days=1))
        return self.morning(day)

    # --- what is done to it -----------------------------------------------------------------

    def fault(self, name: str) -> Fault:
        """Give the model's fault of that name."""
        return fault_of(self.vehicle.model, name)

    def break_(self, name: str, *, echoes: Sequence[str] | None = None) -> Ailment:
        """Start a fault now; it is never a passing one."""
        ailment = self.memory.onset(self.fault(name), self.km, echoes=echoes)
        ailment.transient = False
        return ailment

    def scan(
        self,
        reason: str,
        *,
        site: str | None = None,
        ecus: Iterable[str] | None = None,
        silent: Iterable[str] = (),
        shown_km: float | None = None,
    ) -> Scan:
        """Read the vehicle.  ``ecus`` None: all of them.  ``silent``: units that do not answer."""
        letter = site or self.vehicle.site
        self.memory.advance(self.km, self.warmups)
        rows: list[Reading] = []
        for ecu in self.vehicle.model.ecus:
            if ecus is not None and ecu not in ecus:
                continue
            rows += [Reading(ecu, answered=False)] if ecu in silent else self._read(ecu, letter)
        hours = self.km / KM_AN_HOUR if self.heavy else None
        scan = Scan(letter, self.vehicle.vehicle_id, self.now,
                    self.shown_km if shown_km is None else shown_km, hours, ecus is None, reason,
                    self.lamps(), rows)  # fmt: skip
        self.book.scans.append(scan)
        return scan

    def clear(
        self, *, site: str | None = None, recorded: bool = True, ecus: Sequence[str] | None = None,
        reason: str = "",
    ) -> None:  # fmt: skip
        """Erase codes, and write it down or not."""
        letter = site or self.vehicle.site
        self.memory.clear(self.km, self.warmups, ecus)
        self.memory.advance(self.km, self.warmups)
        if recorded:
            self.book.clears += [
                Clear(letter, self.vehicle.vehicle_id, self.now, self.shown_km, ecu, reason)
                for ecu in (ecus or [""])
            ]

    def test_drive(self) -> None:
        """Drive a few km before the scan that follows a clear."""
        self.test_km += self.chance.whole(2, 6)
        self.pause(self.chance.whole(15, 35))

    def order(
        self, lines: list[Line], *, codes: Sequence[Sign] = (), site: str | None = None,
        labour: float = 0.0, notes: str = "",
    ) -> Order:  # fmt: skip
        """Write a work order; what it does to the vehicle is said by ``fix``."""
        letter = site or self.vehicle.site
        work = Order(letter, self.vehicle.vehicle_id, self.now, self.shown_km,
                     self.chance.pick(SITES[letter].technicians), tuple(codes), labour, lines,
                     notes)  # fmt: skip
        self.book.orders.append(work)
        return work

    def fix(  # noqa: PLR0913 - what can differ between two work orders
        self, ailment: Ailment, *, cures: bool, site: str | None = None, action: str = "",
        brand: str = "", notes: str = "", codes: Sequence[Sign] | None = None,
    ) -> Order:  # fmt: skip
        """Repair a fault with its usual part; ``cures`` is the truth about it."""
        fault, letter = ailment.fault, site or self.vehicle.site
        done = action or fault.actions[min(ailment.repairs, len(fault.actions) - 1)]
        line = self.line(
            fault.part, fault.position, done, brand or self.brand_for(fault.part, letter)
        )
        work = self.order([line], codes=(fault.sign,) if codes is None else codes, site=letter,
                          labour=fault.labour, notes=notes)  # fmt: skip
        ailment.repairs += 1
        self.truth(ailment, "repair", cured=cures, site=letter)
        if cures:
            self.memory.heal(ailment, self.warmups)
        self.fitted(fault, line, works=cures)
        return work

    def fitted(self, fault: Fault, line: Line, *, works: bool) -> None:
        """Give a new wheel speed sensor its life; the old one's end does not matter any more."""
        if not line.number or fault.part is not WHEEL_SENSOR:
            return
        self.lives = [(dies, other) for dies, other in self.lives if other is not fault]
        if works:
            life = WEAK_LIFE_KM if line.brand == WEAK_BRAND else GOOD_LIFE_KM
            self.lives.append((self.km + self.chance.weibull(*life), fault))

    def line(
        self, part: Part, position: str, action: str, brand: str, removal: str = "failure"
    ) -> Line:
        """Price one part; without a part fitted there is no number and no brand."""
        if action != "replace":
            return Line(action, part.family, position=position, removal="")
        grade = BRAND_GRADE[brand]
        if part.family in _REBUILT and grade == "aftermarket":
            grade = "remanufactured"
        cost = round(part.price * self.chance.between(0.9, 1.15), 2)
        return Line(action, part.family, PREFIX[brand].format(part.number), brand, grade,
                    position, 1, cost, removal)  # fmt: skip

    def truth(self, ailment: Ailment, kind: str, *, cured: bool, site: str) -> None:
        """Keep what an attempt really did."""
        self.book.truths.append(Truth(self.vehicle.vehicle_id, site, self.now,
                                      ailment.fault.name, kind, cured))  # fmt: skip

    # --- how it reads -----------------------------------------------------------------------

    def brand_for(self, part: Part, letter: str) -> str:
        if WEAK_BRAND in part.brands and self.chance.happens(SITES[letter].weak_brand):
            return WEAK_BRAND
        return self.chance.weighted([("Norvandel", 0.7), ("Tyllisor", 0.3)])

    def _uds(self, letter: str) -> bool:
        """Say whether the site's tester gives the status byte of ISO 14229-1."""
        return letter == "C" and not self.heavy

    def lamps(self) -> str:
        """Name the warning lamps that are lit, with spaces between."""
        entries = self.memory.entries
        lit = {
            ailment.fault.lamp
            for ailment in self.memory.ailments
            if (own := entries.get(ailment.signs[0])) and own.confirm_km <= self.km
        }
        return " ".join(sorted(lit - {""}))

    def _read(self, ecu: str, letter: str) -> list[Reading]:
        memory, km = self.memory, self.km
        bare = Reading(ecu)
        if letter == "D":
            bare = replace(bare, ecu_vin=self.ecu_vins.get(ecu, self.vehicle.vin))
        if ecu in _COUNTING and self.vehicle.counts_km:
            bare = replace(
                bare,
                distance_km=min(_MAX_DISTANCE, floor(km - memory.cleared_km[ecu])),
                warmups=min(_MAX_WARMUPS, self.warmups - memory.cleared_at[ecu]),
            )
        if ecu == "engine" and memory.monitors_km and letter != "C":
            bare = replace(bare, monitors=" ".join(memory.monitors_incomplete(km)) or "none")
        found = [self._stored(entry, bare, letter) for entry in memory.codes(ecu)]
        beside: list[tuple[Sign, str]] = []  # told though no longer stored
        if letter in _SHOWS_HISTORY:
            beside += [(sign, "permanent") for sign in memory.permanent]
        if self._uds(letter):
            beside += [(sign, "50") for sign, runs in memory.untested.items() if runs > km]
        found += [
            replace(bare, sign=sign, status=status)
            for sign, status in beside
            if sign.ecu == ecu and sign not in memory.entries
        ]
        return found or [bare]

    def _stored(self, entry: Entry, bare: Reading, letter: str) -> Reading:
        confirmed = entry.confirm_km <= self.km
        failing = entry.passed_at is None
        if self.heavy:
            status = "active" if failing else "previously_active"
        elif entry.uds:
            status = entry.uds
        elif self._uds(letter):
            status = {(True, True): "2F", (True, False): "28", (False, True): "27",
                      (False, False): "24"}[confirmed, failing]  # fmt: skip
        elif confirmed:
            status = "stored" if letter == "B" else "confirmed"
        else:
            status = "pending"
        first = round(entry.set_km + self.told_shift) if letter in _SHOWS_HISTORY else None
        return replace(
            bare,
            sign=entry.sign,
            status=status,
            occurrences=entry.occurrences,
            first_seen_km=first,
        )
