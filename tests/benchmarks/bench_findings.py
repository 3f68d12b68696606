"""How fast findings are made from histories, at two sizes, and how time grows with them.

    python -m tests.benchmarks.bench_findings [attempts]

Histories are written straight into the store's tables: loading and building them is timed by
``bench_fleet``, judging the attempts by ``bench_fix_held``; judging is shown here too, since
findings about sites rest on it.  A part followed for every ten attempts; 200 sites, 20 families
of parts with 20 brands each.  Elapsed seconds, and processor seconds (the database uses all
cores), which tell more where other work goes on; growth is that of processor seconds.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from math import log
from pathlib import Path
from typing import TypeVar

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.config import shipped
from afterclear.findings.all_findings import FindingRules
from afterclear.findings.common.tables import forget
from afterclear.findings.common.vehicle_traits import put_traits
from afterclear.findings.forecast.find_forecast import find_forecast
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.parts.part_lifetimes import PartRules, find_parts
from afterclear.findings.parts.part_tables import PartTables
from afterclear.findings.recurrence.recurring import find_recurring
from afterclear.findings.recurrence.worsening import find_worsening
from afterclear.findings.sites.process import find_process
from afterclear.findings.sites.quarters import find_quarters
from afterclear.findings.sites.site_ratios import compare_groups
from afterclear.findings.verdicts import judge_attempts
from afterclear.histories.build_histories import set_rules
from afterclear.store.engine.database import Connection, open_store, scalar
from tests.benchmarks.measuring import Cost, Watch
from tests.histories.story import RULES

T = TypeVar("T")

LAST_DAY = datetime(2024, 12, 31, tzinfo=UTC)  # of the histories, so that vehicles still go

ATTEMPTS_A_VEHICLE = 10
SCANS = 13
FAMILIES = (
    "wheel speed sensor", "ignition coil", "glow plug", "oxygen sensor", "EGR valve",
    "NOx sensor", "thermostat", "battery", "alternator", "water pump", "fuel pump", "starter",
    "brake pad", "shock absorber", "clutch", "injector", "turbocharger", "particulate filter",
    "catalytic converter", "air mass meter",
)  # fmt: skip

# v: vehicle, n: attempt; a fault has two attempts, at scans 2 n + 1 and so on
_HISTORIES = """
CREATE TEMP TABLE tried AS
SELECT *, s * 3000.0 AS km, TIMESTAMP '2023-01-02 08:00:00' + to_days(s * 60) AS at_,
    h % 100 < CASE WHEN site % 50 = 0 THEN 45 ELSE 18 END AS back
FROM (
    SELECT 'V' || v AS vehicle_id, v, n, n // 2 AS fault, 1 + n AS s,
        CASE WHEN n // 2 % 2 = 0 THEN 'engine' ELSE 'brakes' END AS ecu,
        hash(v, n) AS h, v % 200 AS site
    FROM range({vehicles}) a(v), range(10) b(n)
);
CREATE TEMP TABLE faults_tried AS
SELECT *, 'P' || lpad((100 + 40 * fault + hash(v, fault) % 40)::VARCHAR, 4, '0') AS code,
    ['egr_valve', 'wheel_speed_sensor:front_left', 'oxygen_sensor:bank_1_sensor_1',
     'misfire:cylinder_2', 'thermostat'][fault::INTEGER + 1] AS family
FROM tried;
INSERT INTO vehicles BY NAME
    SELECT 'V' || v AS vehicle_id, 'Make ' || v % 5 AS make, 'Model ' || v % 20 AS model,
        ['petrol', 'diesel'][v % 2 + 1] AS powertrain, 'site ' || v % 200 AS site,
        DATE '2020-01-01' + (v % 2000)::INTEGER AS in_service_on, 1 AS load_id
    FROM range({vehicles}) a(v);
INSERT INTO scan_moments BY NAME
    SELECT v * {scans} + s AS scan_no, 'V' || v AS vehicle_id, 'S' || s AS scan_id,
        TIMESTAMP '2023-01-02 07:00:00' + to_days((s * 60)::INTEGER) AS seen_at,
        s * 3000.0 + 1000 AS km, s * 3000.0 + 1000 AS km_low, s * 3000.0 + 1000 AS km_high,
        'full' AS scan_scope, 'routine' AS visit_reason, v * 2 AS first_unit_no, 1 AS pattern_no
    FROM range({vehicles}) a(v), range({scans}) b(s);
INSERT INTO known_units BY NAME
    SELECT v * 2 + u AS unit_no, 'V' || v AS vehicle_id, ['engine', 'brakes'][u + 1] AS ecu
    FROM range({vehicles}) a(v), range(2) b(u);
