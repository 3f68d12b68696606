"""Stories about whole vehicles: recurring, worsening, many codes at once, and what is dangerous."""

from tests.scenario.car import Car
from tests.scenario.catalogue import BATTERY, Fault, Sign
from tests.scenario.drive import END
from tests.scenario.living import services
from tests.scenario.story import Facts, Story, comes_in, day, here, mend

_LOW = "control unit supply voltage too low"
# U3003 and P0562 name the supply; U01xx is set by listeners (standards table 7.1)
_FLAT_BATTERY = Fault(
    "flat battery",
    Sign("engine", "P0562", "system voltage low"),
    BATTERY,
    0.0,
    30.0,
    lamp="battery",
    echoes=(
        (Sign("brakes", "U3003", _LOW, "16"), 1),
        (Sign("steering", "U3003", _LOW, "16"), 1),
        (Sign("body", "U3003", _LOW, "16"), 1),
        (Sign("instrument cluster", "U3003", _LOW, "16"), 1),
        (Sign("gateway", "U0121", "lost communication with the brake control unit", "87"), 1),
        (Sign("airbag", "U0140", "lost communication with the body control unit", "87"), 1),
    ),
)
_ALL = ("brakes", "steering", "body", "instrument cluster", "gateway", "airbag")


def low_voltage(car: Car) -> Facts:
    """Light everything with a flat battery; a new one ends it."""
    fault = car.memory.onset(_FLAT_BATTERY, car.km, echoes=_ALL)
    fault.transient = False
    comes_in(car, 45)
    facts: Facts = {"on": day(car), "codes": len(car.memory.entries)}
    mend(car, fault, post=False)
    services(car, END, 2400)
    return facts


def isolation(car: Car) -> Facts:
    """Take a car off the road for a high-voltage isolation fault."""
    car.break_("high-voltage isolation", echoes=("gateway",))
    comes_in(car, 40)
    facts: Facts = {"on": day(car), "km": here(car)}
    comes_in(car, 0, "routine")
    return facts


def airbag_open(car: Car) -> Facts:
    """Set an airbag code that everybody sees and nobody repairs."""
    car.break_("driver airbag igniter")
    comes_in(car, 500, "routine")
    facts: Facts = {"on": day(car), "km": here(car)}
    services(car, END, 2700)
    return facts | {"last": day(car)}


def brake_open(car: Car) -> Facts:
    """Find a brake pump code days before the end."""
    car.break_("brake pump motor")
    comes_in(car, 90)
    return {"on": day(car), "km": here(car)}


# faults, and the km after the one before
_WORSE = (
    ("purge valve", 7400),
    ("misfire 3", 6000),
    ("lean mixture", 4900),
    ("rear lamp wiring left", 4000),
    ("oxygen sensor", 3250),
    ("thermostat", 2650),
    ("misfire 1", 2150),
    ("wheel speed sensor rear left", 1700),
    ("misfire 4", 1400),
    ("catalyst", 1100),
    ("misfire 2", 850),
)


def worsening(car: Car) -> Facts:
    """One fault after another, each mended, each sooner than the one before."""
    facts: Facts = {"first": day(car), "n": len(_WORSE)}
    for name, gap in _WORSE:
        left_km = float(gap)
        if gap > 2500:  # a service lies between
            comes_in(car, gap * 0.55, "routine")
            left_km = gap * 0.45
        car.go_to(car.morning_with(car.km + left_km - 110))
        fault = car.break_(name, echoes=())
        comes_in(car, 105)
        mend(car, fault)
    facts |= {"last": day(car)}
    comes_in(car, 350, "routine")
    return facts


_AGAIN_KM = (2200, 3000, 1800, 3300, 2000, 2700, 2300)


def recurring(car: Car) -> Facts:
    """Set the same code again and again, with clean scans between."""
    for number, clean_km in enumerate(_AGAIN_KM):
        fault = car.break_("lean mixture")
        comes_in(car, 130)
        mend(car, fault, action="clean" if number % 3 else "replace")
        comes_in(car, clean_km * 0.6, "routine")
        clean_on = day(car)
        car.go_to(car.morning_with(car.km + clean_km * 0.4))
    return {"n": len(_AGAIN_KM), "last": clean_on}


def sold(car: Car) -> Facts:
    """Serve until sold; the plate goes on."""
    services(car, car.morning(car.now.date().replace(month=8, day=18)), 2500)
    return {"last": here(car)}


def new_with_old_plate(car: Car) -> Facts:
    """Start new under a plate that another vehicle had."""
    services(car, END, 3200)
    return {"last": here(car)}


STORIES = (
    Story("low_voltage", "H-402", "Many codes, one flat battery", "2026-01-19", low_voltage,
          "On {on} a scan shows {codes} codes in {codes} units, P0562 and U3003-16 among them. A "
          "new battery, all cleared, none came back.",
          "one common cause: low supply voltage explains the others", ("battery",)),
    Story("isolation", "H-403", "High voltage", "2026-10-05", isolation,
          "P0AA6-1A, isolation too low, with U0412-86 in the gateway, found on {on} at {km:,} km "
          "and still there; nothing has been repaired.",
          "open, first on the worklist, with the high-voltage caution"),
    Story("airbag_open", "M-109", "An airbag code that stays", "2026-05-18", airbag_open,
          "B0001-13, driver airbag igniter circuit open, seen first on {on} at {km:,} km and in "
          "every full scan up to {last}; no work order.",
          "open, with the airbag caution", ("airbag igniter",)),
    Story("brake_open", "M-114", "A brake code", "2026-10-19", brake_open,
          "C0020-12, brake pump motor, found on {on} at {km:,} km.",
          "open, with the brake caution"),
    Story("worsening", "P-208", "A vehicle that gets worse", "2024-11-04", worsening,
          "{n} different faults since {first}, each repaired for good, at ever shorter "
          "distances; the last on {last}.",
          "trend worsening, more than 8 episodes"),
    Story("recurring", "M-102", "A code that recurs beyond its peers", "2025-03-03", recurring,
          "P0171 {n} times, each time gone for a while after the air mass meter was cleaned or "
          "replaced; after the last work clean on {last}.",
          "recurring, flagged against its peers", ("air mass meter",)),
    Story("sold", "M-108", "A plate that moves, first vehicle", "2025-05-05", sold,
          "Sold in August 2025 at about {last:,} km; its plate went to P-206.",
          "two vehicles, one plate, two histories"),
    Story("new_with_old_plate", "P-206", "A plate that moves, second vehicle", "2025-09-10",
          new_with_old_plate,
          "In service since September 2025 under the plate of M-108; {last:,} km at its last scan.",
          "its history begins with its own first scan"),
)  # fmt: skip
