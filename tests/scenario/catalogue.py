"""What can go wrong on the invented models, what it sets, and what is fitted against it.

Codes come from the generic ranges of SAE J2012 and from SAE J1939 where they exist; their texts
are our own words.  Rates are chosen for a lively sample, they are nobody's field data.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Sign:
    """A code as one control unit stores it."""

    ecu: str
    code: str  # five characters, ``SPN n FMI m``, or ``make:number``
    words: str
    failure_type: str = ""  # two hex digits of SAE J2012, empty: none is told


@dataclass(frozen=True, slots=True)
class Part:
    """A kind of part."""

    family: str
    number: int  # the same core number in every brand's own spelling
    price: float
    brands: tuple[str, ...] = ("Norvandel", "Tyllisor")


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that can break, with the codes it sets."""

    name: str
    sign: Sign
    part: Part
    per_100k_km: float  # onsets per vehicle
    labour: float
    position: str = ""
    actions: tuple[str, ...] = ("replace",)
    lamp: str = ""  # warning lamp, empty: none
    monitor: str = ""  # readiness monitor that finds it, empty: checked all the time
    hard: bool = False  # there again at once after a clear, as an open circuit is
    transient_share: float = 0.25  # of onsets: gone for good once cleared
    echoes: tuple[tuple[Sign, float], ...] = ()  # codes it sets elsewhere, with probability


@dataclass(frozen=True, slots=True)
class Model:
    """A vehicle model of an invented make."""

    make: str
    name: str
    powertrain: str
    wmi: str  # 0.. is given to no country or maker (from memory: ISO 3780 has no region 0)
    ecus: tuple[str, ...]
    faults: tuple[Fault, ...]
    monitors: tuple[str, ...] = ()
    tags: frozenset[str] = field(default_factory=frozenset)  # heavy: speaks SAE J1939


BRANDS = ("Norvandel", "Tyllisor", "Cadrowen")
BRAND_GRADE = {"Norvandel": "original", "Tyllisor": "aftermarket", "Cadrowen": "aftermarket"}
PREFIX = {"Norvandel": "NV-{:04d}", "Tyllisor": "TY {:04d}.1", "Cadrowen": "CW{:04d}"}
WEAK_BRAND = "Cadrowen"  # its wheel speed sensors die young
WEAK_LIFE_KM = (4500.0, 2.4)  # Weibull scale and shape
GOOD_LIFE_KM = (220000.0, 2.0)

SPARK_MONITORS = (
    "misfire",
    "fuel_system",
    "component",
    "catalyst",
    "evaporative",
    "oxygen_sensor",
    "oxygen_sensor_heater",
    "egr_vvt",
)
DIESEL_MONITORS = (
    "misfire",
    "fuel_system",
    "component",
    "nmhc_catalyst",
    "nox_scr",
    "boost_pressure",
    "exhaust_gas_sensor",
    "pm_filter",
    "egr_vvt",
)
# km after a clear until a monitor has run: from, to (common practice, no source)
MONITOR_KM = {
    "misfire": (2, 25),
    "fuel_system": (3, 40),
    "component": (1, 10),
    "oxygen_sensor": (25, 140),
    "oxygen_sensor_heater": (5, 60),
    "egr_vvt": (30, 160),
    "catalyst": (60, 260),
    "evaporative": (90, 420),
    "nmhc_catalyst": (60, 260),
    "nox_scr": (60, 280),
    "boost_pressure": (20, 120),
    "exhaust_gas_sensor": (25, 140),
    "pm_filter": (110, 450),
}

WHEEL_SENSOR = Part("wheel speed sensor", 4410, 46.0, BRANDS)
COIL = Part("ignition coil", 2210, 58.0)
PLUG = Part("spark plug", 2231, 11.5)
AIR_METER = Part("air mass meter", 1120, 96.0)
OXYGEN_SENSOR = Part("oxygen sensor", 1330, 88.0)
CATALYST = Part("catalytic converter", 1390, 640.0)
PURGE_VALVE = Part("purge valve", 1415, 39.0)
THERMOSTAT = Part("thermostat", 1705, 42.0)
EGR_VALVE = Part("EGR valve", 1501, 186.0)
FILTER = Part("particulate filter", 1550, 720.0)
HOSE = Part("charge air hose", 1611, 64.0)
GLOW_PLUG = Part("glow plug", 2305, 18.5)
NOX_SENSOR = Part("NOx sensor", 1342, 264.0)
TURBINE_SENSOR = Part("turbine speed sensor", 3107, 71.0)
SHIFT_UNIT = Part("valve body", 3120, 480.0)
PUMP_MOTOR = Part("ABS pump motor", 4480, 520.0)
IGNITER = Part("airbag igniter", 5102, 24.0)
ANGLE_SENSOR = Part("steering angle sensor", 4605, 118.0)
LAMP_WIRING = Part("rear lamp", 6310, 14.0)
COOLANT_PUMP = Part("inverter coolant pump", 7120, 210.0)
HV_CABLE = Part("high-voltage cable", 7105, 390.0)
BATTERY = Part("battery", 6010, 112.0)
CLUSTER = Part("instrument cluster", 6201, 410.0)
REDUCTANT_SENSOR = Part("reductant level sensor", 1362, 172.0)
BOOST_SENSOR = Part("boost pressure sensor", 1618, 58.0)