INSERT INTO unit_patterns
    SELECT 1, '00010001', unit_at, true, true FROM range(2) a(unit_at)
    UNION ALL SELECT 2 + unit_at, repeat('0', 4 * unit_at) || '0001', unit_at, true, true
    FROM range(2) a(unit_at);
INSERT INTO episodes BY NAME
    SELECT vehicle_id, ecu, code, family, at_ - INTERVAL 60 DAY AS onset_low_at,
        at_ - INTERVAL 1 HOUR AS onset_high_at, km - 2000 AS onset_low_km,
        km + 1000 AS onset_high_km, at_ AS last_seen_at, km + 1000 AS last_seen_km,
        'clear' AS ended_by, at_ AS ended_high_at, km + 1000 AS ended_high_km, 1 AS n_scans
    FROM faults_tried;
INSERT INTO sightings BY NAME
    SELECT vehicle_id, 'S' || s AS scan_id, ecu, code, family, at_ - INTERVAL 1 HOUR AS seen_at,
        km + 1000 AS km, 'present' AS presence, 'confirmed' AS status
    FROM faults_tried;
INSERT INTO clears_placed BY NAME
    SELECT vehicle_id, v * 2 AS first_unit_no,
        CASE ecu WHEN 'engine' THEN 2 ELSE 3 END AS pattern_no, at_ AS cleared_at,
        at_ AS low_at, at_ AS high_at, km + 1000 AS km, km + 1000 AS km_low, km + 1000 AS km_high,
        'recorded' AS origin
    FROM faults_tried;
INSERT INTO attempts BY NAME
    SELECT 'A' || v || '-' || n AS attempt_id, vehicle_id, ecu, code, family,
        CASE WHEN h % 7 = 0 THEN 'clear_only' ELSE 'repair' END AS kind,
        (n % 2 + 1)::INTEGER AS attempt_no, n % 2 = 1 AND h % 3 = 0 AS is_repeat,
        CASE WHEN h % 7 > 0 THEN 'R' || n END AS repair_id, 'site ' || site AS site,
        'technician ' || hash(v, n, 1) % 6 AS technician, at_ AS attempted_at,
        km + 1000 AS attempted_km,
        CASE WHEN back THEN 0 ELSE ({scans} - 1 - s) * 3000 END AS clean_km,
        CASE WHEN back THEN 0 ELSE ({scans} - 1 - s) * 60 END AS clean_days,
        back AS returned, false AS stayed, CASE WHEN back THEN 3000 END AS unwatched_km,
        CASE WHEN back THEN at_ + INTERVAL 60 DAY END AS returned_at,
        CASE WHEN back THEN 1 ELSE {scans} - 1 - s END AS scans_used
    FROM faults_tried;
INSERT INTO repairs BY NAME
    SELECT 'R' || n AS repair_id, vehicle_id, at_ AS repaired_at, km + 1000 AS odometer_km,
        'site ' || site AS site, code AS codes,
        CASE WHEN fits THEN 'replace' ELSE 'repair' END AS action,
        CASE WHEN fits THEN 'PN-' || h % 20 || '-' || v % 20 END AS part_number,
        CASE WHEN fits THEN 'Brand ' || h % 20 END AS part_brand,
        CASE WHEN fits THEN ['original', 'aftermarket'][(h % 2)::INTEGER + 1] END AS part_grade,
        CASE WHEN fits THEN getvariable('families')[v % 20 + 1] END AS part_family,
        CASE WHEN fits THEN ['front left', 'front right'][(h % 2)::INTEGER + 1] END AS position,
        50.0 AS part_cost, 80.0 AS labour_cost, 'EUR' AS currency,
        CASE WHEN h % 5 = 0 THEN 'preventive' ELSE 'failure' END AS removal_reason, 1 AS load_id
    FROM (SELECT *, n = 3 AND v % 9 < 4 AS fits FROM faults_tried) WHERE h % 7 > 0 OR fits;
INSERT INTO other_moments BY NAME
    SELECT vehicle_id, repaired_at AS happened_at, 'repair' AS origin, repair_id AS origin_id,
        odometer_km AS km, odometer_km AS km_low, odometer_km AS km_high
    FROM repairs;
INSERT INTO onsets BY NAME
    SELECT vehicle_id, ecu, family, 3000.0 * n AS before_km, 3000.0 AS gap_km
    FROM faults_tried WHERE n % 2 = 0;
