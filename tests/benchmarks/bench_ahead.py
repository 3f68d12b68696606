"""What the five questions ahead of a fault cost, at two sizes, beside the verdicts they rest on.

    python -m tests.benchmarks.bench_ahead [attempts]

What cured it, orders that name no code, what is coming, what is new, did it help; the fleet is that
of ``bench_findings``: a vehicle for every ten attempts.  Held against judging the same attempts,
and against one gaps-and-islands query over their sightings, both in this process.  What
orders show of which work is for which codes is counted before; those that name no code are linked
while histories are built: here the statement that does it runs by itself, with
every second order bare of codes and naming a part that may cure what was there.
The goal: all five under 60 s on two processors and in 2 GB at 1 M attempts and 100,000 vehicles.
It is met or missed by the clock alone, so only a run with nothing beside it can say that it is
missed.  Where other work goes on, processor seconds tell more: with nothing beside them the clock
shows fewer, since database and frames use both processors.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from math import log
from pathlib import Path
from typing import Final

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.config import shipped
from afterclear.findings.common.vehicle_traits import put_traits
from afterclear.findings.cures.find_cures import find_cures
from afterclear.findings.cures.order_links import learn_links
from afterclear.findings.forecast.find_forecast import find_forecast
from afterclear.findings.interventions.find_interventions import find_interventions
from afterclear.findings.interventions.read_interventions import Change
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.rising.find_emerging import find_emerging
from afterclear.findings.verdicts import Judged, judge_attempts
from afterclear.histories.build_histories import set_rules
from afterclear.histories.catalogue_tables import put_cures
from afterclear.store.engine.database import Connection, open_store
from tests.benchmarks.bench_findings import LAST_DAY, write_histories
from tests.benchmarks.islands import ISLANDS
from tests.benchmarks.measuring import Cost, Watch, cost_of, machine
from tests.histories.story import RULES

GOAL_S, GOAL_MB = 60.0, 2000.0
_FIVE: Final = ("cures", "bare orders", "order links", "forecast", "emerging", "interventions")
_ALL: Final = ("components", "makes", "models", "vehicles", "part_numbers", "brands")
_CHANGES: Final = tuple(
    Change(
        name=measures,
        first_day=date(2024, 1, 1),
        last_day=None,
        measures=measures,
        before_days=None,
        sites=tuple(f"site {n}" for n in range(20)),
        first_year=None,
        last_year=None,
        **dict.fromkeys(_ALL, ()),
    )
    for measures in ("failing_fixes", "new_faults")
)
# a bare order names a part that may cure the misfire of its vehicle, or one that cures nothing
_BARE_ORDERS: Final = """
CREATE TEMP TABLE jobs AS
SELECT dense_rank() OVER (ORDER BY vehicle_id) AS vehicle_no, attempt_id AS repair_id,
    attempted_at AS repaired_at, family, hash(attempt_id) % 2 = 0 AS is_bare
FROM store.attempts;
CREATE TEMP TABLE part_facts AS
SELECT vehicle_no, repair_id, is_bare AS has_no_code,
    ['ignition_coil:cylinder_2', 'air_flow_sensor', 'wiper'][
        (hash(repair_id) % 3)::INTEGER + 1] AS family
FROM jobs;
CREATE TEMP TABLE episodes AS
SELECT row_number() OVER () AS fault_no, vehicle_no, family,
    repaired_at - INTERVAL 60 DAY AS first_seen_at, repaired_at AS ended_high_at
FROM jobs;
CREATE TEMP TABLE aimed_by_code AS
SELECT fault_no, vehicle_no, repair_id FROM jobs
JOIN (SELECT fault_no, vehicle_no, ended_high_at AS repaired_at FROM episodes)
    USING (vehicle_no, repaired_at)