BRAKES_INVALID = "invalid data received from the brake control unit"


def _wheel(corner: str, code: str) -> Fault:
    """Give the fault of one wheel speed sensor, with the units that miss its signal."""
    return Fault(
        name=f"wheel speed sensor {corner}",
        sign=Sign("brakes", code, f"wheel speed sensor {corner}, open circuit", "13"),
        part=WHEEL_SENSOR,
        per_100k_km=0.27,
        labour=38.0,
        position=corner,
        lamp="abs",
        hard=False,
        transient_share=0.1,
        echoes=(
            (Sign("steering", "U0415", BRAKES_INVALID, "86"), 0.4),
            (Sign("instrument cluster", "U0415", BRAKES_INVALID, "86"), 0.4),
            (Sign("transmission", "U0415", BRAKES_INVALID, "86"), 0.5),
        ),
    )


# Sensor codes by corner in the scheme of SAE J2012 (standards table 7.2)
WHEELS = (
    _wheel("front left", "C0031"),
    _wheel("front right", "C0034"),
    _wheel("rear left", "C0037"),
    _wheel("rear right", "C003A"),
)

CHASSIS = (
    Fault(
        "brake pump motor",
        Sign("brakes", "C0020", "brake pump motor, short to battery", "12"),
        PUMP_MOTOR,
        0.08,
        150.0,
        lamp="brake",
        hard=True,
    ),
    Fault(
        "driver airbag igniter",
        Sign("airbag", "B0001", "driver airbag igniter circuit, open", "13"),
        IGNITER,
        0.12,
        60.0,
        position="driver",
        actions=("repair",),
        lamp="airbag",
        hard=True,
        transient_share=0.1,
    ),
    Fault(
        "steering angle sensor",
        Sign("steering", "C0051", "steering angle sensor, calibration missing", "54"),
        ANGLE_SENSOR,
        0.12,
        45.0,
        actions=("adjust", "replace"),
        lamp="steering",
        echoes=((Sign("brakes", "U0428", "invalid data from the steering angle sensor", "86"), 1),),
    ),
    Fault(
        "rear lamp wiring left",
        Sign("body", "B1A41", "rear lamp left, circuit shorted to ground", "11"),
        LAMP_WIRING,
        0.5,
        52.0,
        position="rear left",
        actions=("repair",),
        transient_share=0.3,
    ),
)

AUTOMATIC = (
    Fault(
        "turbine speed sensor",
        Sign("transmission", "P0717", "turbine speed sensor, no signal"),
        TURBINE_SENSOR,
        0.45,
        110.0,
        lamp="mil",
        echoes=((Sign("engine", "P0700", "transmission asks for the engine lamp"), 0.8),),
    ),
    Fault(
        "converter clutch",
        Sign("transmission", "P0741", "converter clutch stuck off"),
        SHIFT_UNIT,
        0.2,
        190.0,
        actions=("software", "replace"),
        lamp="mil",
        echoes=((Sign("engine", "P0700", "transmission asks for the engine lamp"), 0.8),),
    ),
)


def _engine(  # noqa: PLR0913 - one row of the table below
    name: str, code: str, words: str, part: Part, rate: float, labour: float,
    *, monitor: str, position: str = "", actions: tuple[str, ...] = ("replace",),
    hard: bool = False,
) -> Fault:  # fmt: skip
    return Fault(
        name, Sign("engine", code, words), part, rate, labour, position, actions, "mil", monitor,
        hard,
    )  # fmt: skip


PETROL = (
    *(
        _engine(f"misfire {n}", f"P030{n}", f"misfire, cylinder {n}", COIL, 0.4, 35.0,
                monitor="misfire", position=f"cylinder {n}")
        for n in (1, 2, 3, 4)
    ),
    _engine("lean mixture", "P0171", "mixture too lean, bank 1", AIR_METER, 0.5, 48.0,
            monitor="fuel_system", actions=("clean", "replace")),
    _engine("oxygen sensor", "P0133", "oxygen sensor slow, bank 1 before catalyst",
            OXYGEN_SENSOR, 0.6, 55.0, monitor="oxygen_sensor", position="bank 1 sensor 1"),
    _engine("catalyst", "P0420", "catalyst efficiency too low, bank 1", CATALYST, 0.4, 120.0,
            monitor="catalyst"),
    _engine("purge valve", "P0442", "small leak in the fuel vapour system", PURGE_VALVE, 0.9,
            40.0, monitor="evaporative"),
    _engine("thermostat", "P0128", "coolant stays too cold", THERMOSTAT, 0.4, 62.0,
            monitor="component"),
)  # fmt: skip

