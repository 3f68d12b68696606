-- One part of the fleet: the scans between the variables ``first_scan`` and ``last_scan``.
CREATE OR REPLACE TEMP TABLE part_scans AS
SELECT scan_no, vehicle_id, scan_id, seen_at FROM store.scan_moments
WHERE scan_no BETWEEN getvariable('first_scan') AND getvariable('last_scan');

CREATE OR REPLACE TEMP TABLE part_vehicles AS SELECT DISTINCT vehicle_id FROM part_scans;