INSERT INTO watched BY NAME
    SELECT 'V' || v AS vehicle_id, unnest(['engine', 'brakes']) AS ecu, 36000.0 AS km
    FROM range({vehicles}) a(v);
"""
# a second part in the same place for half of the vehicles, so that there are lives that ended
_SECOND_PARTS = """
INSERT INTO repairs BY NAME
    SELECT * REPLACE ('Z' || repair_id AS repair_id, odometer_km + (2000 + hash(vehicle_id) % 9000)
        AS odometer_km, repaired_at + INTERVAL 90 DAY AS repaired_at, NULL AS codes)
    FROM repairs WHERE action = 'replace' AND hash(vehicle_id, 7) % 2 = 0;
INSERT INTO other_moments BY NAME
    SELECT vehicle_id, repaired_at AS happened_at, 'repair' AS origin, repair_id AS origin_id,
        odometer_km AS km, odometer_km AS km_low, odometer_km AS km_high
    FROM repairs WHERE repair_id LIKE 'Z%';
"""


@dataclass(frozen=True, slots=True)
class Timing:
    """Cost of each part at one size."""

    attempts: int
    lifetimes: int
    costs: dict[str, Cost]


def write_histories(con: Connection, n_attempts: int) -> None:
    """Fill the history tables of a fleet."""
    vehicles = n_attempts // ATTEMPTS_A_VEHICLE
    con.execute("SET VARIABLE families = ?", [list(FAMILIES)])
    con.script(_HISTORIES.format(vehicles=vehicles, scans=SCANS))
    con.script(_SECOND_PARTS)
    forget(con, ("tried", "faults_tried"))  # no store has them: their memory is not the tool's


def measure(n_attempts: int, catalogue: Catalogue) -> Timing:
    """Time one size."""
    costs: dict[str, Cost] = {}

    def timed(name: str, work: Callable[[], T]) -> T:
        watch = Watch()
        result = work()
        costs[name] = watch.cost()
        return result

    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "s.duckdb") as con:
        write_histories(con, n_attempts)
        set_rules(con, RULES)
        rules = FindingRules(
            catalogue,
            PartTables({}, {}, {}),
            PartRules(5000, unknown_reason_is_failure=True),
            datetime(2026, 1, 1, tzinfo=UTC),
        )
        judged = timed("judging", lambda: judge_attempts(con, 0.05)).judged
        timed("traits", lambda: put_traits(con, rules.as_of))
        timed("orders", lambda: put_order_parts(con, catalogue, {}))
        timed("recurring", lambda: find_recurring(con, catalogue))
        timed("worsening", lambda: find_worsening(con))
        timed("parts", lambda: find_parts(con, rules.tables, rules.parts))
        timed("sites", lambda: find_quarters(con, compare_groups(con, judged)))
        timed("process", lambda: find_process(con))
        timed("forecast", lambda: find_forecast(con, catalogue, LAST_DAY))
        lifetimes = scalar(con, "SELECT count(*) FROM claims")
    return Timing(n_attempts, lifetimes, costs)


def main() -> None:
    """Print the table."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    catalogue = Catalogue.load(shipped("config"))
    timings = [measure(n, catalogue) for n in (most // 4, most)]
    names = list(timings[0].costs)
    head = " ".join(f"{name:>9}" for name in names)
    print(f" attempts    lives {head}   findings")
    for t in timings:
        for kind, of in (("elapsed s", _seconds), ("processor s", _processor)):
            told = {name: of(cost) for name, cost in t.costs.items()}
            parts = " ".join(f"{told[name]:>9.1f}" for name in names)
            findings = sum(s for name, s in told.items() if name != "judging")
            print(f"{t.attempts:>9,} {t.lifetimes:>8,} {parts} {findings:>10.1f}  {kind}")
        peaks = " ".join(f"{t.costs[name].peak_mb:>9.0f}" for name in names)
        print(f"{t.attempts:>9,} {t.lifetimes:>8,} {peaks} {'':>10}  peak MB")
    small, large = timings
    grown = log(large.attempts / small.attempts)
    growth = {
        name: log(large.costs[name].cpu_s / small.costs[name].cpu_s) / grown for name in names
    }
    print("growth exponents:", ", ".join(f"{name} {value:.2f}" for name, value in growth.items()))
    peak = max(cost.peak_mb for t in timings for cost in t.costs.values())
    print(f"highest peak of any part: {peak:.0f} MB")


def _seconds(cost: Cost) -> float:
    return cost.seconds


def _processor(cost: Cost) -> float:
    return cost.cpu_s


if __name__ == "__main__":
    main()
