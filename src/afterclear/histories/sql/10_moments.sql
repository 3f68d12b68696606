-- Every instant at which something happened to a vehicle of the bucket, and what its odometer or
-- hour meter showed.  Rows of one scan_id are one moment: that of the first row.
CREATE OR REPLACE TEMP TABLE scan_heads AS
SELECT row_number() OVER (ORDER BY vehicle_no, seen_at, scan_id) AS scan_no, *
FROM (
    SELECT vehicle_no, scan_id, min(scanned_at) AS seen_at,
        max(odometer_km) AS odometer_km, max(engine_hours) AS engine_hours,
        CASE WHEN bool_or(scan_scope = 'full') THEN 'full' ELSE 'partial' END AS scan_scope,
        coalesce(max(nullif(visit_reason, 'unknown')), 'unknown') AS visit_reason
    FROM bucket_scans
    WHERE scanned_at <= getvariable('as_of')
    GROUP BY vehicle_no, scan_id
);

CREATE OR REPLACE TEMP TABLE moments AS
SELECT vehicle_no, seen_at AS happened_at, odometer_km, engine_hours,
    'scan' AS origin, scan_id AS origin_id
FROM scan_heads
UNION ALL
SELECT b.vehicle_no, min(r.repaired_at), max(r.odometer_km), NULL, 'repair', r.repair_id
FROM store.repairs r
JOIN bucket b USING (vehicle_id)
WHERE r.repaired_at <= getvariable('as_of')
GROUP BY b.vehicle_no, r.repair_id
UNION ALL
SELECT b.vehicle_no, c.cleared_at, max(c.odometer_km), NULL, 'clear', c.cleared_at::VARCHAR
FROM store.clears c
JOIN bucket b USING (vehicle_id)
WHERE c.cleared_at <= getvariable('as_of')
GROUP BY b.vehicle_no, c.cleared_at;
