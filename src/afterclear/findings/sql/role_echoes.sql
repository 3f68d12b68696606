-- The few faults whose roles depend on more than their scans: consequential codes of a named fault,
-- where the code or that fault was repaired. Needs ``role_situations.sql`` and the temporary table
-- ``part_said``: the roles of each situation.
CREATE OR REPLACE TEMP TABLE part_repairs AS
SELECT a.*, u.unit
FROM store.attempts a JOIN part_vehicles USING (vehicle_id) JOIN role_units u USING (ecu)
WHERE a.kind = 'repair';

CREATE OR REPLACE TEMP TABLE part_echoes AS
WITH named AS (
    SELECT DISTINCT m.vehicle_id, p.unit, p.code, p.primary_unit, p.primary_code
    FROM part_said p
    JOIN part_scan_situations USING (situation_no)
    JOIN part_scans m USING (scan_no)
    WHERE p.role = 'consequential' AND p.primary_unit IS NOT NULL AND p.primary_code IS NOT NULL
)
SELECT n.vehicle_id, n.unit, n.code FROM named n
SEMI JOIN part_repairs r ON r.vehicle_id = n.vehicle_id AND r.unit = n.unit AND r.code = n.code
UNION
SELECT n.vehicle_id, n.unit, n.code FROM named n
SEMI JOIN part_repairs r ON r.vehicle_id = n.vehicle_id AND r.unit = n.primary_unit
    AND r.code = n.primary_code;

CREATE OR REPLACE TEMP TABLE part_echo_rows AS
SELECT m.scan_no, m.scan_id, m.vehicle_id, m.seen_at, p.* EXCLUDE (situation_no)
FROM part_said p
JOIN part_scan_situations USING (situation_no)
JOIN part_scans m USING (scan_no)
SEMI JOIN part_echoes e ON e.vehicle_id = m.vehicle_id AND e.unit = p.unit AND e.code = p.code;
