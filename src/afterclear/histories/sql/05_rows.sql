-- The bucket's scan rows: the only time the store's largest table is read. A bucket is a range of
-- vehicle ids, so its ends let the database skip most rows by that one column.
CREATE OR REPLACE TEMP TABLE bucket_scans AS
SELECT b.vehicle_no, s.scan_id, s.scanned_at, s.odometer_km, s.engine_hours, s.scan_scope,
    s.visit_reason, s.memory, s.ecu, s.ecu_response, s.code, s.status, s.description,
    s.first_seen_km, s.distance_since_clear_km, s.warmups_since_clear, s.monitors_incomplete,
    s.ecu_vin
FROM store.scans s
JOIN bucket b USING (vehicle_id)
WHERE s.vehicle_id BETWEEN getvariable('first_vehicle') AND getvariable('last_vehicle');
