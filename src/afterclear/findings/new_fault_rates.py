"""How often new faults begin, from the first episodes in the store."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from afterclear.catalogue.component import component_of
from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.causes.new_faults import (
    FirstEpisodes,
    NewFaults,
    UnitExposure,
    new_faults,
)
from afterclear.store.engine.database import Connection, query

# A kind of unit is a unit's name on one engine kind, as for recurring codes: electric cars in a
# fleet do not make misfires rare.
_UNITS = """
    SELECT w.vehicle_id, w.ecu, w.km, coalesce(v.powertrain, '') AS engine
    FROM store.watched w LEFT JOIN store.vehicles v USING (vehicle_id)
    ORDER BY w.vehicle_id, w.ecu"""
# A family can begin on every unit of the kinds that ever showed it.
_RISKS = """
    SELECT DISTINCT e.family, e.ecu, coalesce(v.powertrain, '') AS engine
    FROM store.episodes e LEFT JOIN store.vehicles v USING (vehicle_id)
    ORDER BY ALL"""
_FIRSTS = """
    SELECT vehicle_id, ecu, family, before_km, gap_km FROM store.onsets
    ORDER BY vehicle_id, ecu, family"""


@dataclass(frozen=True, slots=True)
class Rates:
    """Rates of new faults by the names of families and vehicles."""

    families: dict[str, int]
    vehicles: dict[str, int]
    found: NewFaults

    def per_km(self, family: pl.Series, vehicle: pl.Series) -> FloatArray:
        """Rate of each family on each vehicle, shape (n,); the average where one is not known."""
        by_family = np.append(self.found.per_km, self.found.per_km.mean())
        by_vehicle = np.append(self.found.vehicle, 1.0)
        rate: FloatArray = (
            by_family[_numbered(family, self.families)]
            * by_vehicle[_numbered(vehicle, self.vehicles)]
        )
        return rate

    def log_sd(self, family: pl.Series) -> FloatArray:
        """Return the standard deviation of the ln of each family's rate, shape (n,)."""
        by_family = np.append(self.found.log_sd, self.found.log_sd.max(initial=0.0))
        found: FloatArray = by_family[_numbered(family, self.families)]
        return found


def new_fault_rates(con: Connection, families: list[str]) -> Rates:
    """Fit the rates of all families ever seen, ``families`` among them."""
    units, risks, firsts = (query(con, sql) for sql in (_UNITS, _RISKS, _FIRSTS))
    vehicles = {name: i for i, name in enumerate(units["vehicle_id"].unique(maintain_order=True))}
    names = sorted({*risks["family"], *families})
    numbers = {name: i for i, name in enumerate(names)}
    units = units.with_row_index("unit")
    sorts = pl.concat([units.select("ecu", "engine"), risks.select("ecu", "engine")]).unique()
    sorts = sorts.sort("ecu", "engine").with_row_index("sort")
    of_unit, of_risk = (
        frame.join(sorts, on=["ecu", "engine"], how="left", maintain_order="left")["sort"]
        for frame in (units, risks)
    )
    known = firsts.join(units.select("unit", "vehicle_id", "ecu"), on=["vehicle_id", "ecu"])
    known = known.sort("unit", "family")
    found = new_faults(
        UnitExposure(
            _numbered(units["vehicle_id"], vehicles),
            of_unit.to_numpy().astype(np.int64),
            units["km"].to_numpy(),
            _numbered(risks["family"], numbers),
            of_risk.to_numpy().astype(np.int64),
        ),
        FirstEpisodes(
            known["unit"].to_numpy().astype(np.int64),
            _numbered(known["family"], numbers),
            known["before_km"].to_numpy(),
            known["gap_km"].fill_null(np.nan).to_numpy(),
        ),
        _components(names),
        len(vehicles),
    )
    return Rates(numbers, vehicles, found)


def _components(families: list[str]) -> IntArray:
    names = [component_of(family) for family in families]
    numbers = {name: i for i, name in enumerate(dict.fromkeys(names))}
    return np.array([numbers[name] for name in names], dtype=np.int64)


def _numbered(names: pl.Series, numbers: dict[str, int]) -> IntArray:
    """Index of each name; -1: not in the list."""
    place = names.replace_strict(
        list(numbers), list(numbers.values()), default=-1, return_dtype=pl.Int64
    )
    return place.to_numpy().astype(np.int64)
