-- Every instant at which something happened to a vehicle of the bucket, and what its
-- odometer or hour meter showed.  Scans of one scan_id are one moment: its first row's.
CREATE OR REPLACE TEMP TABLE scan_heads AS
SELECT
    vehicle_id, scan_id, min(scanned_at) AS seen_at,
    max(odometer_km) AS odometer_km, max(engine_hours) AS engine_hours,
    CASE WHEN bool_or(scan_scope = 'full') THEN 'full' ELSE 'partial' END AS scan_scope,
    coalesce(max(nullif(visit_reason, 'unknown')), 'unknown') AS visit_reason
FROM scans
WHERE vehicle_id IN (FROM bucket) AND scanned_at <= getvariable('as_of')
GROUP BY vehicle_id, scan_id;

CREATE OR REPLACE TEMP TABLE moments AS
SELECT vehicle_id, seen_at AS happened_at, odometer_km, engine_hours,
    'scan' AS origin, scan_id AS origin_id
FROM scan_heads
UNION ALL
SELECT vehicle_id, min(repaired_at), max(odometer_km), NULL, 'repair', repair_id
FROM repairs
WHERE vehicle_id IN (FROM bucket) AND repaired_at <= getvariable('as_of')
GROUP BY vehicle_id, repair_id
UNION ALL
SELECT vehicle_id, cleared_at, max(odometer_km), NULL, 'clear', cleared_at::VARCHAR
FROM clears
WHERE vehicle_id IN (FROM bucket) AND cleared_at <= getvariable('as_of')
GROUP BY vehicle_id, cleared_at;
