-- Every code a vehicle was scanned or repaired for, with what it is about (``meanings``: one
-- row per make, unit, code and description, told by the catalogue).  A maker's own number gets
-- its namespace here, so that a make learned later still counts.
CREATE OR REPLACE TEMP TABLE vehicle_codes AS
SELECT u.vehicle_id, lower(v.make) AS make, u.ecu, u.code, max(u.description) AS description
FROM (
    SELECT vehicle_id, ecu, code, description FROM scans
    WHERE vehicle_id IN (FROM bucket) AND code IS NOT NULL
    UNION ALL
    SELECT vehicle_id, '', unnest(regexp_extract_all(codes, 'SPN \d+( FMI \d+)?|\S+')), NULL
    FROM repairs WHERE vehicle_id IN (FROM bucket) AND codes IS NOT NULL
) u
LEFT JOIN vehicles v USING (vehicle_id)
GROUP BY ALL;
