"""The queries of the stock audit.

A vehicle in stock may have hundreds of scans, but only the last one shows what is in its memories.
So that scan is found first (``STOCK_TABLES``), by number.
"""

from typing import Final

_IN_STOCK: Final = "(SELECT vehicle_id FROM store.vehicles WHERE stock_status = 'in_stock')"

# The last scan of each vehicle in stock that addressed a control unit, and the units' answers.
STOCK_TABLES: Final = f"""
CREATE OR REPLACE TEMP TABLE stock_last AS
SELECT vehicle_id, arg_max(scan_no, (seen_at, scan_id)) AS scan_no,
    arg_max(scan_id, (seen_at, scan_id)) AS scan_id, max(seen_at) AS seen_at,
    arg_max({{'km': km}}, (seen_at, scan_id)).km AS km,
    arg_max({{'scope': scan_scope}}, (seen_at, scan_id)).scope AS scan_scope,
    max(seen_at) FILTER (scan_scope = 'full') AS last_full_scan_at
FROM store.scan_moments
WHERE pattern_no IS NOT NULL AND vehicle_id IN {_IN_STOCK} GROUP BY vehicle_id;

CREATE OR REPLACE TEMP TABLE stock_looks AS
SELECT k.vehicle_id, k.ecu, l.*, n.since_clear_km, n.warmups, n.monitors_incomplete, n.ecu_vin
FROM store.looks l
JOIN (SELECT scan_no FROM stock_last) USING (scan_no)
JOIN store.known_units k USING (unit_no)
LEFT JOIN store.unit_notes n ON n.vehicle_id = k.vehicle_id AND n.scan_no = l.scan_no
    AND n.unit_no = l.unit_no;
"""

VEHICLES: Final = """
SELECT vehicle_id, vin, make, model, model_year, powertrain, acquired_on
FROM store.vehicles WHERE stock_status = 'in_stock' ORDER BY vehicle_id
"""

# Units that answer in most full scans of a model, for the models in stock.
USUAL_UNITS: Final = """
WITH models AS (
    SELECT DISTINCT make, model FROM store.vehicles WHERE stock_status = 'in_stock'
), cars AS (
    SELECT vehicle_id, make, model FROM store.vehicles JOIN models USING (make, model)
), answers AS (
    SELECT l.scan_no, l.unit_no, c.make, c.model
    FROM store.looks l
    JOIN (SELECT scan_no, vehicle_id FROM store.scan_moments WHERE scan_scope = 'full') m
        USING (scan_no)
    JOIN cars c USING (vehicle_id)
    WHERE l.answered
), scans AS (
    SELECT make, model, count(DISTINCT scan_no) AS n FROM answers GROUP BY make, model
)
SELECT make, model, k.ecu
FROM answers JOIN store.known_units k USING (unit_no) JOIN scans USING (make, model)
GROUP BY make, model, k.ecu, scans.n
HAVING count(*) >= 0.8 * scans.n
ORDER BY ALL
"""

