"""The queries of the worklist, one for each question.

Only rows that can become an item are read: a fleet has many more roles and attempts than things to
do. Questions about every reading use numbers (``looks``): within a vehicle, scans are numbered in
the order of time.
"""

from typing import Final

# Vehicles that are not sold, with their furthest known km.
VEHICLES: Final = """
WITH known AS (
    SELECT vehicle_id, max(km) AS km FROM store.scan_moments GROUP BY vehicle_id
    UNION ALL
    SELECT vehicle_id, NULL FROM store.vehicles
    UNION ALL
    SELECT DISTINCT vehicle_id, NULL FROM store.attempts
), others AS (SELECT vehicle_id, max(km) AS km FROM store.other_moments GROUP BY vehicle_id)
SELECT k.vehicle_id, v.site, coalesce(v.stock_status, 'in_fleet') AS stock_status,
    greatest(k.km, o.km) AS km_now
FROM (SELECT vehicle_id, max(km) AS km FROM known GROUP BY vehicle_id) k
LEFT JOIN others o USING (vehicle_id)
LEFT JOIN store.vehicles v USING (vehicle_id)
WHERE v.stock_status IS DISTINCT FROM 'sold'
ORDER BY k.vehicle_id
"""

# Costs of work orders on a component, each counted once.
FOR_COSTS: Final = """
SELECT DISTINCT vehicle_id, any_value(site) AS site, component_of(family) AS component,
    cost, currency
FROM store.attempts
WHERE kind = 'repair' AND cost > 0 AND currency IS NOT NULL
GROUP BY vehicle_id, repair_id, component, cost, currency
ORDER BY ALL
"""

# Evidenced km that usually prove a fresh repair of a component.
PROOF_KM: Final = """
SELECT component_of(family) AS component, median(a.clean_km + v.km_to_go) AS km
FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
WHERE a.kind = 'repair' AND v.km_to_go IS NOT NULL
GROUP BY component ORDER BY component
"""

_OPEN: Final = "(FROM store.episodes WHERE ended_by = 'open')"

