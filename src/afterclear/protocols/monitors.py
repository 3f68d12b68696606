"""Names of the readiness monitors, the same for passenger cars and heavy vehicles.

The words are the project's own spelling of what SAE J1979 (PID 01) and SAE J1939-73 (DM5, DM26)
list; ``monitors_incomplete`` of the plain layout holds them, space-separated.
"""

from dataclasses import dataclass

MONITORS = (
    "misfire",
    "fuel_system",
    "component",
    "catalyst",
    "heated_catalyst",
    "evaporative",
    "secondary_air",
    "ac_refrigerant",
    "oxygen_sensor",
    "oxygen_sensor_heater",
    "egr_vvt",
    "nmhc_catalyst",
    "nox_scr",
    "boost_pressure",
    "exhaust_gas_sensor",
    "pm_filter",
    "cold_start_aid",
)


@dataclass(frozen=True, slots=True)
class Monitor:
    """One monitor's readiness.  ``complete`` means nothing where ``supported`` is false."""

    name: str
    supported: bool
    complete: bool


def incomplete_names(monitors: tuple[Monitor, ...]) -> str:
    """Spell ``monitors_incomplete``: supported and not complete, in MONITORS' order, or "none".

    >>> incomplete_names((Monitor("egr_vvt", True, False), Monitor("misfire", True, True)))
    'egr_vvt'
    """
    waiting = {m.name for m in monitors if m.supported and not m.complete}
    return " ".join(name for name in MONITORS if name in waiting) or "none"
