"""Ordinary life: faults come by chance, drivers complain, garages do as they are used to."""

from collections.abc import Collection
from datetime import datetime, timedelta

from tests.scenario.car import Car
from tests.scenario.catalogue import WHEEL_SENSOR
from tests.scenario.memory import Ailment
from tests.scenario.sites import SITES, Site
from tests.scenario.trends import chosen_work, is_sooted, rate_factor, share_failing

LIVELY = 1.5  # on all rates of the catalogue
_ELSEWHERE = 0.06  # visits to another garage than one's own
_GLITCHES_PER_KM = 1 / 12000  # pending once, then gone
_SATURDAY = 5
_GIVES_UP_CLEARING = 2  # clears of one fault, then it is repaired


def live(car: Car, until: datetime, without: Collection[str] = ()) -> None:
    """Let the vehicle work until then; no fault starts in the families of parts named."""
    habits = _Habits(car)
    while True:
        tomorrow = car.morning(car.now.date() + timedelta(days=1))
        if tomorrow >= until:
            return
        before = car.km
        car.go_to(tomorrow)
        _strike(car, before, without)
        if reason := habits.reason_to_come():
            habits.visit(reason)


def settle(car: Car) -> None:
    """End all faults that are still there, with work that cures and is written down."""
    car.memory.advance(car.km, car.warmups)
    known = [a for a in car.memory.ailments if a.fault.sign in car.memory.entries]
    for ailment in car.memory.ailments:
        if ailment not in known:
            ailment.healed = True
    if not (car.memory.entries or known):
        return
    car.scan("routine")
    car.pause(50)
    for ailment in known:
        car.fix(ailment, cures=True)
    car.pause(40)
    car.clear(reason="after repair" if known else "")
    car.test_drive()
    if car.vehicle.site != "D":
        car.scan("post_repair")


def services(car: Car, until: datetime, every_km: float = 3600) -> None:
    """Have the routine scans made on the way to an instant; nothing is acted on."""
    while (due := car.morning_with(car.km + every_km)) < until - timedelta(days=4):
        car.go_to(due)
        car.scan("routine")


def _strike(car: Car, before_km: float, without: Collection[str]) -> None:
    driven = car.km - before_km
    ailing = {a.fault.name for a in car.memory.ailments}
    for fault in car.vehicle.model.faults:
        rate = fault.per_100k_km * LIVELY * rate_factor(car.vehicle, fault, car.now)
        struck = car.chance.happens(rate * driven / 100000)
        if struck and fault.name not in ailing and fault.part.family not in without:
            ailment = car.memory.onset(fault, car.km)
            if is_sooted(car.vehicle, fault):
                ailment.transient = False
    for worn in [life for life in car.lives if life[0] <= car.km]:
        car.lives.remove(worn)
        if worn[1].name not in ailing and worn[1].part.family not in without:
            car.memory.onset(worn[1], car.km).transient = False
    if car.chance.happens(_GLITCHES_PER_KM * driven):
        fault = car.chance.pick(car.vehicle.model.faults)
        if fault.sign.ecu == "engine" and not car.heavy:
            car.memory.glitch(fault.sign, car.km, car.chance.between(40, 400))


class _Habits:
    """When a driver comes, and what the garage then does."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.every_km = car.chance.between(2600, 5200)
        self.service_km = car.km + self.every_km * car.chance.between(0.2, 1.0)
        self.complains_at: datetime | None = None
        self.recheck_km: float | None = None

    def reason_to_come(self) -> str:
        """Say why the vehicle comes in today, empty if it does not."""
        car = self.car
        lit = car.lamps()
        if not lit:
            self.complains_at = None
        elif self.complains_at is None:
            wait = car.chance.weibull(9, 1.1) + (0 if car.chance.happens(0.7) else 60)
            self.complains_at = car.now + timedelta(days=wait)
        if car.now.weekday() >= _SATURDAY:
            return ""
        if self.complains_at is not None and self.complains_at <= car.now:
            return "complaint"
        due = min(self.service_km, self.recheck_km or self.service_km)
        return "routine" if car.km >= due else ""

    def visit(self, reason: str) -> None:
        """Scan, decide, act, and perhaps look again."""
        car, chance = self.car, self.car.chance
        letter = chance.pick("ABCD") if chance.happens(_ELSEWHERE) else car.vehicle.site
        site = SITES[letter]
        self.complains_at = self.recheck_km = None
        self.service_km = car.km + self.every_km * chance.between(0.8, 1.2)
        ecus = None if chance.happens(site.full_scan) else self._some_ecus()
        silent = [e for e in car.vehicle.model.ecus if e != "engine" and chance.happens(0.006)]
        car.scan(reason, site=letter, ecus=ecus, silent=silent)
        seen = [a for a in car.memory.ailments if self._is_seen(a, ecus, silent)]
        if reason == "routine":
            _preventive(car, site)
        if not seen or (reason == "routine" and chance.happens(0.1)):
            return
        car.pause(chance.whole(30, 90))
        patient = max(a.clears - a.repairs for a in seen) < _GIVES_UP_CLEARING
        repaired = not (patient and chance.happens(site.clear_only))
        if repaired:
            for ailment in seen:
                self._repair(ailment, site)
            car.pause(chance.whole(20, 70))
        else:
            for ailment in seen:
                car.truth(ailment, "clear_only", cured=ailment.transient, site=letter)
        car.clear(site=letter, recorded=chance.happens(site.records_clear),
                  reason="after repair" if repaired else "")  # fmt: skip
        if chance.happens(site.post_scan if repaired else site.post_scan / 2):
            car.test_drive()
            car.scan("post_repair", site=letter, ecus=ecus)
        if chance.happens(site.recheck):
            self.recheck_km = car.km + chance.between(600, 2000)

    def _some_ecus(self) -> tuple[str, ...]:
        stored = {s.ecu for s in self.car.memory.entries}
        return tuple(e for e in self.car.vehicle.model.ecus if e == "engine" or e in stored)

    def _is_seen(self, ailment: Ailment, ecus: Collection[str] | None, silent: list[str]) -> bool:
        entry = self.car.memory.entries.get(ailment.fault.sign)
        ecu = ailment.fault.sign.ecu
        read = (ecus is None or ecu in ecus) and ecu not in silent
        return entry is not None and entry.confirm_km <= self.car.km and read

    def _repair(self, ailment: Ailment, site: Site) -> None:
        car, again = self.car, ailment.repairs > 0
        work = chosen_work(car, ailment.fault, again=again)
        share = share_failing(site, car.now, work) * (1.2 if again else 1.0)
        cures = ailment.transient or not car.chance.happens(share)
        if not cures and ailment.hard and not car.chance.happens(0.3):
            ailment.hard = False  # what was mended of it holds for a while
        codes = () if car.chance.happens(0.05) else None
        car.fix(ailment, cures=cures, site=site.letter, codes=codes, action=work)


def _preventive(car: Car, site: Site) -> None:
    """Replace a wheel speed sensor now and then with a wheel bearing, no code asking for it."""
    if not car.chance.happens(0.035):
        return
    fault = car.chance.pick([f for f in car.vehicle.model.faults if f.part is WHEEL_SENSOR])
    reason = "accident" if car.chance.happens(0.15) else "preventive"
    brand = car.brand_for(fault.part, site.letter)
    line = car.line(fault.part, fault.position, "replace", brand, reason)
    car.order([line], site=site.letter, labour=fault.labour, notes="with the wheel bearing")
    car.fitted(fault, line, works=True)