WHERE NOT is_bare;
CREATE TEMP TABLE aimed_by_part AS FROM aimed_by_code LIMIT 0;
"""
_SQL: Final = files("afterclear.histories") / "sql"
# what links them, by file and name
_LINKS: Final = (
    ("35_sightings.sql", "MACRO places_agree"),
    ("70_attempts.sql", "MACRO was_alive"),
    ("70_attempts.sql", "TABLE aimed_by_cure"),
)


@dataclass(frozen=True, slots=True)
class Timing:
    """Cost of each part at one size, the two baselines first."""

    attempts: int
    costs: dict[str, Cost]

    @property
    def five(self) -> Cost:
        """Give the five together, with the highest of their peaks."""
        own = [self.costs[name] for name in _FIVE]
        return Cost(
            sum(cost.seconds for cost in own),
            sum(cost.cpu_s for cost in own),
            max(cost.peak_mb for cost in own),
        )


def measure(n_attempts: int, catalogue: Catalogue) -> Timing:
    """Time one size."""
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "s.duckdb") as con:
        write_histories(con, n_attempts)
        set_rules(con, RULES)
        return Timing(n_attempts, _costs(con, catalogue))


def _costs(con: Connection, catalogue: Catalogue) -> dict[str, Cost]:
    watch = Watch()
    judged = judge_attempts(con, 0.05).judged
    costs = {"judging": watch.cost(), "bare islands": _islands(con)}
    put_traits(con, LAST_DAY)
    put_order_parts(con, catalogue, {})
    costs["order links"] = cost_of(lambda: learn_links(con, catalogue, LAST_DAY))
    costs |= {name: cost_of(work) for name, work in _work(con, catalogue, judged).items()}
    return costs | {"bare orders": _bare_orders(con, catalogue)}


def _work(
    con: Connection, catalogue: Catalogue, judged: Judged | None
) -> dict[str, Callable[[], object]]:
    return {
        "cures": lambda: find_cures(con, catalogue, judged),
        "interventions": lambda: find_interventions(con, _CHANGES, judged, LAST_DAY, "UTC"),
        "emerging": lambda: find_emerging(con, catalogue, LAST_DAY),
        "forecast": lambda: find_forecast(con, catalogue, LAST_DAY),
    }


def _islands(con: Connection) -> Cost:
    con.execute(
        "CREATE TEMP VIEW scans AS "
        "SELECT vehicle_id, ecu, code, seen_at AS scanned_at FROM store.sightings"
    )
    cost = cost_of(lambda: con.execute(f"CREATE TEMP TABLE islands AS {ISLANDS}"))
    con.execute("DROP TABLE islands")
    return cost


def _bare_orders(con: Connection, catalogue: Catalogue) -> Cost:
    """Link orders that name no code: the one statement of the histories."""
    con.script(_BARE_ORDERS)
    put_cures(con, catalogue)
    *macros, linked = (_statement(*link) for link in _LINKS)
    for macro in macros:
        con.execute(macro)
    return cost_of(lambda: con.execute(linked))


def _statement(name: str, made: str) -> str:
    """Find a statement of the histories by what it makes."""
    written = (_SQL / name).read_text(encoding="utf-8")
    found = re.search(rf"CREATE OR REPLACE TEMP {made}\b.*?;", written, re.DOTALL)
    if found is None:
        raise SystemExit(f"{name} makes no {made}: name here what links bare orders now")
    return found[0]


def main() -> None:
    """Print the table."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    catalogue = Catalogue.load(shipped("config"))
    small, large = (measure(n, catalogue) for n in (most // 4, most))
    grown = log(large.attempts / small.attempts)
    print(machine())
    sizes = "".join(f"{each.attempts:>38,}" for each in (small, large))
    print(f"{'attempts':<14}{sizes}  growth")
    for name in (*large.costs, "all five"):
        few, many = (
            each.five if name == "all five" else each.costs[name] for each in (small, large)
        )
        cells = "".join(
            f"{cost.seconds:>8.1f} s {cost.cpu_s:>6.1f} cpu s {cost.peak_mb:>6.0f} MB"
            f" {cost.cpu_s / base.cpu_s:>5.2f}x"
            for cost, base in ((few, small.costs["judging"]), (many, large.costs["judging"]))
        )
        print(f"{name:<14}{cells}  {log(many.cpu_s / few.cpu_s) / grown:.2f}")
    five = large.five
    is_met = five.seconds < GOAL_S and five.peak_mb < GOAL_MB
    print(
        f"goal of {GOAL_S:.0f} s on the clock and {GOAL_MB:.0f} MB: {'met' if is_met else 'missed'}"
    )


if __name__ == "__main__":
    main()