DIESEL = (
    _engine("EGR flow", "P0401", "exhaust gas recirculation, flow too low", EGR_VALVE, 1.0, 90.0,
            monitor="egr_vvt", actions=("clean", "replace")),
    _engine("soot load", "P2463", "particulate filter, too much soot", FILTER, 0.7, 85.0,
            monitor="pm_filter", actions=("clean", "replace")),
    _engine("boost pressure", "P0299", "boost pressure too low", HOSE, 0.7, 58.0,
            monitor="boost_pressure"),
    *(
        _engine(f"glow plug {n}", f"P067{n}", f"glow plug circuit, cylinder {n}", GLOW_PLUG, 0.2,
                44.0, monitor="component", position=f"cylinder {n}", hard=True)
        for n in (1, 2, 3, 4)
    ),
    _engine("NOx sensor", "P2202", "NOx sensor signal too low", NOX_SENSOR, 0.6, 70.0,
            monitor="nox_scr"),
)  # fmt: skip

HYBRID = (
    Fault(
        "high-voltage isolation",
        Sign("high-voltage battery", "P0AA6", "high-voltage system, isolation too low", "1A"),
        HV_CABLE,
        0.05,
        260.0,
        lamp="high_voltage",
        hard=True,
        transient_share=0.0,
        echoes=((Sign("gateway", "U0412", "invalid data from the high-voltage battery", "86"), 1),),
    ),
    Fault(
        "inverter coolant pump",
        Sign("high-voltage battery", "P0A93", "inverter cooling too weak"),
        COOLANT_PUMP,
        0.5,
        95.0,
        lamp="high_voltage",
    ),
)


def _heavy(name: str, ecu: str, code: str, words: str, part: Part, rate: float) -> Fault:
    return Fault(name, Sign(ecu, code, words), part, rate, 105.0, lamp="amber")


_SPEED_IN_ERROR = Sign("transmission", "SPN 84 FMI 19", "vehicle speed received in error")
# SPN names from memory of SAE J1939-71; FMI words from standards table 4.4
HEAVY = (
    _heavy("boost pressure", "engine", "SPN 102 FMI 18", "boost pressure low", BOOST_SENSOR, 0.35),
    _heavy("filter pressure", "engine", "SPN 3251 FMI 16", "particulate filter differential "
           "pressure high", FILTER, 0.4),
    _heavy("NOx sensor", "engine", "SPN 3216 FMI 4", "intake NOx sensor, voltage low",
           NOX_SENSOR, 0.45),
    _heavy("reductant level", "engine", "SPN 1761 FMI 3", "reductant tank level, voltage high",
           REDUCTANT_SENSOR, 0.4),
    *(
        Fault(f"wheel speed sensor {corner}", Sign("brakes", f"SPN {spn} FMI 8",
              f"wheel speed sensor {corner}, frequency abnormal"), WHEEL_SENSOR, 0.12, 60.0,
              corner, lamp="abs", echoes=((_SPEED_IN_ERROR, 0.6),))
        for corner, spn in (("front left", 789), ("front right", 790), ("rear left", 791),
                            ("rear right", 792))
    ),
)  # fmt: skip

_VAN_ECUS = ("engine", "brakes", "airbag", "body", "gateway", "steering", "instrument cluster")
_AUTO_ECUS = ("engine", "transmission", *_VAN_ECUS[1:])

MODELS = {
    "Pellick": Model("Tarrovane", "Pellick 1.2", "petrol", "0TV", _VAN_ECUS,
                     (*PETROL, *WHEELS, *CHASSIS), SPARK_MONITORS),
    "Lodderan": Model("Tarrovane", "Lodderan 35", "diesel", "0TL", _AUTO_ECUS,
                      (*DIESEL, *AUTOMATIC, *WHEELS, *CHASSIS), DIESEL_MONITORS),
    "Mereska": Model("Ulmerand", "Mereska Hybrid", "hybrid", "0UM",
                     ("engine", "high-voltage battery", *_VAN_ECUS[1:]),
                     (*PETROL, *HYBRID, *WHEELS, *CHASSIS), SPARK_MONITORS),
    "Finnoway": Model("Quaymar", "Finnoway 1.4", "petrol", "0FN", _AUTO_ECUS,
                      (*PETROL, *AUTOMATIC, *WHEELS, *CHASSIS), SPARK_MONITORS),
    "Stoorn": Model("Skelvorn", "Stoorn 18", "diesel", "0SK",
                    ("engine", "transmission", "brakes", "body", "instrument cluster"),
                    HEAVY, (), frozenset({"heavy"})),
}  # fmt: skip


def fault_of(model: Model, name: str) -> Fault:
    """Give the model's fault of that name."""
    return next(fault for fault in model.faults if fault.name == name)
