-- Every instant at which something happened to a vehicle of the bucket, and what its odometer or
-- hour meter showed.  Rows of one scan_id are one moment: that of the first row.
-- ``scan_no`` numbers them by instant; ``seq`` also by their turn at it (``50_order.sql``), with room
-- for the clears that follow each.
CREATE OR REPLACE TEMP MACRO turn_key(happened_at, turn) AS epoch_us(happened_at) * 8 + turn + 1;

CREATE OR REPLACE TEMP TABLE scan_heads AS
WITH scanned AS (
    SELECT vehicle_no, scan_id, min(scanned_at) AS seen_at,
        max(odometer_km) AS odometer_km, max(engine_hours) AS engine_hours,
        CASE WHEN bool_or(scan_scope = 'full') THEN 'full' ELSE 'partial' END AS scan_scope,
        coalesce(max(nullif(visit_reason, 'unknown')), 'unknown') AS visit_reason
    FROM bucket_scans
    WHERE scanned_at <= getvariable('as_of')
    GROUP BY vehicle_no, scan_id
), placed AS (
    SELECT *, turn_key(seen_at, CASE
        WHEN visit_reason IN ('pre_repair', 'complaint', 'intake') THEN 0
        WHEN visit_reason = 'post_repair' THEN 3 ELSE 1 END) AS at_turn
    FROM scanned
)
SELECT *, row_number() OVER (ORDER BY vehicle_no, seen_at, scan_id) AS scan_no,
    row_number() OVER (ORDER BY vehicle_no, at_turn, scan_id) * 1048576 AS seq
FROM placed;

CREATE OR REPLACE TEMP TABLE moments AS
SELECT vehicle_no, seen_at AS happened_at, odometer_km, engine_hours,
    'scan' AS origin, scan_id AS origin_id, scan_no
FROM scan_heads
UNION ALL
SELECT b.vehicle_no, min(r.repaired_at), max(r.odometer_km), NULL, 'repair', r.repair_id, NULL
FROM store.repairs r
JOIN bucket b USING (vehicle_id)
WHERE r.repaired_at <= getvariable('as_of')
GROUP BY b.vehicle_no, r.repair_id
UNION ALL
SELECT b.vehicle_no, c.cleared_at, max(c.odometer_km), NULL, 'clear', c.cleared_at::VARCHAR, NULL
FROM store.clears c
JOIN bucket b USING (vehicle_id)
WHERE c.cleared_at <= getvariable('as_of')
GROUP BY b.vehicle_no, c.cleared_at;
