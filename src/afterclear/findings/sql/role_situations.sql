-- Scans alike: the same codes, and the same answers of the units these codes point at; what else
-- was read makes no difference.  Needs ``role_lists.sql`` and the temporary table ``part_asked``
-- (list_no, unit): whose answers matter.  Most lists of codes ask nobody, and their scans' other
-- readings are never looked at.
CREATE OR REPLACE TEMP TABLE part_units AS
SELECT k.unit_no, u.unit
FROM store.known_units k JOIN part_vehicles USING (vehicle_id) JOIN role_units u USING (ecu);

CREATE OR REPLACE TEMP TABLE part_asking AS
SELECT scan_no, list_no FROM part_scan_lists WHERE list_no IN (SELECT list_no FROM part_asked);

CREATE OR REPLACE TEMP TABLE part_answers AS
SELECT s.scan_no,
    list(DISTINCT u.unit ORDER BY u.unit) FILTER (l.answered AND l.is_stored_memory) AS read,
    list(DISTINCT u.unit ORDER BY u.unit) FILTER (NOT l.answered) AS silent
FROM store.looks l
JOIN part_asking s USING (scan_no)
JOIN part_units u USING (unit_no)
JOIN part_asked a ON a.list_no = s.list_no AND a.unit = u.unit
WHERE l.scan_no BETWEEN getvariable('first_scan') AND getvariable('last_scan')
GROUP BY s.scan_no;

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
