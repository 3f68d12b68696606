-- What a scan read of a vehicle's units, and which of them a clear emptied, is one of few patterns.
-- A pattern is text with four places a unit, in the units' order, and a 1 in one of the four of each
-- unit that it tells of: did it answer, and was its stored memory read.
CREATE OR REPLACE TEMP TABLE unit_places AS
SELECT unit_no, vehicle_no, min(unit_no) OVER vehicle AS first_unit_no,
    unit_no - min(unit_no) OVER vehicle AS unit_at
FROM unit_names WINDOW vehicle AS (PARTITION BY vehicle_no);

SET VARIABLE last_place = (SELECT coalesce(max(unit_at), 0) * 4 + 3 FROM unit_places);

CREATE OR REPLACE TEMP MACRO pattern_of(unit_at, answered, is_stored_memory) AS
    rtrim(bitstring_agg((unit_at * 4 + answered::INTEGER * 2 + is_stored_memory::INTEGER)::INTEGER,
        0, getvariable('last_place'))::VARCHAR, '0');

CREATE OR REPLACE TEMP TABLE scan_patterns AS
SELECT scan_no, any_value(first_unit_no) AS first_unit_no,
    pattern_of(unit_at, answered, is_stored_memory) AS pattern
FROM unit_readings JOIN unit_places USING (unit_no)
GROUP BY scan_no;

CREATE OR REPLACE TEMP TABLE clear_patterns AS
SELECT p.vehicle_no, any_value(p.first_unit_no) AS first_unit_no, pattern_of(unit_at, true, true)
    AS pattern, c.* EXCLUDE (unit_no)
FROM clear_events c JOIN unit_places p USING (unit_no)
GROUP BY ALL;
