"""Stories about what a scan can and cannot prove, and about odometers that do not add up."""

from datetime import timedelta

from tests.scenario.book import BusMoment
from tests.scenario.car import KM_AN_HOUR, Car
from tests.scenario.catalogue import Sign
from tests.scenario.drive import END, instant
from tests.scenario.living import services
from tests.scenario.memory import NEVER, Entry
from tests.scenario.story import Facts, Story, comes_in, day, here, mend

KM_PER_MILE = 1.609344


def pending_once(car: Car) -> Facts:
    """After a repair its code is pending in one scan, and gone in the next."""
    fault = car.break_("purge valve")
    comes_in(car, 110)
    mend(car, fault)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 700, "routine")
    car.go_to(car.morning_with(car.km + 900))
    car.memory.glitch(fault.fault.sign, car.km, 60)
    car.scan("routine")
    facts |= {"pending": here(car)}
    services(car, END, 2400)
    return facts | {"last": here(car)}


def pending_twice(car: Car) -> Facts:
    """After a repair its code is pending in two scans: that counts."""
    fault = car.break_("oxygen sensor")
    comes_in(car, 110)
    mend(car, fault, cures=False, returns_after=[NEVER])
    facts: Facts = {"fixed": here(car), "on": day(car)}
    for number, after in enumerate((1100, 420), 1):
        car.go_to(car.morning_with(car.km + after))
        car.memory.glitch(fault.fault.sign, car.km, 60)
        car.scan("routine")
        facts |= {f"seen{number}": here(car)}
    car.pause(60)
    mend(car, fault, notes="wiring to the sensor renewed as well")
    services(car, END, 2500)
    return facts


def permanent_alone(car: Car) -> Facts:
    """After a cure the permanent code outlives the clear until its monitor has run."""
    fault = car.break_("catalyst")
    comes_in(car, 150)
    mend(car, fault, post=False)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    car.memory.monitors_km["catalyst"] = car.km + 210
    car.memory.permanent[fault.fault.sign] = car.km + 220
    comes_in(car, 40, "routine")
    facts |= {"alone": here(car)}
    comes_in(car, 800, "routine")
    services(car, END, 2500)
    return facts


def partial_only(car: Car) -> Facts:
    """After a repair nobody reads the brakes again."""
    fault = car.break_("wheel speed sensor rear right", echoes=())
    comes_in(car, 120)
    mend(car, fault, post=False)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    for _ in range(3):
        comes_in(car, 1900, "routine", ecus=("engine", "gateway"))
    return facts | {"last": day(car)}


def no_answer(car: Car) -> Facts:
    """After a repair of the airbag circuit the airbag unit does not answer any more."""
    fault = car.break_("driver airbag igniter")
    comes_in(car, 70)
    mend(car, fault, post=False)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    for _ in range(4):
        comes_in(car, 2300, "routine", silent=("airbag",))
    return facts | {"last": day(car)}


def active_only(car: Car) -> Facts:
    """After a repair only live messages are looked at, never the code memory."""
    fault = car.break_("NOx sensor", echoes=())
    comes_in(car, 300)
    mend(car, fault, post=False)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    for _ in range(5):
        comes_in(car, 2400, "unknown", ecus=("engine", "brakes"))
        car.book.scans[-1].memory = "active_only"
    return facts | {"last": day(car)}


def status_bits(car: Car) -> Facts:
    """Meet a status byte of 50, which proves nothing, and one of 60, which proves a failure."""
    soot = car.break_("soot load")
    comes_in(car, 140)
    mend(car, soot)
    car.memory.untested[soot.fault.sign] = car.km + 300
    facts: Facts = {"first": here(car)}
    comes_in(car, 30, "routine")
    comes_in(car, 1500, "routine")
    nox = car.break_("NOx sensor")
    comes_in(car, 160)
    mend(car, nox, cures=False, returns_after=[1600])
    facts |= {"second": here(car)}
    car.go_to(car.morning_with(car.km + 950))
    car.memory.entries[nox.fault.sign] = Entry(nox.fault.sign, car.km, NEVER, uds="60",
                                               expires_km=car.km + 50)  # fmt: skip
    car.scan("routine")
    facts |= {"bit5": here(car)}
    comes_in(car, 900, "routine")
    return facts | {"last": day(car)}


