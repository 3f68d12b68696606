"""Stories about fixes: held, came back, stayed, on watch, and echoes of another unit's fault."""

from dataclasses import replace

from tests.scenario.car import Car
from tests.scenario.catalogue import ANGLE_SENSOR, BRAKES_INVALID, CLUSTER, PLUG, Fault, Sign
from tests.scenario.drive import END, instant
from tests.scenario.living import services
from tests.scenario.story import Facts, Story, comes_in, day, here, mend, wipe

_STEERING_ECHO = Sign("steering", "U0415", BRAKES_INVALID, "86")
_CLUSTER_ECHO = Sign("instrument cluster", "U0415", BRAKES_INVALID, "86")
_CLUSTER_FAULT = Fault("cluster network input", _CLUSTER_ECHO, CLUSTER, 0.0, 140.0, hard=True)


def held(car: Car) -> Facts:
    """Replace a wheel speed sensor; it is never seen again."""
    fault = car.break_("wheel speed sensor front right", echoes=())
    comes_in(car, 160)
    mend(car, fault)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    services(car, END, 2700)
    return facts | {"last": here(car)}


def came_back(car: Car) -> Facts:
    """Fit a coil that was not the cause; then fit coil and plug, and it holds."""
    fault = car.break_("misfire 2")
    comes_in(car, 130)
    mend(car, fault, cures=False, returns_after=[300])
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 395)
    facts |= {"seen": here(car)}
    mend(car, fault, notes="second coil, plug found cracked")
    car.book.orders[-1].lines.append(replace(car.book.orders[-1].lines[0], family="spark plug",
                                             number="NV-2231", cost=12.4))  # fmt: skip
    services(car, END, 3000)
    return facts


def never_held(car: Car) -> Facts:
    """Clear the same code again and again."""
    fault = car.break_("EGR flow")
    comes_in(car, 200)
    facts: Facts = {"first": here(car)}
    for returns in (850, 620, 1150, 540):
        wipe(car, fault, returns_after=[returns])
        comes_in(car, returns + 240, "routine")
    return facts | {"last": here(car), "on": day(car)}


def stayed(car: Car) -> Facts:
    """Replace a glow plug whose wire is broken; the code is there before the car leaves."""
    fault = car.break_("glow plug 2")
    comes_in(car, 90)
    mend(car, fault, cures=False)
    facts: Facts = {"first": day(car), "km": here(car)}
    comes_in(car, 600, "pre_repair")
    mend(car, fault, action="repair", notes="wire to the plug mended")
    facts |= {"second": day(car)}
    services(car, END, 3300)
    return facts


def echo_left(car: Car) -> Facts:
    """Replace the sensor behind three codes; all three stay away."""
    fault = car.break_("wheel speed sensor rear right", echoes=("steering", "instrument cluster"))
    comes_in(car, 120)
    facts: Facts = {"on": day(car), "km": here(car)}
    mend(car, fault)
    services(car, END, 3000)
    return facts


def echo_stayed(car: Car) -> Facts:
    """Replace the sensor; one of its echoes is a fault of its own and stays."""
    fault = car.break_("wheel speed sensor rear left", echoes=("steering",))
    car.memory.onset(_CLUSTER_FAULT, car.km).transient = False
    comes_in(car, 140)
    facts: Facts = {"on": day(car), "km": here(car)}
    mend(car, fault)
    comes_in(car, 2100, "routine")
    wipe(car, post=True)
    services(car, END, 2600)
    return facts | {"last": day(car)}


def fitted_for_an_echo(car: Car) -> Facts:
    """Fit a steering angle sensor for a code that only echoes a wheel speed sensor."""
    fault = car.break_("wheel speed sensor front left", echoes=("steering",))
    comes_in(car, 150, ecus=("engine", "steering"))
    car.pause(60)
    line = car.line(ANGLE_SENSOR, "", "replace", "Norvandel")
    car.order([line], codes=(_STEERING_ECHO,), labour=45.0)
    facts: Facts = {"on": day(car), "cost": line.cost + 45.0}
    fault.returns_after = [420]
    car.pause(40)
    car.clear(reason="after repair")
    comes_in(car, 560)
    facts |= {"seen": day(car)}
    mend(car, fault)
    services(car, END, 2800)
    return facts


def on_watch(car: Car) -> Facts:
    """Repair a few weeks before the end; one clean scan so far."""
    fault = car.break_("oxygen sensor")
    comes_in(car, 100)
    mend(car, fault)
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 340, "routine")
    return facts | {"last": here(car)}