WORK_ROWS: Final[dict[str, str]] = {
    # with ``first_at``: since when it is there, before clears that did not end it
    "open": f"""
        WITH numbered AS (
            SELECT e.*, count(*) FILTER (s.returned_at IS NULL) OVER (
                PARTITION BY e.vehicle_id, e.ecu, e.code ORDER BY e.onset_high_at) AS stay_no
            FROM store.episodes e
            SEMI JOIN {_OPEN} o ON o.vehicle_id = e.vehicle_id AND o.ecu = e.ecu
                AND o.code = e.code
            LEFT JOIN (SELECT DISTINCT vehicle_id, ecu, code, returned_at
                       FROM store.attempts WHERE stayed) s
                ON s.vehicle_id = e.vehicle_id AND s.ecu = e.ecu AND s.code = e.code
                AND s.returned_at = e.onset_high_at
        ), lasting AS (
            SELECT *, min(onset_high_at) OVER (PARTITION BY vehicle_id, ecu, code, stay_no)
                AS first_at
            FROM numbered
        )
        SELECT e.vehicle_id, e.ecu, e.code, e.family, component_of(e.family) AS component,
            e.first_at, e.last_seen_at, e.n_scans,
            coalesce(m.meaning, e.code) AS meaning
        FROM lasting e LEFT JOIN store.codes_met m USING (code, family)
        WHERE e.ended_by = 'open' ORDER BY e.vehicle_id, e.ecu, e.code""",
    # the latest role of every fault that is open
    "roles": f"""
        SELECT r.*, NULL AS family
        FROM store.roles r
        SEMI JOIN {_OPEN} e ON e.vehicle_id = r.vehicle_id AND e.ecu = r.ecu AND e.code = r.code
        QUALIFY row_number() OVER (PARTITION BY r.vehicle_id, r.ecu, r.code
            ORDER BY r.seen_at DESC, r.scan_id DESC) = 1
        ORDER BY r.vehicle_id, r.ecu, r.code""",
    # the latest attempt on every fault that is open, or where a scan could add evidence: not those
    # on watch that have not been driven far enough yet (``work_items`` has the rule). ``is_echo``:
    # only cleared, and consequential at that time; ``since_gone_km``: km of readings without a code
    # that came back and went without work; ``is_active_only``: the latest reading that proves
    # nothing of it read no stored codes
    "attempts": f"""
        WITH asked AS (
            SELECT a.*, v.outcome, v.p_not_held, v.p_same_fault, v.p_worn, v.p_new,
                v.km_to_go, v.returned_low_km, v.returned_high_km,
                coalesce(o.code, w.code) IS NOT NULL AS is_open,
                coalesce(o.code, w.code, a.code) AS shown_code
            FROM store.attempts a
            JOIN store.verdicts v USING (attempt_id)
            LEFT JOIN (SELECT DISTINCT vehicle_id, ecu, code FROM {_OPEN}) o
                ON o.vehicle_id = a.vehicle_id AND o.ecu = a.ecu AND o.code = a.code
            -- or under the other code of its circuit that told the return
            LEFT JOIN (SELECT DISTINCT vehicle_id, ecu, code FROM {_OPEN}) w
                ON a.returned AND w.vehicle_id = a.vehicle_id AND w.ecu = a.ecu
                AND w.code = a.related_code
            WHERE a.ended_at IS NULL AND a.ecu IS NOT NULL
                AND (o.code IS NOT NULL OR v.outcome IN ('on_watch', 'unchecked', 'came_back'))
        ), driven AS (
            SELECT vehicle_id, max(km) AS km FROM store.moment_km GROUP BY vehicle_id
        ), clean AS (
            SELECT e.attempt_id, max(e.stretch_to_km) AS km
            FROM store.evidence e SEMI JOIN asked a USING (attempt_id)
            WHERE e.finding = 'clean' GROUP BY e.attempt_id
        ), blind AS (
            SELECT e.attempt_id, arg_max(e.reason, (e.seen_at, e.scan_id)) AS reason
            FROM store.evidence e SEMI JOIN asked a USING (attempt_id)
            WHERE e.finding = 'no_evidence' GROUP BY e.attempt_id
        ), watched AS (
            SELECT a.*, coalesce(c.km, a.attempted_km) AS watched_to_km, d.km AS km_now
            FROM asked a LEFT JOIN clean c USING (attempt_id) LEFT JOIN driven d USING (vehicle_id)
        ), gone AS (
            SELECT a.attempt_id, max(e.ended_high_km) AS km
            FROM asked a JOIN store.episodes e ON e.vehicle_id = a.vehicle_id AND e.ecu = a.ecu
                AND e.code = coalesce(a.related_code, a.code)
            WHERE a.outcome = 'came_back' AND NOT a.is_open
            GROUP BY a.attempt_id
            -- open under its other code: told there
            HAVING NOT bool_or(e.ended_by = 'open')
        ), cleared AS (
            SELECT c.vehicle_id, c.ecu, max(coalesce(c.km, c.km_high)) AS km
            FROM store.clear_events c SEMI JOIN asked a USING (vehicle_id, ecu) GROUP BY ALL
        ), read AS (
            SELECT k.vehicle_id, k.ecu, max(m.km) AS km
            FROM store.known_units k
            SEMI JOIN (FROM asked SEMI JOIN gone USING (attempt_id)) a
                ON a.vehicle_id = k.vehicle_id AND a.ecu = k.ecu
            JOIN store.looks l USING (unit_no)
            JOIN store.scan_moments m USING (scan_no)
            WHERE l.answered AND l.is_stored_memory
            GROUP BY k.vehicle_id, k.ecu
        ), echoes AS (
            SELECT r.vehicle_id, r.ecu, r.code, min(r.seen_at) AS seen_at
            FROM store.roles r
            WHERE r.role = 'consequential' AND r.primary_code IS NOT NULL
            GROUP BY r.vehicle_id, r.ecu, r.code
        )
        SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.shown_code, a.family,
            component_of(a.family) AS component, a.kind, a.attempt_no, a.site, a.attempted_at,
            a.beside_repair_id,
            a.returned_at, a.stayed, a.outcome, a.p_not_held, a.p_same_fault, a.p_worn,
            a.p_new, a.km_to_go, a.returned_low_km, a.returned_high_km,
            a.kind = 'clear_only' AND echo.code IS NOT NULL
                OR a.attempt_id IN (SELECT attempt_id FROM store.echo_fixes) AS is_echo,
            CASE WHEN g.attempt_id IS NULL THEN a.watched_to_km ELSE r.km END AS watched_to_km,
            r.km - greatest(g.km, c.km) AS since_gone_km, g.attempt_id IS NOT NULL AS is_gone,
            coalesce(b.reason = 'active_only', false) AS is_active_only,
            coalesce(m.meaning, a.code) AS meaning
        FROM watched a
        LEFT JOIN gone g USING (attempt_id)
        LEFT JOIN blind b USING (attempt_id)
        LEFT JOIN cleared c ON c.vehicle_id = a.vehicle_id AND c.ecu = a.ecu
        LEFT JOIN read r ON r.vehicle_id = a.vehicle_id AND r.ecu = a.ecu
        LEFT JOIN store.codes_met m ON m.code = a.code AND m.family = a.family
        LEFT JOIN echoes echo
            ON echo.vehicle_id = a.vehicle_id AND echo.ecu = a.ecu AND echo.code = a.code
            AND echo.seen_at <= a.attempted_at
        WHERE a.is_open OR g.attempt_id IS NOT NULL OR a.outcome = 'unchecked'
            OR a.outcome = 'on_watch' AND (a.km_to_go IS NULL
                OR a.km_to_go <= coalesce(greatest(a.km_now - a.watched_to_km, 0), 0))
        ORDER BY a.vehicle_id, a.attempted_at, a.attempt_id""",
    "related": """
        SELECT vehicle_id, attempt_id, related_ecu AS ecu, related_code AS code, family,
            related_ecu, related_code, reason, facts
        FROM store.related_returns WHERE is_open ORDER BY vehicle_id, attempt_id""",
    "leftovers": """
        SELECT *, NULL AS family FROM store.leftovers ORDER BY vehicle_id, last_seen_at""",
    # units whose last readings got no answer, with how many in a row
    "silent": """
        WITH silent AS (SELECT unit_no, scan_no FROM store.looks WHERE NOT answered),
        answered AS (
            SELECT l.unit_no, max(l.scan_no) AS scan_no
            FROM store.looks l SEMI JOIN silent USING (unit_no)
            WHERE l.answered GROUP BY l.unit_no
        ), since AS (
            SELECT s.unit_no, s.scan_no, a.scan_no AS answered_no
            FROM silent s LEFT JOIN answered a USING (unit_no)
            WHERE a.scan_no IS NULL OR s.scan_no > a.scan_no
        )
        SELECT k.vehicle_id, k.ecu, NULL AS code, NULL AS family, count(*) AS n_silent,
            min(m.seen_at) AS since_at
        FROM since s
        JOIN store.known_units k USING (unit_no)
        JOIN store.scan_moments m USING (scan_no)
        LEFT JOIN store.scan_moments a ON a.scan_no = s.answered_no
        WHERE a.seen_at IS NULL OR m.seen_at > a.seen_at
        GROUP BY k.vehicle_id, k.ecu ORDER BY k.vehicle_id, k.ecu""",
}