BY_VEHICLE: Final[dict[str, str]] = {
    "last_scan": """
        SELECT s.vehicle_id, s.scan_id, s.seen_at, s.km, s.last_full_scan_at,
            CASE WHEN s.scan_scope = 'full' THEN 'full' ELSE 'partial' END AS scan_scope,
            list(l.ecu) FILTER (l.answered AND l.is_stored_memory) AS read,
            list(l.ecu) FILTER (NOT l.answered) AS no_answer
        FROM stock_last s JOIN stock_looks l USING (vehicle_id) GROUP BY ALL
        ORDER BY s.vehicle_id""",
    "readings": """
        SELECT s.vehicle_id, l.ecu, s.scan_id, s.seen_at, s.km, l.since_clear_km, l.warmups,
            l.monitors_incomplete, l.ecu_vin
        FROM stock_last s JOIN stock_looks l USING (vehicle_id)
        WHERE l.answered ORDER BY s.vehicle_id, l.ecu""",
    # the last before the last scan; what vanished may have gone by itself, and hides none on record
    "last_clear": """
        SELECT c.vehicle_id, c.ecu, c.cleared_at, c.km, c.origin
        FROM store.clear_events c JOIN stock_last s USING (vehicle_id)
        WHERE c.cleared_at <= s.seen_at AND c.origin <> 'vanished'
        QUALIFY row_number() OVER (
            PARTITION BY c.vehicle_id ORDER BY c.cleared_at DESC, c.ecu, c.origin) = 1
        ORDER BY c.vehicle_id""",
    # (moments and scan moments end at the as-of time of the analysis)
    "repairs": f"""
        SELECT vehicle_id, repair_id, repaired_at, codes, action, part_family, notes
        FROM store.repairs r
        SEMI JOIN store.moment_km m ON m.vehicle_id = r.vehicle_id AND m.origin = 'repair'
            AND m.origin_id = r.repair_id
        WHERE vehicle_id IN {_IN_STOCK}
        ORDER BY vehicle_id, repaired_at, repair_id, part_family""",
    "open": f"""
        SELECT e.vehicle_id, e.ecu, e.code, e.family, e.last_seen_at, m.meaning
        FROM store.episodes e
        LEFT JOIN store.codes_met m USING (code, family)
        WHERE e.ended_by = 'open' AND e.vehicle_id IN {_IN_STOCK}
        ORDER BY e.vehicle_id, e.ecu, e.code""",
    "signs": """
        SELECT s.vehicle_id, s.scan_id, s.ecu, s.code, s.family
        FROM store.sightings s
        SEMI JOIN stock_last l USING (vehicle_id, scan_id)
        ANTI JOIN (FROM store.episodes WHERE ended_by = 'open') e
            ON e.vehicle_id = s.vehicle_id AND e.ecu = s.ecu AND e.code = s.code
        WHERE s.presence = 'sign' ORDER BY s.vehicle_id, s.ecu, s.code""",
    "permanent": """
        SELECT s.vehicle_id, s.scan_id, s.ecu, s.code, s.family
        FROM store.sightings s SEMI JOIN stock_last l USING (vehicle_id, scan_id)
        WHERE s.presence = 'permanent' ORDER BY s.vehicle_id, s.ecu, s.code""",
    # each fault's latest attempt, unless the fault is open again or was a consequential code of a
    # fault that held
    "watched": f"""
        SELECT a.vehicle_id, a.ecu, a.code, a.family, a.kind, a.beside_repair_id, a.attempted_at,
            v.outcome, v.km_to_go,
            coalesce(c.clean_until_km, a.attempted_km + a.clean_km) AS clean_until_km
        FROM store.attempts a
        LEFT JOIN (
            SELECT attempt_id, max(stretch_to_km) AS clean_until_km FROM store.evidence
            WHERE vehicle_id IN {_IN_STOCK} GROUP BY attempt_id
        ) c USING (attempt_id)
        JOIN store.verdicts v USING (attempt_id)
        ANTI JOIN (FROM store.episodes WHERE ended_by = 'open') e
            ON e.vehicle_id = a.vehicle_id AND e.ecu = a.ecu AND e.code = a.code
        ANTI JOIN (
            SELECT r.vehicle_id, r.ecu, r.code, max(r.seen_at) AS seen_at
            FROM store.roles r WHERE r.role = 'consequential' AND r.primary_code IS NOT NULL
            GROUP BY r.vehicle_id, r.ecu, r.code
        ) echo ON a.kind = 'clear_only' AND echo.vehicle_id = a.vehicle_id AND echo.ecu = a.ecu
            AND echo.code = a.code AND echo.seen_at <= a.attempted_at
        WHERE a.ended_at IS NULL AND a.ecu IS NOT NULL
            AND v.outcome IN ('on_watch', 'unchecked') AND a.vehicle_id IN {_IN_STOCK}
        ORDER BY a.vehicle_id, a.attempted_at, a.ecu, a.code""",
    "gone": f"""
        SELECT e.vehicle_id, e.ecu, e.code, any_value(e.family) AS family,
            max(e.last_seen_at) AS last_seen_at,
            coalesce(bool_or(v.outcome = 'held'), false) AS proven,
            coalesce(bool_or(v.outcome IN ('on_watch', 'unchecked') AND a.ended_at IS NULL),
                false) AS watched
        FROM store.episodes e
        LEFT JOIN store.attempts a ON a.vehicle_id = e.vehicle_id AND a.ecu = e.ecu
            AND a.code = e.code
        LEFT JOIN store.verdicts v USING (attempt_id)
        WHERE e.vehicle_id IN {_IN_STOCK}
        GROUP BY e.vehicle_id, e.ecu, e.code
        HAVING NOT bool_or(e.ended_by = 'open') AND NOT coalesce(bool_or(a.kind = 'repair'), false)
        ORDER BY e.vehicle_id, e.ecu, e.code""",
    "set_aside": f"""
        SELECT * FROM (
            SELECT vehicle_id, read_at, reading_km, set_aside,
                lag(reading_km) OVER readings AS before_km, lag(read_at) OVER readings AS before_at
            FROM store.odometer WHERE vehicle_id IN {_IN_STOCK}
            WINDOW readings AS (PARTITION BY vehicle_id ORDER BY read_at, reading_km)
        ) WHERE set_aside IS NOT NULL ORDER BY vehicle_id, read_at""",
    "odometer": f"""
        SELECT vehicle_id, max(line_km) AS km_now FROM store.odometer
        WHERE vehicle_id IN {_IN_STOCK} GROUP BY vehicle_id ORDER BY vehicle_id""",
    "records": f"""
        SELECT vehicle_id, ecu, scanned_at AS seen_at, odometer_km, first_seen_km AS record_km,
            code
        FROM store.scans SEMI JOIN store.scan_moments USING (vehicle_id, scan_id)
        WHERE first_seen_km > odometer_km AND ecu IS NOT NULL AND vehicle_id IN {_IN_STOCK}
        UNION ALL
        SELECT vehicle_id, ecu, scanned_at, odometer_km, distance_since_clear_km, NULL
        FROM store.scans SEMI JOIN store.scan_moments USING (vehicle_id, scan_id)
        WHERE distance_since_clear_km > odometer_km AND ecu IS NOT NULL
            AND vehicle_id IN {_IN_STOCK}
        ORDER BY vehicle_id, seen_at, ecu, record_km""",
}