def related(car: Car) -> Facts:
    """Replace a sensor; the same corner comes back with another failure type."""
    fault = car.break_("wheel speed sensor front left", echoes=())
    comes_in(car, 120)
    mend(car, fault, brand="Tyllisor")
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 900, "routine")
    plug = replace(fault.fault, name="wheel speed sensor front left, plug", echoes=(), sign=Sign(
        "brakes", "C0031", "wheel speed sensor front left, signal erratic", "2F"))  # fmt: skip
    car.memory.onset(plug, car.km + 400).transient = False
    comes_in(car, 620)
    return facts | {"seen": here(car), "last": day(car)}


def fitted_twice(car: Car) -> Facts:
    """Fit the same sensor twice; the plug behind it was wet."""
    fault = car.break_("turbine speed sensor", echoes=("engine",))
    comes_in(car, 80)
    mend(car, fault, cures=False, returns_after=[540])
    facts: Facts = {"first": day(car), "part": car.book.orders[-1].lines[0].number}
    comes_in(car, 700)
    mend(car, fault, cures=False, returns_after=[900])
    comes_in(car, 1050)
    mend(car, fault, action="repair", notes="connector dried and sealed")
    facts |= {"third": day(car)}
    services(car, END, 3000)
    return facts


def seen_elsewhere(car: Car) -> Facts:
    """Repair at the own garage; another garage sees it come back."""
    fault = car.break_("boost pressure")
    comes_in(car, 180)
    mend(car, fault, cures=False, returns_after=[1300])
    facts: Facts = {"on": day(car), "fixed": here(car)}
    comes_in(car, 1500, site="A")
    facts |= {"seen": here(car)}
    mend(car, fault, site="A")
    services(car, instant("2026-10-20"), 3000)
    return facts


def steering_back(car: Car) -> Facts:
    """Calibrate a steering angle sensor; the code is back and open."""
    fault = car.break_("steering angle sensor", echoes=("brakes",))
    comes_in(car, 60)
    mend(car, fault, cures=False, returns_after=[720])
    facts: Facts = {"fixed": here(car), "on": day(car)}
    comes_in(car, 860)
    return facts | {"seen": here(car), "last": day(car)}


def gone_unmended(car: Car) -> Facts:
    """Fit the same sensor four times; it comes back, and then goes though nobody worked on it."""
    valve = car.break_("EGR flow")
    comes_in(car, 90)
    mend(car, valve, action="replace")
    fault = car.break_("wheel speed sensor rear left", echoes=("steering",))
    comes_in(car, 120)
    facts: Facts = {"first": day(car)}
    for drives in (1450, 1400, 1350, 1900):
        mend(car, fault, cures=False, returns_after=[drives - 150])
        comes_in(car, drives)
    facts |= {"seen": here(car), "seen_on": day(car)}
    car.memory.heal(fault, car.warmups)  # the plug behind the sensor dried
    for sign in fault.signs:
        car.memory.entries[sign].expires_km = car.km + 400
    comes_in(car, 1600, "routine")
    return facts | {"gone": here(car), "gone_on": day(car)}


def unnamed_order(car: Car) -> Facts:
    """Cure a misfire by an order that names no code; a leak is only erased with it."""
    misfire, leak = car.break_("misfire 3"), car.break_("purge valve")
    comes_in(car, 120)
    car.pause(60)
    line = car.line(PLUG, "cylinder 3", "replace", "Norvandel")
    car.order([line], labour=25.0, notes="spark plug of cylinder 3 replaced, was cracked")
    car.truth(misfire, "repair", cured=True, site=car.vehicle.site)
    car.memory.heal(misfire, car.warmups)
    wipe(car, leak, returns_after=[640])
    facts: Facts = {"on": day(car), "fixed": here(car)}
    comes_in(car, 830)
    facts |= {"seen": here(car)}
    mend(car, leak, post=False)
    services(car, END, 2600)
    return facts


