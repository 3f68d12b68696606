"""The questions the worklist asks of the store, one query each."""

from typing import Final

# the component of a family: what attempts and work orders are pooled by
_COMPONENT: Final = (
    "CASE WHEN split_part(family, ':', 1) IN ('code', 'part') THEN family "
    "ELSE split_part(family, ':', 1) END"
)

# Vehicles that are not sold, with the furthest km known of them.
VEHICLES: Final = """
SELECT i.vehicle_id, v.site, coalesce(v.stock_status, 'in_fleet') AS stock_status,
    o.km AS km_now
FROM (SELECT DISTINCT vehicle_id FROM store.observations
      UNION SELECT vehicle_id FROM store.vehicles
      UNION SELECT DISTINCT vehicle_id FROM store.attempts) i
LEFT JOIN store.vehicles v USING (vehicle_id)
LEFT JOIN (SELECT vehicle_id, max(km) AS km FROM store.moment_km GROUP BY vehicle_id) o
    USING (vehicle_id)
WHERE v.stock_status IS DISTINCT FROM 'sold'
ORDER BY i.vehicle_id
"""

# What work orders on a component cost, each counted once.
FOR_COSTS: Final = f"""
SELECT DISTINCT vehicle_id, any_value(site) AS site, {_COMPONENT} AS component, cost, currency
FROM store.attempts
WHERE kind = 'repair' AND cost > 0 AND currency IS NOT NULL
GROUP BY vehicle_id, repair_id, component, cost, currency
ORDER BY ALL
"""

# Evidenced km that usually prove a fresh repair of a component.
PROOF_KM: Final = f"""
SELECT {_COMPONENT} AS component, median(a.clean_km + v.km_to_go) AS km
FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
WHERE a.kind = 'repair' AND v.km_to_go IS NOT NULL
GROUP BY component ORDER BY component
"""

WORK_ROWS: Final[dict[str, str]] = {
    "open": f"""
        SELECT e.vehicle_id, e.ecu, e.code, e.family, {_COMPONENT.replace("family", "e.family")}
            AS component, e.onset_high_at, e.last_seen_at, e.n_scans,
            coalesce(m.meaning, e.code) AS meaning
        FROM store.episodes e LEFT JOIN store.codes_met m USING (code, family)
        WHERE e.ended_by = 'open' ORDER BY e.vehicle_id, e.ecu, e.code""",
    # the latest role of every fault
    "roles": """
        SELECT r.*, NULL AS family FROM store.roles r
        QUALIFY row_number() OVER (PARTITION BY vehicle_id, ecu, code
            ORDER BY seen_at DESC, scan_id DESC) = 1
        ORDER BY vehicle_id, ecu, code""",
    # the latest attempt on every fault; ``is_echo``: only cleared, and an echo of another then
    "attempts": f"""
        SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.family, {
        _COMPONENT.replace("family", "a.family")
    } AS component, a.kind, a.attempt_no, a.site, a.attempted_at,
            a.returned_at, a.stayed, v.outcome, v.p_not_held, v.km_to_go, v.returned_low_km,
            v.returned_high_km,
            coalesce(c.km, a.attempted_km) AS watched_to_km,
            a.kind = 'clear_only' AND echo.code IS NOT NULL AS is_echo
        FROM store.attempts a
        JOIN store.verdicts v USING (attempt_id)
        LEFT JOIN (SELECT attempt_id, max(stretch_to_km) AS km FROM store.evidence
                   WHERE finding = 'clean' GROUP BY attempt_id) c USING (attempt_id)
        LEFT JOIN (SELECT vehicle_id, ecu, code, min(seen_at) AS seen_at FROM store.roles
                   WHERE role = 'consequential' AND primary_code IS NOT NULL
                   GROUP BY vehicle_id, ecu, code) echo
            ON echo.vehicle_id = a.vehicle_id AND echo.ecu = a.ecu AND echo.code = a.code
            AND echo.seen_at <= a.attempted_at
        WHERE a.ended_at IS NULL AND a.ecu IS NOT NULL
        ORDER BY a.vehicle_id, a.attempted_at, a.attempt_id""",
    "related": """
        SELECT vehicle_id, attempt_id, related_ecu AS ecu, related_code AS code, family,
            related_ecu, related_code, why
        FROM store.related_returns WHERE is_open ORDER BY vehicle_id, attempt_id""",
    "leftovers": """
        SELECT *, NULL AS family FROM store.leftovers ORDER BY vehicle_id, last_seen_at""",
    # units whose last readings got no answer, with how many in a row
    "silent": """
        WITH readings AS (
            SELECT vehicle_id, ecu, seen_at, answered,
                max(seen_at) FILTER (answered) OVER (PARTITION BY vehicle_id, ecu) AS answered_at
            FROM store.observations WHERE ecu IS NOT NULL
        )
        SELECT vehicle_id, ecu, NULL AS code, NULL AS family, count(*) AS n_silent,
            min(seen_at) AS since_at
        FROM readings WHERE answered_at IS NULL OR seen_at > answered_at
        GROUP BY vehicle_id, ecu ORDER BY vehicle_id, ecu""",
}
