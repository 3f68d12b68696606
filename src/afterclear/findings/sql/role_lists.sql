-- The codes of each scan of a part as one value, so that scans alike are thought about once.
-- Needs ``role_part.sql``.

CREATE OR REPLACE TEMP TABLE part_codes AS
SELECT m.scan_no, s.ecu, s.code, s.family, s.presence = 'sign' AS is_sign, s.description
FROM store.sightings s
JOIN part_scans m USING (vehicle_id, scan_id)
WHERE s.presence IN ('present', 'sign');

-- Numbers keep the order of control unit and code.
CREATE OR REPLACE TEMP TABLE part_seen AS
SELECT (row_number() OVER (ORDER BY ecu, code, family, is_sign, description) - 1)::INTEGER
    AS seen_no, *
FROM (SELECT DISTINCT ecu, code, family, is_sign, description FROM part_codes);

CREATE OR REPLACE TEMP TABLE part_scan_codes AS
SELECT c.scan_no, list(n.seen_no ORDER BY n.seen_no) AS codes
FROM part_codes c
JOIN part_seen n ON n.ecu = c.ecu AND n.code = c.code AND n.family = c.family
    AND n.is_sign = c.is_sign AND n.description IS NOT DISTINCT FROM c.description
GROUP BY c.scan_no;

CREATE OR REPLACE TEMP TABLE part_lists AS
SELECT (row_number() OVER (ORDER BY codes) - 1)::INTEGER AS list_no, codes
FROM (SELECT DISTINCT codes FROM part_scan_codes);

CREATE OR REPLACE TEMP TABLE part_scan_lists AS
SELECT scan_no, list_no FROM part_scan_codes JOIN part_lists USING (codes);