STORIES = (
    Story("held", "M-101", "A fix that held", "2025-03-10", held,
          "C0034-13 in the brakes, wheel speed sensor front right. Sensor replaced and cleared on "
          "{on} at {fixed:,} km; every later scan read the brakes, the last at {last:,} km.",
          "held", ("wheel speed sensor",)),
    Story("came_back", "P-201", "A fix that came back in about 400 km", "2025-09-08", came_back,
          "P0302, cylinder 2. Coil replaced on {on} at {fixed:,} km; at {seen:,} km the driver was "
          "back with the same code. Second repair with coil and plug.",
          "first attempt came back within 400 to 500 km; second attempt held",
          ("ignition coil",)),
    Story("never_held", "T-301", "A bare clear that never held", "2026-07-06", never_held,
          "P0401 found at {first:,} km and cleared four times with nothing repaired. Seen again "
          "each time, last on {on} at {last:,} km.",
          "four clear_only attempts, all came back; the code is open", ("EGR valve",)),
    Story("stayed", "M-110", "A code that never left", "2025-10-06", stayed,
          "P0672, glow plug 2. Plug replaced and cleared on {first} at {km:,} km, but the scan of "
          "the same visit still has the code: the wire was broken, mended on {second}.",
          "first attempt came back with stayed = true; second held", ("glow plug",)),
    Story("echo_left", "M-103", "Echoes that left with their cause", "2025-06-02", echo_left,
          "On {on} at {km:,} km C003A-13 in the brakes, U0415-86 in steering and instrument "
          "cluster. Only the sensor was replaced; all were cleared; none came back.",
          "C003A-13 primary, both U0415 consequential of it; attempt held",
          ("wheel speed sensor",)),
    Story("echo_stayed", "P-202", "An echo that stayed when its cause was gone", "2025-11-03",
          echo_stayed,
          "On {on} at {km:,} km C0037-13 in the brakes, U0415-86 in steering and instrument "
          "cluster. The sensor was replaced; the cluster's U0415 is still there in the scan "
          "after the clear, outlives another clear, and is open on {last}.",
          "brakes held; the cluster's U0415-86 stands_alone and is on the worklist",
          ("wheel speed sensor", "instrument cluster")),
    Story("fitted_for_an_echo", "P-203", "A part fitted for an echo", "2025-12-01",
          fitted_for_an_echo,
          "Engine and steering alone were read; U0415-86 in the steering led to a new steering "
          "angle sensor on {on} ({cost:.2f} EUR). On {seen} a full scan found C0031-13 in the "
          "brakes behind it; with the wheel speed sensor all of it left.",
          "the repair aimed at U0415-86 came back and is shown as work on an echo",
          ("wheel speed sensor", "steering angle sensor")),
    Story("on_watch", "M-106", "A fresh repair on watch", "2026-09-28", on_watch,
          "P0133, oxygen sensor replaced on {on} at {fixed:,} km, one clean scan at {last:,} km.",
          "on watch, with the km still to go", ("oxygen sensor",)),
    Story("related", "P-209", "A come-back under another code of the family", "2026-08-31", related,
          "C0031-13, wheel speed sensor front left, replaced on {on} at {fixed:,} km; clean at "
          "about 900 km, then C0031-2F, signal erratic, at {seen:,} km, open on {last}.",
          "came back as a related code of the same family", ("wheel speed sensor",)),
    Story("fitted_twice", "P-211", "One part fitted twice for one fault", "2025-08-04",
          fitted_twice,
          "P0717 in the transmission, P0700 in the engine pointing at it. Part {part} fitted on "
          "{first} and again after 700 km; on {third} the connector was dried, and it holds.",
          "two attempts came back, third held; parts that changed nothing are counted",
          ("turbine speed sensor",)),
    Story("seen_elsewhere", "P-212", "Came back, but seen at another site", "2025-10-13",
          seen_elsewhere,
          "P0299 repaired at Orrinby on {on} at {fixed:,} km; Velmarsh saw it again at {seen:,} "
          "km and repaired it.",
          "the come-back counts against Orrinby", ("charge air hose",)),
    Story("steering_back", "P-207", "A steering code that is back", "2026-09-14", steering_back,
          "C0051-54, steering angle sensor calibrated on {on} at {fixed:,} km; back with U0428-86 "
          "in the brakes at {seen:,} km on {last}, open.",
          "came back; steering caution; U0428-86 is its echo", ("steering angle sensor",)),
    Story("gone_unmended", "M-111", "Back, then gone without work", "2026-05-18", gone_unmended,
          "C0037-13, wheel speed sensor rear left: the sensor was replaced four times from {first} "
          "on. The code was back on {seen_on} at {seen:,} km, with U0415-86 in the steering; on "
          "{gone_on} at {gone:,} km both were gone, though nothing had been done and nothing "
          "cleared. (A new EGR valve just before is another matter.)",
          "four attempts came back; on the list of scans, because gone is not mended"),
    Story("unnamed_order", "H-404", "An order that names no code", "2025-06-09", unnamed_order,
          "P0303, cylinder 3, and P0442 were there on {on} at {fixed:,} km. The order names no "
          "code, only the spark plug of cylinder 3; all was erased. P0442 was back at {seen:,} "
          "km, P0303 never.",
          "the order is the repair of P0303, which held: a spark plug may cure a misfire "
          "(`config/cures.csv`); P0442 was erased beside it and came back",
          ("ignition coil", "spark plug", "purge valve")),
)  # fmt: skip
