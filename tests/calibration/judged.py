"""Judge invented fleets as the tool does (``findings/verdicts.py``), without the store."""

import numpy as np

from afterclear.estimators.causes.cell_prior import Cells
from afterclear.estimators.causes.judging import Attempts, OlderParts, ThreeCauses, judge
from afterclear.estimators.causes.new_faults import (
    FirstEpisodes,
    NewFaults,
    UnitExposure,
    new_faults,
)
from afterclear.estimators.fix_held.pool import Levels
from tests.calibration.fleet import Fleet, Ints
from tests.calibration.laws import BRANDS, CODES, UNITS
from tests.calibration.scores import HELD_BELOW, Told

_COMPONENTS = [family.split(":")[0] for _, family, _, _ in CODES]
COMPONENT = np.unique(_COMPONENTS, return_inverse=True)[1]
UNIT = np.array([UNITS.index(unit) for _, _, unit, _ in CODES])


def background(fleet: Fleet) -> NewFaults:
    """Fit the rates of new faults from first onsets."""
    n_vehicles, n_units = fleet.watched_km.shape
    # the tool knows only of families that were ever shown
    shown = np.unique([f.fault for f in fleet.firsts]).astype(np.int64)
    units = UnitExposure(
        np.repeat(np.arange(n_vehicles), n_units),
        np.tile(np.arange(n_units), n_vehicles),
        fleet.watched_km.ravel(),
        shown,
        UNIT[shown],
    )
    firsts = [(f.vehicle * n_units + UNIT[f.fault], f.fault) for f in fleet.firsts]
    unit, family = np.array(firsts, dtype=np.int64).reshape(-1, 2).T
    km = np.array([(f.before_km, f.gap_km) for f in fleet.firsts]).reshape(-1, 2)
    return new_faults(units, FirstEpisodes(unit, family, *km.T), COMPONENT, n_vehicles)


def rates(fleet: Fleet, found: NewFaults) -> tuple[np.ndarray, np.ndarray]:
    """Rate of new faults of each attempt's family and vehicle, and the sd of its ln."""
    fault, vehicle = fleet.column("fault").astype(int), fleet.column("vehicle").astype(int)
    return found.per_km[fault] * found.vehicle[vehicle], found.log_sd[fault]


def judged(fleet: Fleet) -> ThreeCauses:
    """Judge every attempt."""
    return judge(*given(fleet), Levels(HELD_BELOW, 0.95))


def given(fleet: Fleet) -> tuple[Attempts, Cells]:
    """Give the rows and cells the model is fitted to."""
    component = COMPONENT[fleet.column("fault").astype(int)]
    repair, repeat = (fleet.column(name).astype(np.int64) for name in ("is_repair", "is_repeat"))
    stratum = 2 * repair + repeat
    brand = np.where(repair == 1, fleet.column("brand").astype(np.int64) + 1, 0)
    key = (2 * component + repair) * (len(BRANDS) + 1) + brand
    _, first, cell = np.unique(key, return_index=True, return_inverse=True)
    attempts = Attempts(
        _dense(4 * component + stratum),
        _dense(stratum),
        _dense(component),
        repair == 0,
        cell,
        fleet.column("clean_km"),
        fleet.column("back_km"),
        *rates(fleet, background(fleet)),
        _older(fleet, cell),
    )
    kind = repair[first]
    return attempts, Cells(component[first], brand[first], kind, kind == 1)


def _older(fleet: Fleet, cell: Ints) -> OlderParts:
    """Find the part each attempt left in place: the last one fitted for that fault."""
    tries = fleet.tries
    found = OlderParts.none(len(tries))
    part: dict[tuple[int, int], int] = {}
    last: dict[tuple[int, int], int] = {}
    for place in sorted(range(len(tries)), key=lambda i: tries[i].day):
        tried = tries[place]
        key = tried.vehicle, tried.fault
        if tried.is_repair:
            part[key] = place
        elif key in part:
            found.cell[place] = cell[part[key]]
            found.age_km[place] = tried.km - tries[part[key]].km
            found.before[place] = last[key]
        last[key] = place
    return found


def told(fleet: Fleet) -> Told:
    """Tell what the model says of each attempt."""
    found = judged(fleet)
    held = found.held
    return Told(held.p_not_held, held.p_same_fault, found.p_worn, held.km_to_go)


def _dense(codes: Ints) -> Ints:
    return np.unique(codes, return_inverse=True)[1]
