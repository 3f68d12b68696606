"""The laws of invented fleets: what faults do, how vehicles differ, what workshops and scans do.

Every law is a switch of ``Laws``; those at the end are laws the model does not assume.  Fault by
fault figures are drawn around plausible middles by the fleet's seed, so that nothing can be tuned
to one sample.  All numbers are invented.
"""

from dataclasses import dataclass, field, replace

import numpy as np

# code, family as the catalogue names it, control unit, km without which silence tells nothing
CODES = (
    ("P0301", "misfire:cylinder_1", "engine", 50.0),
    ("P0302", "misfire:cylinder_2", "engine", 50.0),
    ("P0171", "fuel_mixture:bank_1", "engine", 100.0),
    ("P0420", "catalyst:bank_1", "engine", 300.0),
    ("P0401", "egr_valve", "engine", 150.0),
    ("P0128", "thermostat", "engine", 100.0),
    ("P0299", "turbocharger", "engine", 100.0),
    ("C0031", "wheel_speed_sensor:front_left", "brakes", 30.0),
    ("C0034", "wheel_speed_sensor:front_right", "brakes", 30.0),
    ("C0037", "wheel_speed_sensor:rear_left", "brakes", 30.0),
    ("C003A", "wheel_speed_sensor:rear_right", "brakes", 30.0),
    ("P0741", "torque_converter_clutch", "transmission", 100.0),
    ("P0715", "input_speed_sensor", "transmission", 100.0),
    ("B0001", "airbag:driver", "airbag", 10.0),
    ("B0020", "side_airbag:left", "airbag", 10.0),
)
# middle odds of failing of a repair, of a bare clear, and their log sd over components; what
# multiplies them in fleets where fixes never fail, fail as usual, and always
P_REPAIR, P_CLEAR, P_SD = 0.25, 1.2, 0.6
FACTORS = (0.0, 1.0, np.inf)
UNITS = tuple(dict.fromkeys(unit for _, _, unit, _ in CODES))
BRANDS = ("Aldmoor", "Brenwick", "Cadrow", "Dunmere")


@dataclass(frozen=True)
class Fault:
    """What one fault does on an average vehicle."""

    new_per_km: float  # rate at which it begins anew
    p_repair: float  # share of repairs that fail
    p_clear: float  # share of bare clears after which it comes back
    eta_km: float  # scale of the distance at which it does
    shape: float
    life_km: float  # scale of a fitted part's life
    life_shape: float


@dataclass(frozen=True)
class Laws:
    """How a fleet lives."""

    n_vehicles: int = 400
    years: float = 4.0
    km_per_day: float = 45.0
    gap_days: float = 60.0  # mean between scans
    frailty_shape: float = 2.0  # of the gamma law by which vehicles' rates differ; inf: they don't
    rate_factor: float = 1.0
    p_factor: float = 1.0  # on the odds of failing; 0: no fix fails, inf: all do
    eta: tuple[float, float] = (1500.0, 0.5)  # median and log sd over faults
    wears: bool = True
    life: tuple[float, float] = (80_000.0, 0.4)
    life_shape: tuple[float, float] = (2.0, 3.5)
    weak_brand: str | None = "Cadrow"
    weak_factor: float = 0.3
    brands: bool = True  # orders name them
    repairs: float = 0.6  # share of faults seen that are repaired at once
    clears: float = 0.25  # share of the other ones whose unit is cleared
    service_clears: float = 0.05  # share of scans after which every unit is cleared
    stray_clears_per_year: float = 0.2  # clears without a scan
    cover: float = 0.95  # chance that a scan reads a unit
    bad_work: float = 0.0  # added to the share of repairs that fail: a bad site's
    # laws the model does not assume
    positions_differ: bool = False  # corners and cylinders of one component have laws of their own
    lognormal: bool = False  # distances of return
    chronic: float = 0.0  # share of vehicles whose fixes fail at four times the odds
    clear_eta_factor: float = 1.0
    complaints: float = 0.0  # share of faults after which the driver comes within some days
    original_wear: bool = False  # first faults are worn-out first parts, not new ones
    wear_outlives_clears: bool = True  # a part fitted before wears on after a bare clear


@dataclass(frozen=True)
class Scenario:
    """A named change of the laws."""

    name: str
    laws: Laws = field(default_factory=Laws)

    def sized(self, n_vehicles: int) -> Laws:
        return replace(self.laws, n_vehicles=n_vehicles)


def drawn_faults(rng: np.random.Generator, laws: Laws) -> list[Fault]:
    """Draw the figures of every fault."""
    by_component: dict[str, Fault] = {}
    found = []
    for _, family, _, _ in CODES:
        component = family if laws.positions_differ else family.split(":")[0]
        by_component.setdefault(component, _drawn_fault(rng, laws))
        found.append(by_component[component])
    return found


def _drawn_fault(rng: np.random.Generator, laws: Laws) -> Fault:
    odds = laws.p_factor * np.exp(rng.normal(np.log(P_REPAIR), P_SD))
    odds_clear = laws.p_factor * np.exp(rng.normal(np.log(P_CLEAR), P_SD))
    return Fault(
        new_per_km=laws.rate_factor * 1e-5 * float(np.exp(rng.normal(np.log(0.6), 0.6))),
        p_repair=_share(odds),
        p_clear=_share(odds_clear),
        eta_km=float(laws.eta[0] * np.exp(rng.normal(0, laws.eta[1]))),
        shape=float(rng.uniform(0.7, 1.5)),
        life_km=float(laws.life[0] * np.exp(rng.normal(0, laws.life[1]))),
        life_shape=float(rng.uniform(*laws.life_shape)),
    )


def _share(odds: float) -> float:
    return 1.0 if np.isinf(odds) else float(odds / (1 + odds))


SCENARIOS = tuple(
    Scenario(name, Laws(**change))
    for name, change in {
        "base": {},
        "no wear": {"wears": False},
        "short lives": {"life": (30_000.0, 0.4)},
        "heavy frailty": {"frailty_shape": 0.5},
        "late returns": {"eta": (6000.0, 0.3)},
        "twice a year": {"gap_days": 182.0},
        "monthly": {"gap_days": 25.0},
        "no fix fails": {"p_factor": 0.0},
        "every fix fails": {"p_factor": np.inf},
        "clears only": {"repairs": 0.0, "clears": 0.5},
        "no brands": {"brands": False},
        "many new faults": {"rate_factor": 3.0},
        "log-normal returns": {"lognormal": True},
        "chronic vehicles": {"chronic": 0.15},
        "clears return later": {"clear_eta_factor": 3.0},
        "complaints": {"complaints": 0.6},
        "first parts wear": {"original_wear": True},
        "corners differ": {"positions_differ": True},
        "late returns, short lives": {"eta": (4000.0, 0.3), "life": (25_000.0, 0.3)},
    }.items()
)
