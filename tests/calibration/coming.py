"""An invented fleet as the forecast sees it: scans read one after another, nothing known ahead."""

from dataclasses import dataclass, field

import numpy as np

from afterclear.estimators.forecast.past import Failures, Past, Risks, Stretches, Vehicles
from afterclear.estimators.forecast.record import Forecasts, forecasts, moments
from tests.calibration.fleet import Fleet, simulate
from tests.calibration.laws import CODES, Laws

_COMPONENTS = sorted({family.split(":")[0] for _, family, *_ in CODES})
_OF_CODE = {code: _COMPONENTS.index(family.split(":")[0]) for code, family, *_ in CODES}
_UNIT_OF = {code: unit for code, _, unit, _ in CODES}
QUARTER = 91.0


@dataclass
class _Unit:
    """One place of one vehicle while its scans are read."""

    is_open: bool = False
    state: int = 0
    zero_km: float = 0.0
    from_km: float = 0.0
    row: int = -1  # of its failure, while it is open
    looked: bool = False  # since the last work


@dataclass
class _Read:
    stretches: list[tuple[int, str, int, float, float, float, float]] = field(default_factory=list)
    failures: list[list[float]] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)

    def vehicle(
        self, number: int, events: list[tuple[float, float, dict[str, list[str]] | str]]
    ) -> None:
        """Read scans and clears of a vehicle in their order."""
        units = {code: _Unit() for code in _OF_CODE}
        read: set[str] = set()
        for day, km, told in events:
            if isinstance(told, str):
                self._cleared(units, (told, day, km))
                continue
            for unit, shown in told.items():
                for code in (c for c in units if _UNIT_OF[c] == unit):
                    self._looked(
                        number,
                        code,
                        units[code],
                        (day, km),
                        shown=code in shown,
                        known=unit in read,
                    )
                read.add(unit)
        for code, unit in units.items():
            if not unit.is_open and unit.state:
                self._stretch(number, code, unit, np.inf)

    def _looked(
        self,
        number: int,
        code: str,
        unit: _Unit,
        at: tuple[float, float],
        *,
        shown: bool,
        known: bool,
    ) -> None:
        day, km = at
        if shown and not unit.is_open:
            if unit.state:
                self._stretch(number, code, unit, km)
            else:
                self.stretches.append((number, code, 0, -1.0, 0.0, km, np.inf))
            unit.is_open = True
            if known:
                unit.row = len(self.failures)
                now = unit.state + 2 * (unit.looked and unit.state > 0)
                self.failures.append([number, now, km - unit.zero_km, day, np.inf])
                self.codes.append(code)
            unit.state = min(unit.state + 1, 2)
        elif unit.is_open:
            if not shown:
                self._over(unit, day, km)
        elif unit.state and not unit.looked:
            self._stretch(number, code, unit, km)
            unit.looked, unit.from_km = True, km

    def _cleared(self, units: dict[str, _Unit], told: tuple[str, float, float]) -> None:
        ecu, day, km = told
        for code, unit in units.items():
            if unit.is_open and ecu in {"", _UNIT_OF[code]}:
                self._over(unit, day, km)

    def _over(self, unit: _Unit, day: float, km: float) -> None:
        if unit.row >= 0:
            self.failures[unit.row][4] = day
        unit.is_open, unit.row, unit.looked = False, -1, False
        unit.zero_km = unit.from_km = km

    def _stretch(self, number: int, code: str, unit: _Unit, to_km: float) -> None:
        now = unit.state + 2 * unit.looked
        self.stretches.append((number, code, now, 1.0, unit.zero_km, unit.from_km, to_km))


def past_of(fleet: Fleet, quarters: list[float], today: float) -> Past:
    """Read a fleet's scans and clears."""
    events: dict[int, list[tuple[float, float, dict[str, list[str]] | str]]] = {}
    for number, day, km, units in fleet.told.scans:
        events.setdefault(number, []).append((day, km, units))
    for number, day, km, unit in fleet.told.clears:
        events.setdefault(number, []).append((day, km, unit or ""))
    read, asked = _Read(), moments(quarters, today)
    n = len(fleet.frailty)
    first_day, first_km = np.full(n, today), np.zeros(n)
    at_km, at_day = np.full((2, n, asked.size), np.nan)
    for number, own in events.items():
        own.sort(key=lambda event: event[0])
        read.vehicle(number, own)
        days = np.array([day for day, _, told in own if not isinstance(told, str)])
        kms = np.array([km for _, km, told in own if not isinstance(told, str)])
        if not days.size:
            continue
        first_day[number], first_km[number] = days[0], kms[0]
        place = np.searchsorted(days, asked, side="right") - 1
        at_km[number] = np.where(place >= 0, kms[place], np.nan)
        at_day[number] = np.where(place >= 0, days[place], np.nan)
    known = dict.fromkeys(_OF_CODE, np.inf)
    for row, code in zip(read.failures, read.codes, strict=True):
        known[code] = min(known[code], row[3])
    rows = read.stretches
    comp = np.array([_OF_CODE[row[1]] for row in rows], dtype=np.int64)
    failed = np.array(read.failures).reshape(-1, 5)
    codes = read.codes
    return Past(
        Vehicles(
            np.zeros(n, dtype=np.int64),
            np.ones(n, dtype=bool),
            first_day,
            first_km,
            asked,
            at_km,
            at_day,
        ),
        Risks(
            np.zeros(len(known), dtype=np.int64),
            np.array([_OF_CODE[code] for code in known], dtype=np.int64),
            np.array(list(known.values())),
            1,
            len(_COMPONENTS),
        ),
        Stretches(
            np.array([row[0] for row in rows], dtype=np.int64),
            comp,
            np.array([row[2] for row in rows], dtype=np.int64),
            *(np.array([row[i] for row in rows]) for i in (3, 4, 5, 6)),
            np.array([known[row[1]] for row in rows]),
        ),
        Failures(
            failed[:, 0].astype(np.int64),
            np.array([_OF_CODE[code] for code in codes], dtype=np.int64),
            failed[:, 1].astype(np.int64),
            failed[:, 2],
            failed[:, 3],
            failed[:, 4],
            np.array([known[code] for code in codes]),
        ),
    )


def forecast_of(laws: Laws, seed: int) -> Forecasts:
    """Draw a fleet and forecast each of its quarters from what was known before."""
    fleet = simulate(laws, seed, keep_rows=True)
    today = 365.0 * laws.years
    quarters = [QUARTER * i for i in range(1, int(today / QUARTER) + 1)]
    return forecasts(past_of(fleet, quarters, today), quarters, today, (30.0, 90.0, 365.0))