def counter_tells(car: Car) -> Facts:
    """Somebody clears in between and writes nothing down; the counters tell."""
    fault = car.break_("thermostat")
    comes_in(car, 120)
    mend(car, fault)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 700, "routine")
    facts |= {"before": here(car)}
    car.go_to(car.morning_with(car.km + 1000))
    car.clear(recorded=False)
    facts |= {"wiped": here(car)}
    comes_in(car, 1500, "routine")
    facts |= {"after": here(car)}
    return facts


def told_late(car: Car) -> Facts:
    """Deliver the scan that shows the come-back a year after it was made."""
    fault = car.break_("EGR flow")
    comes_in(car, 150)
    mend(car, fault, cures=False, returns_after=[1500])
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 800, "routine")
    comes_in(car, 1500)
    car.book.scans[-1].late = True
    facts |= {"late": here(car), "late_on": day(car)}
    car.memory.heal(fault, car.warmups)  # the roadside service blew the hose dry
    car.pause(20)
    car.clear(recorded=False)
    services(car, END, 2600)
    return facts | {"last": here(car)}


def miles_as_km(car: Car) -> Facts:
    """One reading has the number of miles where km belong."""
    services(car, car.morning(instant("2025-12-01").date()), 2500)
    car.go_to(car.morning_with(car.km + 800))
    wrong = round(car.km / KM_PER_MILE)
    car.scan("routine", shown_km=wrong)
    facts: Facts = {"true": here(car), "read": wrong, "on": day(car)}
    services(car, END, 2500)
    return facts


def typing_error(car: Car) -> Facts:
    """One reading has a wrong digit."""
    services(car, instant("2026-01-12"), 2800)
    car.go_to(car.morning_with(car.km + 900))
    wrong = car.km + 30000 * KM_PER_MILE
    car.scan("routine", shown_km=wrong)
    facts: Facts = {"true": round(car.km / KM_PER_MILE), "read": round(wrong / KM_PER_MILE),
                    "on": day(car)}  # fmt: skip
    services(car, END, 2800)
    return facts


def hours_only(car: Car) -> Facts:
    """Repair a machine without an odometer: engine hours are its clock."""
    fault = car.break_("reductant level", echoes=())
    comes_in(car, 300)
    mend(car, fault)
    facts: Facts = {"on": day(car), "hours": round(car.book.scans[-1].hours or 0)}
    services(car, END, 3500)
    return facts | {"last": round(car.book.scans[-1].hours or 0)}


def bus_log(car: Car) -> Facts:
    """Record a truck's bus before its repair: live messages, no code memory."""
    wheel = car.break_("wheel speed sensor front left", echoes=("transmission",))
    filters, nox = car.break_("filter pressure"), car.break_("NOx sensor")
    car.go_to(car.morning_with(car.km + 260))
    active = {ecu: tuple((e.sign.code, e.occurrences) for e in car.memory.codes(ecu))
              for ecu in ("engine", "transmission", "brakes")}  # fmt: skip
    car.book.recorded.append(BusMoment(car.vehicle.vehicle_id, car.vehicle.vin, car.now, car.km,
                                       car.km / KM_AN_HOUR, active))  # fmt: skip
    facts: Facts = {"logged": here(car), "at": f"{car.now:%Y-%m-%d %H:%M}",
                    "n": sum(map(len, active.values()))}  # fmt: skip
    car.go_to(car.morning(car.now.date() + timedelta(days=1)))
    car.scan("pre_repair")
    car.pause(30)
    for ailment in (filters, nox):
        car.fix(ailment, cures=True, brand="Norvandel")
    mend(car, wheel, brand="Tyllisor")
    facts |= {"fixed": here(car), "on": day(car)}
    comes_in(car, 2000, "routine")
    return facts


def makers_number(car: Car) -> Facts:
    """Set a maker's own number, known by its text alone."""
    fault = car.break_("wheel speed sensor front right", echoes=())
    own = Sign("brakes", "Skelvorn:4471", "Wheel speed sensor, front right, no signal")
    fault.signs = (own,)
    fault.shows_km = {own: car.km}
    comes_in(car, 220)
    mend(car, fault, codes=(own,), brand="Norvandel")
    facts: Facts = {"fixed": here(car), "on": day(car)}
    services(car, END, 4500)
    return facts


