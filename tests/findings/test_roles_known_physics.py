"""Roles where physics names the cause: misfire and catalyst, low voltage and silent units.

The fleet is invented and holds what must not be taken for such a cause as well: catalysts that
wear by themselves, units that fall silent by their wiring, voltage codes without any echo.
"""

from collections import Counter, defaultdict
from pathlib import Path
from typing import Final

import polars as pl
import pytest

from afterclear.findings.roles.find_roles import find_roles
from afterclear.findings.verdicts import judge_attempts
from afterclear.store.engine.database import query
from tests.findings.fleet_of_causes import Cause, Echo, Fleet, Plan, told_roles
from tests.findings.test_roles_fleet import UNITS, told
from tests.histories.story import CATALOGUE, Story
from tests.histories.story import told as told_stories

BAD_DATA: Final = "implausible data from the {} control unit"


def _harm(cylinder: int) -> Cause:
    """Give a misfire that harms the catalyst in half of all cases, seldom by its first scan."""
    bank = ("P0420", "P2428") if cylinder <= 2 else ("P0430", "P2429")
    return Cause(f"misfire {cylinder}", ("engine", f"P030{cylinder}"), 0.03, (
        Echo(("engine", bank[0]), 0.5, 1500, lasts=True), Echo(("engine", bank[1]), 0.15),
    ))  # fmt: skip


CAUSES: Final = (
    *(_harm(cylinder) for cylinder in (1, 2, 3, 4)),
    Cause("worn catalyst", ("engine", "P0420"), 0.02),
    Cause("battery", ("engine", "P0562"), 0.06, (
        Echo(("steering", "U0121"), 0.4), Echo(("instrument cluster", "U0100"), 0.4),
        Echo(("airbag", "U0140"), 0.3), Echo(("body", "U0415"), 0.3),
        Echo(("gateway", "acme:9101"), 0.3, text=BAD_DATA.format("brake")),
        Echo(("brakes", "U3003-16"), 0.3), Echo(("transmission", "U3003-16"), 0.2),
    )),
    Cause("one unit's supply", ("brakes", "U3006-16"), 0.05, (
        Echo(("steering", "U0121"), 0.9), Echo(("instrument cluster", "U0121"), 0.5),
    )),
    Cause("voltage alone", ("body", "P0562"), 0.02),
    Cause("brake wiring", None, 0.03, (
        Echo(("steering", "U0121"), 0.9), Echo(("engine", "U0121"), 0.6),
    )),
    Cause("gateway wiring", None, 0.02, (Echo(("instrument cluster", "U0146"), 1.0),)),
    Cause("wheel", ("brakes", "C0034-13"), 0.05, (
        Echo(("steering", "U0415-86"), 0.6), Echo(("engine", "P0500"), 0.5),
    )),
    Cause("turbine", ("transmission", "P0717"), 0.04, (Echo(("engine", "P0700"), 0.9),)),
    Cause("pump", ("brakes", "C0020-12"), 0.03),
    Cause("igniter", ("airbag", "B0001-13"), 0.03),
    Cause("thermostat", ("engine", "P0128"), 0.05),
)  # fmt: skip


def fleet_plan(seed: int, n_vehicles: int = 100) -> Plan:
    """Plan the fleet of known physics."""
    coverage = {"brakes": 0.9, "steering": 0.9, "body": 0.9}
    return Plan(CAUSES, UNITS, n_vehicles=n_vehicles, coverage=coverage, seed=seed)


# codes named a wrong cause where these rules were not yet known, by seed: measured, to compare with
FALSE_BEFORE: Final = {1: 63, 2: 37, 3: 24}


def counted(fleet: Fleet, roles: pl.DataFrame) -> dict[str, Counter[str]]:
    """Count codes, right roles, named causes and false causes: by role, by cause and code."""
    rows = told_roles(roles.to_dicts())
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for truth in fleet.truths:
        row = rows[truth.scan_id, truth.place]
        named = (row["primary_ecu"], row["primary_code"])
        for key in (truth.role, f"{truth.cause} > {truth.place[1]}", "all"):
            n = found[key]
            n["codes"] += 1
            n["right"] += row["role"] == truth.role
            n["to name"] += truth.primary is not None
            n["named"] += truth.primary is not None and named == truth.primary
            n["false cause"] += row["primary_code"] is not None and named != truth.primary
    return found


def table(found: dict[str, Counter[str]]) -> str:
    """Show the counts, a line a key."""
    lines = [f"\n{'':34}{'codes':>6}{'right':>7}{'named':>7}{'false':>6}"]
    for key, n in sorted(found.items()):
        named = n["named"] / n["to name"] if n["to name"] else float("nan")
        right = n["right"] / n["codes"]
        lines.append(f"{key:34}{n['codes']:6}{right:7.2f}{named:7.2f}{n['false cause']:6}")
    return "\n".join(lines)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_known_physics_names_nine_of_ten_causes_and_fewer_false_ones(
    tmp_path: Path, seed: int
) -> None:
    """By rules that knew nothing of harm, or of one silent unit, two of three were named."""
    fleet, roles, _ = told(tmp_path, fleet_plan(seed))
    found = counted(fleet, roles)
    print(table(found))
    for role in ("primary", "consequential", "stands_alone"):
        assert found[role]["right"] >= 0.9 * found[role]["codes"], role
    assert found["all"]["named"] >= 0.9 * found["all"]["to name"]
    assert found["all"]["false cause"] <= FALSE_BEFORE[seed]
    # a cylinder has as few as four such codes in a fleet: too few for a share of its own
    harms = [
        found[f"misfire {cylinder} > {code}"]
        for cylinder, code in ((1, "P0420"), (2, "P0420"), (3, "P0430"), (4, "P0430"))
    ]
    assert all(harm["named"] > 0.5 * harm["to name"] > 0 for harm in harms)
    harmed = sum(harms, Counter[str]())
    assert harmed["named"] >= 0.9 * harmed["to name"]


def test_a_catalyst_seen_failing_before_the_misfire_stands_alone_in_later_scans(
    tmp_path: Path,
) -> None:
    worn = Story("V1").scan(0, 0, engine=[]).scan(10, 1000, engine=["P0420"])
    worn.scan(20, 2000, engine=["P0420", "P0301"])
    harmed = Story("V2").scan(0, 0, engine=[]).scan(10, 1000, engine=["P0301"])
    harmed.scan(20, 2000, engine=["P0420", "P0301"])
    with told_stories(tmp_path, worn, harmed) as con:
        judge_attempts(con, 0.05)
        find_roles(con, CATALOGUE)
        rows = query(con, "FROM roles WHERE code = 'P0420' ORDER BY vehicle_id, seen_at")
    assert rows["role"].to_list() == ["stands_alone", "stands_alone", "consequential"]
