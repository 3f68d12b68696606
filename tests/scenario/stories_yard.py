"""Stories on the used-car yard: what was done to a car before it came, and innocent look-alikes."""

from datetime import date, timedelta

from tests.scenario.car import Car
from tests.scenario.catalogue import BATTERY, CLUSTER
from tests.scenario.fleet import vin_of
from tests.scenario.living import services
from tests.scenario.story import Facts, Story, day, here, mend


def _bought(car: Car, days_after: int = 0) -> None:
    acquired = car.vehicle.acquired_on or date.max
    car.go_to(car.morning(acquired + timedelta(days=days_after)))


def cleared_before(car: Car) -> Facts:
    """Clear a car days before it is sold to the yard."""
    car.break_("catalyst")
    _bought(car, -3)
    car.pause(600)
    car.clear(recorded=False)
    sign = car.fault("catalyst").sign
    car.memory.permanent[sign] = car.km + 900
    _bought(car)
    scan = car.scan("intake")
    return {"on": day(car), "km": here(car), "since": scan.rows[0].distance_km or 0,
            "warmups": scan.rows[0].warmups or 0}  # fmt: skip


def new_battery(car: Car) -> Facts:
    """Reset the counters by a new battery, and say so in the work order."""
    _bought(car)
    car.scan("intake")
    _bought(car, 22)
    line = car.line(BATTERY, "", "replace", "Tyllisor")
    car.order([line], labour=25.0, notes="battery flat after standing, replaced; no codes before")
    car.clear(recorded=False)
    facts: Facts = {"on": day(car)}
    _bought(car, 29)
    car.scan("routine")
    return facts | {"last": day(car)}


def new_cluster(car: Car) -> Facts:
    """Fit an instrument cluster that starts at 12 km, and say so in the work order."""
    services(car, car.morning(date(2026, 2, 2)), 3500)
    car.go_to(car.morning(date(2026, 2, 16)))
    old = here(car)
    line = car.line(CLUSTER, "", "replace", "Norvandel")
    notes = f"instrument cluster replaced, old reading {old} km, new one starts at 12 km"
    car.order([line], labour=140.0, notes=notes)
    car.shown_shift = car.told_shift = 12 - car.km
    facts: Facts = {"on": day(car), "old": old}
    services(car, car.morning(date(2026, 8, 3)), 3000)
    _bought(car)
    car.scan("intake")
    return facts | {"km": here(car)}


def rolled_back(car: Car) -> Facts:
    """Show fewer km than at the last service, and than a control unit remembers."""
    services(car, car.morning(date(2026, 3, 2)), 4200)
    facts: Facts = {"before": here(car), "before_on": day(car)}
    car.go_to(car.morning(date(2026, 5, 11)))
    car.break_("rear lamp wiring left")
    car.go_to(car.morning(date(2026, 6, 29)))
    car.shown_shift = -46000.0
    _bought(car)
    scan = car.scan("intake")
    facts |= {"km": here(car), "on": day(car)}
    own = next(row.first_seen_km for row in scan.rows if row.sign)
    facts |= {"unit": own or 0}
    for later in (14, 49):
        _bought(car, later)
        car.scan("routine")
    return facts


def other_vin(car: Car) -> Facts:
    """Answer with the engine control unit of another car."""
    car.ecu_vins["engine"] = vin_of(car.vehicle.model, 2019, 904417)
    _bought(car)
    car.scan("intake")
    _bought(car, 35)
    car.scan("routine")
    return {"vin": car.ecu_vins["engine"], "own": car.vehicle.vin}


def ready(car: Car) -> Facts:
    """Nothing to find, twice."""
    _bought(car)
    car.scan("intake")
    _bought(car, 60)
    car.scan("routine")
    _bought(car, 133)
    car.scan("routine")
    return {"last": day(car)}


def repaired_on_the_lot(car: Car) -> Facts:
    """Repaired and cleared on the yard, and written down; it only needs km."""
    fault = car.break_("misfire 1")
    _bought(car)
    car.scan("intake")
    _bought(car, 3)
    mend(car, fault, post=False)
    facts: Facts = {"on": day(car)}
    _bought(car, 17)
    car.scan("routine")
    return facts | {"last": day(car)}


def partial_intake(car: Car) -> Facts:
    """Only two control units were read."""
    _bought(car)
    car.scan("intake", ecus=("engine", "brakes"))
    return {"on": day(car)}


def airbag_on_the_lot(car: Car) -> Facts:
    """Find a safety code at intake; nobody repairs it."""
    car.break_("driver airbag igniter")
    _bought(car)
    car.scan("intake")
    _bought(car, 98)
    car.scan("routine")
    return {"last": day(car)}


STORIES = (
    Story("cleared_before", "Y-501", "Cleared days before it was bought", "2026-07-27",
          cleared_before,
          "Intake on {on} at {km:,} km without a stored code, but {since} km and {warmups} "
          "warm-ups since a clear that no record knows, monitors incomplete, and P0420 still "
          "permanent.",
          "hold: recent unrecorded clear, incomplete monitors, permanent code"),
    Story("new_battery", "Y-502", "Look-alike: a new battery", "2026-08-03", new_battery,
          "Counters and monitors start again on {on} because the battery was replaced, as the "
          "work order says; no permanent code, nothing found before; last scan {last}.",
          "rescan after some km, not accused of a clear before the check"),
    Story("new_cluster", "Y-503", "Look-alike: a replaced instrument cluster", "2025-03-03",
          new_cluster,
          "Serviced here for years. On {on} the cluster was replaced at {old:,} km and the new "
          "one started at 12 km, as the work order says; {km:,} km at intake.",
          "odometer line joined across the replacement, no rollback"),
    Story("rolled_back", "Y-504", "An odometer that went back", "2025-03-03", rolled_back,
          "{before:,} km at a service on {before_on}; {km:,} km at intake on {on}, with no work "
          "order; the body unit stored B1A41-11 at {unit:,} km.",
          "hold: odometer line broken, lower than a unit's own record"),
    Story("other_vin", "Y-505", "A control unit from another car", "2026-07-20", other_vin,
          "All units answer with {own}, the engine with {vin}.",
          "hold: identification number differs between units"),
    Story("ready", "Y-506", "A car that is ready", "2026-05-04", ready,
          "Three full scans without a code, monitors complete, counters far back, last {last}.",
          "ready"),
    Story("repaired_on_the_lot", "Y-507", "Look-alike: a fresh repair", "2026-08-24",
          repaired_on_the_lot,
          "P0301 found at intake, repaired and cleared on {on} as the work order and the record "
          "say; clean but hardly driven on {last}.",
          "rescan: the fix is not proven yet, and nothing was hidden"),
    Story("partial_intake", "Y-508", "Look-alike: a partial scan", "2026-08-31", partial_intake,
          "On {on} engine and brakes were read, nothing else.",
          "rescan: most units were not read"),
    Story("airbag_on_the_lot", "Y-509", "A safety code on the yard", "2026-03-30",
          airbag_on_the_lot,
          "B0001-13 at intake and on {last}; no work order.",
          "hold: open fault in a safety family"),
)  # fmt: skip
