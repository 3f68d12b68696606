-- Equal scans: the same codes, and the same answers of the units these codes point at; other
-- readings make no difference. Needs ``role_lists.sql`` and the temporary table ``part_asked``
-- (list_no, unit): the units whose answers matter. Most lists of codes point at no unit, and the
-- other readings of their scans are never read.
CREATE OR REPLACE TEMP TABLE part_units AS
SELECT k.unit_no, u.unit
FROM store.known_units k JOIN part_vehicles USING (vehicle_id) JOIN role_units u USING (ecu);

CREATE OR REPLACE TEMP TABLE part_asking AS
SELECT scan_no, list_no FROM part_scan_lists WHERE list_no IN (SELECT list_no FROM part_asked);

-- (readings first, then whether a list asks for them: joined the other way round, every unit of the
-- part would be paired with every list that asks for such a unit)
CREATE OR REPLACE TEMP TABLE part_answers AS
WITH readings AS MATERIALIZED (
    SELECT s.scan_no, s.list_no, u.unit, l.answered, l.is_stored_memory
    FROM store.looks l
    JOIN part_asking s USING (scan_no)
    JOIN part_units u USING (unit_no)
    WHERE l.scan_no BETWEEN getvariable('first_scan') AND getvariable('last_scan')
)
SELECT scan_no,
    list(DISTINCT unit ORDER BY unit) FILTER (answered AND is_stored_memory) AS read,
    list(DISTINCT unit ORDER BY unit) FILTER (NOT answered) AS silent
FROM readings SEMI JOIN part_asked USING (list_no, unit)
GROUP BY scan_no;

CREATE OR REPLACE TEMP TABLE part_situations AS
SELECT (row_number() OVER (ORDER BY list_no, read, silent) - 1)::INTEGER AS situation_no, *
FROM (SELECT DISTINCT s.list_no, a.read, a.silent
      FROM part_scan_lists s LEFT JOIN part_answers a USING (scan_no));

CREATE OR REPLACE TEMP TABLE part_scan_situations AS
SELECT s.scan_no, n.situation_no
FROM part_scan_lists s
LEFT JOIN part_answers a USING (scan_no)
JOIN part_situations n ON n.list_no = s.list_no AND n.read IS NOT DISTINCT FROM a.read
    AND n.silent IS NOT DISTINCT FROM a.silent;
