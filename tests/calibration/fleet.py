"""One invented fleet, vehicle by vehicle: its scans, clears, repairs, and what was true.

Windows are made here by the rules of ``histories/sql`` at the level of scans, so that a fleet of
thousands takes seconds; ``test_simulated_windows.py`` holds them against the real store.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.calibration.laws import BRANDS, CODES, UNITS, Fault, Laws, drawn_faults

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_UNIT_OF = [UNITS.index(unit) for _, _, unit, _ in CODES]
_LEAST_KM = [km for *_, km in CODES]
_NEW, _WORN, _FAILED = 0, 1, 2
_NEVER = np.inf


@dataclass
class Try:
    """One fix attempt: what was seen, and the truth."""

    vehicle: int
    fault: int
    is_repair: bool
    is_repeat: bool
    brand: int  # -1: no part, or not told
    day: float
    km: float
    failed: bool
    p: float
    eta: float
    new_per_km: float
    part_km: float  # what the part had run before; inf: none that wears
    part_life: float  # its scale
    clean_km: float = 0.0
    n_clean: int = 0
    edge_km: float = 0.0  # up to where it was watched
    back_km: float = _NEVER  # R in evidenced km
    cause: int = -1  # of the return seen


@dataclass
class Told:
    """Rows as a fleet would deliver them."""

    scans: list[tuple[int, float, float, dict[str, list[str]]]] = field(default_factory=list)
    clears: list[tuple[int, float, float, str | None]] = field(default_factory=list)
    repairs: list[tuple[int, float, float, str, str | None]] = field(default_factory=list)


@dataclass
class First:
    """First episode of one fault on one vehicle."""

    vehicle: int
    fault: int
    before_km: float  # watched without it
    gap_km: float  # in which it began; NaN: it was there in the first reading
    is_after_reading: bool = False  # a reading without it came last before, not a clear
    km: float = np.nan  # odometer where it was seen


@dataclass
class Fleet:
    """What was seen of a fleet, with the truth beside it."""

    laws: Laws
    faults: list[Fault]
    frailty: Floats  # (n_vehicles,)
    tries: list[Try]
    firsts: list[First]
    watched_km: Floats  # (n_vehicles, n_units) looked back over, less what clears hid
    read_km: Floats  # (n_vehicles, n_units) from the first reading to the last
    first_km: Floats  # (n_vehicles, n_units) odometer at the first reading; inf: none
    told: Told

    def column(self, name: str) -> Floats:
        return np.array([getattr(t, name) for t in self.tries], dtype=np.float64)


def simulate(
    laws: Laws, seed: int, *, keep_rows: bool = False, sites: Sequence[Laws] = ()
) -> Fleet:
    """Draw a fleet; vehicle n is at the n-th of the sites, in turn, whose laws it follows."""
    rng = np.random.default_rng([seed, laws.n_vehicles])
    faults = drawn_faults(rng, laws)
    shape = laws.frailty_shape
    frailty = (
        rng.gamma(shape, 1 / shape, laws.n_vehicles)
        if np.isfinite(shape)
        else np.ones(laws.n_vehicles)
    )
    size = (laws.n_vehicles, len(UNITS))
    watched, read, first = np.zeros(size), np.zeros(size), np.zeros(size)
    fleet = Fleet(laws, faults, frailty, [], [], watched, read, first, Told())
    for number in range(laws.n_vehicles):
        at = sites[number % len(sites)] if sites else laws
        _Vehicle(fleet, rng, number, at, keep_rows=keep_rows).live()
    return fleet


class _Vehicle:
    """State of one vehicle while it lives."""

    def __init__(
        self, fleet: Fleet, rng: np.random.Generator, number: int, laws: Laws, *, keep_rows: bool
    ) -> None:
        n = len(CODES)
        self.fleet, self.laws, self.rng, self.number = fleet, laws, rng, number
        self.keep_rows = keep_rows
        self.phi = float(fleet.frailty[number])
        self.is_chronic = rng.random() < laws.chronic
        self.rate = float(laws.km_per_day * np.exp(rng.normal(-0.08, 0.4)))
        self.start_km = float(rng.uniform(5_000, 90_000))
        self.next = [[_NEVER, _NEVER, _NEVER] for _ in range(n)]  # new, worn, failed
        self.part = [(_NEVER, 1.0) for _ in range(n)]  # fitted at, scale of its life
        self.open: list[Try | None] = [None] * n
        self.seen = [False] * n
        self.last_day = 0.0
        self.is_listed = [False] * n  # in its unit's memory when that was last read
        self.read_km = [_NEVER] * len(UNITS)  # last reading; inf: none
        self.first_km = [_NEVER] * len(UNITS)
        self.clear_km = [-_NEVER] * len(UNITS)
        self.watched = [0.0] * len(UNITS)
        for f in range(n):
            self._begin(f)

    def _begin(self, f: int) -> None:
        fault = self.fleet.faults[f]
        if self.laws.original_wear:
            # worn at the mean age at which a new fault would come
            life = 0.9 / fault.new_per_km / self.phi
            self.next[f][_NEW] = life * self.rng.weibull(2.0)
        else:
            # some have it when watching begins
            self.next[f][_NEW] = self.start_km - 2000 + self._new_distance(f)

    def _new_distance(self, f: int) -> float:
        rate = self.fleet.faults[f].new_per_km * self.phi
        return float(self.rng.exponential() / rate) if rate > 0 else _NEVER

    def km_at(self, day: float) -> float:
        return self.start_km + self.rate * day

    def live(self) -> None:
        days = self._days()
        laws, rng = self.laws, self.rng
        strays = rng.poisson(laws.stray_clears_per_year * laws.years)
        stray_days = sorted(float(d) for d in rng.uniform(0, 365 * laws.years, strays))
        for day in days:
            while stray_days and stray_days[0] < day:
                self._stray_clear(stray_days.pop(0))
            self._complain(day)
            self._scan(day)
            self.last_day = day
        done = [t for t in self.open if t is not None]
        self.fleet.tries.extend(done)
        self.fleet.watched_km[self.number] = self.watched
        span = [
            b - a if b < _NEVER else 0.0 for a, b in zip(self.first_km, self.read_km, strict=True)
        ]
        self.fleet.read_km[self.number] = span
        self.fleet.first_km[self.number] = self.first_km

    def _days(self) -> list[float]:
        rng, laws = self.rng, self.laws
        n = int(3 * 365 * laws.years / laws.gap_days) + 10
        days = np.cumsum(rng.gamma(2.0, laws.gap_days / 2, n))
        return [float(d) for d in days[days < 365 * laws.years]]

    def _complain(self, until: float) -> None:
        """Come within some days of a fault that began, where the driver is one who does."""
        if self.laws.complaints <= 0:
            return
        begun = [(min(n) - self.start_km) / self.rate for n in self.next]
        for day in sorted(b for b in begun if self.last_day < b < until):
            come = day + float(self.rng.exponential(5.0))
            if come < until and self.rng.random() < self.laws.complaints and come > self.last_day:
                self._scan(come)
                self.last_day = come

    def _stray_clear(self, day: float) -> None:
        """Clear every unit, with no scan beside it: codes last seen listed are tried so."""
        km = self.km_at(day)
        for f in range(len(CODES)):
            if self.is_listed[f]:
                self._attempt(f, day, km, is_repair=False)
        self._clear(day, km, None)

    def _clear(self, day: float, km: float, unit: int | None) -> None:
        for u in range(len(UNITS)) if unit is None else (unit,):
            self.clear_km[u] = km
        for f in range(len(CODES)):
            if unit is None or _UNIT_OF[f] == unit:
                self.is_listed[f] = False
        if self.keep_rows:
            name = None if unit is None else UNITS[unit]
            self.fleet.told.clears.append((self.number, day, km, name))

    def _scan(self, day: float) -> None:
        km, rng = self.km_at(day), self.rng
        read = [u for u in range(len(UNITS)) if rng.random() < self.laws.cover]
        shown: dict[int, list[int]] = {u: [] for u in read}
        for f in range(len(CODES)):
            unit = _UNIT_OF[f]
            if unit in shown:
                self.is_listed[f] = min(self.next[f]) <= km
                if self.is_listed[f]:
                    shown[unit].append(f)
                    self._sighted(f, km, unit)
                elif self.open[f] is not None:
                    self._clean(f, km, unit)
        for u in read:
            if self.read_km[u] < _NEVER:
                self.watched[u] += max(0.0, km - max(self.read_km[u], self.clear_km[u]))
            else:
                self.first_km[u] = km
            self.read_km[u] = km
        if self.keep_rows:
            rows = {UNITS[u]: [CODES[f][0] for f in found] for u, found in shown.items()}
            self.fleet.told.scans.append((self.number, day, km, rows))
        self._treat(day, km, shown)

    def _sighted(self, f: int, km: float, unit: int) -> None:
        if not self.seen[f]:
            self.seen[f] = True
            gap, is_after = np.nan, False
            if self.read_km[unit] < _NEVER:
                gap = km - max(self.read_km[unit], self.clear_km[unit])
                is_after = self.read_km[unit] > self.clear_km[unit]
            found = First(self.number, f, self.watched[unit], gap, is_after, km)
            self.fleet.firsts.append(found)
        tried = self.open[f]
        if tried is not None and tried.back_km == _NEVER:
            unwatched = max(1.0, km - max(tried.edge_km, self.clear_km[unit]))
            tried.back_km = tried.clean_km + unwatched
            tried.cause = int(np.argmin(self.next[f]))

    def _clean(self, f: int, km: float, unit: int) -> None:
        tried = self.open[f]
        if tried is None or km - self.clear_km[unit] < _LEAST_KM[f]:
            return
        tried.clean_km += max(0.0, km - max(tried.edge_km, self.clear_km[unit]))
        tried.edge_km = km
        tried.n_clean += 1

    def _treat(self, day: float, km: float, shown: dict[int, list[int]]) -> None:
        rng, laws = self.rng, self.laws
        all_cleared = rng.random() < laws.service_clears
        for unit, found in shown.items():
            repaired = [f for f in found if rng.random() < laws.repairs]
            is_cleared = bool(repaired) or all_cleared or (found and rng.random() < laws.clears)
            if not is_cleared:
                continue
            for f in found:
                self._attempt(f, day, km, is_repair=f in repaired)
            self._clear(day + 0.1, km, unit)

    def _attempt(self, f: int, day: float, km: float, *, is_repair: bool) -> None:
        before = self.open[f]
        if before is not None:
            self.fleet.tries.append(before)
        fault, laws, rng = self.fleet.faults[f], self.laws, self.rng
        brand = int(rng.choice(len(BRANDS), p=[0.4, 0.25, 0.15, 0.2])) if is_repair else -1
        if is_repair:
            weak = laws.weak_brand is not None and BRANDS[brand] == laws.weak_brand
            life = fault.life_km * (laws.weak_factor if weak else 1.0)
            self.part[f] = (km if laws.wears else _NEVER, life)
            worn = km + life * float(rng.weibull(fault.life_shape)) if laws.wears else _NEVER
            self.next[f][_WORN] = worn
            if self.keep_rows:
                name = BRANDS[brand] if laws.brands else None
                self.fleet.told.repairs.append((self.number, day + 0.05, km, CODES[f][0], name))
        elif self.next[f][_WORN] <= km or not laws.wear_outlives_clears:
            self.next[f][_WORN], self.part[f] = _NEVER, (_NEVER, 1.0)
        p, eta = self._failure(fault, is_repair=is_repair)
        failed = bool(rng.random() < p)
        self.next[f][_FAILED] = km + self._return(eta, fault.shape) if failed else _NEVER
        self.next[f][_NEW] = km + self._new_distance(f)
        fitted_at, life = self.part[f]
        self.open[f] = Try(
            self.number, f, is_repair, before is not None and before.back_km < _NEVER,
            brand if laws.brands else -1, day, km, failed, p, eta,
            fault.new_per_km * self.phi, _NEVER if fitted_at == _NEVER else km - fitted_at, life,
            edge_km=km,
        )  # fmt: skip

    def _failure(self, fault: Fault, *, is_repair: bool) -> tuple[float, float]:
        p = min(1.0, fault.p_repair + self.laws.bad_work) if is_repair else fault.p_clear
        if self.is_chronic and p < 1:
            odds = 4 * p / (1 - p)
            p = odds / (1 + odds)
        return p, fault.eta_km * (1.0 if is_repair else self.laws.clear_eta_factor)

    def _return(self, eta: float, shape: float) -> float:
        if self.laws.lognormal:
            return eta * float(np.exp(self.rng.normal(-0.4, 1.0)))
        return eta * float(self.rng.weibull(shape))
