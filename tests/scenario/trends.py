"""What is planted in rates: a work that rarely cures, a change of habits that helped, a rise."""

from datetime import date, datetime
from typing import Final

from tests.scenario.car import Car
from tests.scenario.catalogue import Fault
from tests.scenario.fleet import Vehicle
from tests.scenario.sites import Site

# The EGR valve of this model soots up on the short trips of two sites.  Cleaning it rarely holds,
# a new one does.
SOOTED: Final = ("Lodderan 35", "EGR flow")
_SOOTED_RATE: Final = {"A": 3.0, "C": 2.0}
_AT_ONCE: Final = 0.4  # share of first repairs with a new valve; the others clean first
_FAILS: Final = {"clean": 0.9, "replace": 0.03}

# A site begins to measure before it fits a part.
CHANGED_SITE: Final = "B"
CHANGES_ON: Final = date(2025, 7, 1)
_FAILS_BEFORE: Final = 0.8
_FAILS_SINCE: Final = 0.05

# The turbine speed sensor of this model begins to die.
RISING: Final = ("Lodderan 35", "turbine speed sensor")
RISES_ON: Final = date(2026, 9, 7)
_RISE: Final = 30.0


def is_sooted(vehicle: Vehicle, fault: Fault) -> bool:
    """Say whether the fault is the one that cleaning rarely cures."""
    return (vehicle.model.name, fault.name) == SOOTED


def rate_factor(vehicle: Vehicle, fault: Fault, now: datetime) -> float:
    """Give how many times the catalogue's rate a fault begins."""
    if is_sooted(vehicle, fault):
        return _SOOTED_RATE.get(vehicle.site, 1.0)
    is_rising = (vehicle.model.name, fault.name) == RISING and now.date() >= RISES_ON
    return _RISE if is_rising else 1.0


def chosen_work(car: Car, fault: Fault, *, again: bool) -> str:
    """Say what is done about a sooted valve; empty: the usual work on the fault."""
    if not is_sooted(car.vehicle, fault):
        return ""
    return "replace" if again or car.chance.happens(_AT_ONCE) else "clean"


def share_failing(site: Site, now: datetime, work: str) -> float:
    """Give the share of repairs that do not cure.  ``work``: on a sooted valve."""
    if work:
        return _FAILS[work]
    if site.letter == CHANGED_SITE:
        return _FAILS_BEFORE if now.date() < CHANGES_ON else _FAILS_SINCE
    return site.fails
