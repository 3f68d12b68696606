-- One row per scan and control unit: did it answer, which memory was read, what counters say.
-- An odometer-only scan is one row without a control unit.
CREATE OR REPLACE TEMP TABLE unit_readings AS
SELECT s.vehicle_id, s.scan_id, s.ecu, any_value(h.seen_at) AS seen_at,
    any_value(m.km) AS km, any_value(m.km_low) AS km_low, any_value(m.km_high) AS km_high,
    any_value(h.scan_scope) AS scan_scope, any_value(h.visit_reason) AS visit_reason,
    bool_or(s.ecu_response = 'answered' OR s.code IS NOT NULL) AS answered,
    CASE WHEN bool_or(s.memory = 'stored') THEN 'stored' ELSE 'active_only' END AS memory,
    -- a saturated counter says only "at least": SAE J1979 PID 31 stops at 65535, PID 30 at 255
    min(s.distance_since_clear_km) FILTER (s.distance_since_clear_km < 65535) AS since_clear_km,
    min(s.warmups_since_clear) FILTER (s.warmups_since_clear < 255) AS warmups,
    any_value(s.monitors_incomplete) AS monitors_incomplete,
    any_value(s.ecu_vin) AS ecu_vin
FROM scans s
JOIN scan_heads h ON s.vehicle_id = h.vehicle_id AND s.scan_id = h.scan_id
LEFT JOIN moment_km m
    ON m.vehicle_id = s.vehicle_id AND m.origin = 'scan' AND m.origin_id = s.scan_id
GROUP BY s.vehicle_id, s.scan_id, s.ecu;

-- One row per scan, control unit and code, with the strongest thing any of its rows says.
CREATE OR REPLACE TEMP TABLE sightings AS
SELECT s.vehicle_id, s.scan_id, s.ecu, f.code, any_value(f.family) AS family,
    any_value(f.monitor) AS monitor, any_value(f.min_clean_km) AS min_clean_km,
    arg_min(p.presence, p.strength) AS presence,
    arg_min(s.status, p.strength) AS status,
    max(s.occurrences) AS occurrences, max(s.first_seen_km) AS first_seen_km
FROM scans s
JOIN scan_heads h ON s.vehicle_id = h.vehicle_id AND s.scan_id = h.scan_id
JOIN code_facts f ON f.stored_code = s.code AND f.vehicle_id = s.vehicle_id AND f.ecu = s.ecu
JOIN presences p ON p.status = coalesce(s.status, '')
WHERE s.code IS NOT NULL
GROUP BY s.vehicle_id, s.scan_id, s.ecu, f.code;