STORIES = (
    Story("pending_once", "M-104", "Pending once, then gone", "2025-08-18", pending_once,
          "P0442 repaired on {on} at {fixed:,} km. At {pending:,} km the code is pending in one "
          "scan and gone in the next, with no clear between; clean up to {last:,} km.",
          "held: a pending code seen once is a sign, not a return", ("purge valve",)),
    Story("pending_twice", "M-105", "Pending twice", "2026-02-02", pending_twice,
          "P0133 repaired on {on} at {fixed:,} km; pending at {seen1:,} km and again at "
          "{seen2:,} km, then repaired again.",
          "first attempt came back, by the second pending scan", ("oxygen sensor",)),
    Story("permanent_alone", "H-401", "A permanent code alone", "2025-09-15", permanent_alone,
          "P0420, catalyst replaced on {on} at {fixed:,} km; at {alone:,} km only the permanent "
          "code is left and the monitor has not run; later scans have nothing.",
          "held: a permanent code alone is no return", ("catalytic converter",)),
    Story("partial_only", "P-204", "Nobody looked", "2026-06-15", partial_only,
          "C003A-13, sensor replaced on {on} at {fixed:,} km. Three scans up to {last} read the "
          "engine and the gateway only.",
          "unchecked: no scan after the repair read the brakes", ("wheel speed sensor",)),
    Story("no_answer", "M-112", "A unit that does not answer", "2026-04-13", no_answer,
          "B0001-13 in the airbag unit repaired on {on} at {fixed:,} km; in all scans up to "
          "{last} the airbag unit gives no answer.",
          "unchecked, and the silence is a finding; airbag caution", ("airbag igniter",)),
    Story("active_only", "T-303", "Live messages are no memory", "2026-06-08", active_only,
          "SPN 3216 FMI 4, NOx sensor replaced on {on} at {fixed:,} km; up to {last} only active "
          "codes were listened to, and none came.",
          "unchecked: active-only memory proves presence, never absence", ("NOx sensor",)),
    Story("status_bits", "T-306", "What a status byte proves", "2026-06-01", status_bits,
          "P2463 cleaned at {first:,} km; the next scans list it with status 50, then not at "
          "all. P2202 repaired at {second:,} km; at {bit5:,} km its status is 60: failed since "
          "the clear. Confirmed by {last}.",
          "status 50 adds no clean km; status 60 is the return of P2202",
          ("particulate filter", "NOx sensor")),
    Story("counter_tells", "P-210", "A clear nobody wrote down", "2026-08-03", counter_tells,
          "P0128 repaired on {on} at {fixed:,} km, clean at {before:,} km. At {wiped:,} km codes "
          "were cleared without a record; the scan at {after:,} km counts its km from there.",
          "an inferred clear near {wiped:,} km; clean km of two stretches, not of the gap",
          ("thermostat",)),
    Story("told_late", "T-302", "The late file", "2025-04-07", told_late,
          "P0401 repaired on {on} at {fixed:,} km, clean 800 km later, clean up to {last:,} km. "
          "The scan of {late_on} at {late:,} km shows it confirmed and comes with the last "
          "delivery.",
          "held without the late file, came back with it", ("EGR valve",)),
    Story("miles_as_km", "M-107", "Miles in the km column", "2025-09-01", miles_as_km,
          "On {on} the tester noted {read:,} km; the instrument stood at {true:,} km.",
          "one reading set aside as a unit mix-up"),
    Story("typing_error", "P-205", "A wrong digit", "2025-11-10", typing_error,
          "On {on} the odometer was typed as {read:,} miles; it was {true:,}.",
          "one reading set aside as a typing error"),
    Story("hours_only", "T-305", "No odometer", "2025-05-05", hours_only,
          "A sweeper on a truck frame counts engine hours only. SPN 1761 FMI 3 repaired on {on} "
          "at {hours:,} h, clean up to {last:,} h.",
          "judged by the clock it has", ("reductant level sensor",)),
    Story("bus_log", "T-304", "A recorded bus", "2026-09-07", bus_log,
          "The bus was recorded on {at} UTC at {logged:,} km: SPN 789 FMI 8 from the brakes and "
          "SPN 84 FMI 19 from the transmission in single frames, SPN 3216 FMI 4 and SPN 3251 FMI "
          "16 from the engine in a multi-packet message. All repaired on {on} at {fixed:,} km, "
          "checked once some 2,000 km later.",
          "one active-only scan with {n} codes, the transmission's an echo of the brakes'; the "
          "attempts of the day after have one clean scan each",
          ("wheel speed sensor", "particulate filter", "NOx sensor")),
    Story("makers_number", "T-307", "A maker's own number", "2025-07-07", makers_number,
          "Skelvorn:4471 in the brakes, known by its text only; wheel speed sensor front right "
          "replaced on {on} at {fixed:,} km.",
          "held; the family comes from the text", ("wheel speed sensor",)),
)  # fmt: skip
