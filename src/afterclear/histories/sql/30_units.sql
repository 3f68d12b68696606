-- Control units by number. Tools use many names for one unit; a name the lexicon knows means its
-- function, unless that would give two units of a vehicle in one scan the same name.
CREATE OR REPLACE TEMP TABLE units AS
WITH called AS (
    SELECT t.vehicle_no, t.told, l.label FROM told_units t JOIN unit_labels l USING (told)
), alike AS (
    SELECT vehicle_no, label FROM called GROUP BY vehicle_no, label HAVING count(*) > 1
), clashing AS (
    SELECT DISTINCT h.vehicle_no, c.label
    FROM alike a
    JOIN called c USING (vehicle_no, label)
    JOIN bucket_scans s ON s.vehicle_no = c.vehicle_no AND s.ecu = c.told
    JOIN scan_heads h ON h.vehicle_no = c.vehicle_no AND h.scan_id = s.scan_id
    GROUP BY h.vehicle_no, h.scan_no, c.label
    HAVING count(DISTINCT c.told) > 1
)
SELECT dense_rank() OVER (ORDER BY vehicle_no, ecu) AS unit_no, vehicle_no, told, ecu
FROM (
    SELECT c.vehicle_no, c.told,
        CASE WHEN x.label IS NULL THEN c.label ELSE c.told END AS ecu
    FROM called c LEFT JOIN clashing x USING (vehicle_no, label)
);

CREATE OR REPLACE TEMP TABLE unit_names AS SELECT DISTINCT unit_no, vehicle_no, ecu FROM units;

-- The bucket's scan rows with numbers instead of names.
CREATE OR REPLACE TEMP TABLE scan_rows AS
SELECT h.scan_no, u.unit_no, s.ecu_response, s.memory, s.code, s.status, s.description,
    s.first_seen_km, s.distance_since_clear_km, s.warmups_since_clear, s.monitors_incomplete,
    s.ecu_vin
FROM bucket_scans s
JOIN scan_heads h ON h.vehicle_no = s.vehicle_no AND h.scan_id = s.scan_id
LEFT JOIN units u ON u.vehicle_no = s.vehicle_no AND u.told = s.ecu;

DROP TABLE bucket_scans;

-- Every code scanned or named on a work order, to be looked up (``meanings``).
CREATE OR REPLACE TEMP TABLE told_codes AS
SELECT b.vehicle_no, c.unit_no, lower(v.make) AS make, c.ecu, c.code, c.description
FROM (
    SELECT u.vehicle_no, r.unit_no, u.ecu, r.code, r.description
    FROM (SELECT unit_no, code, max(description) AS description FROM scan_rows
          WHERE code IS NOT NULL GROUP BY unit_no, code) r
    JOIN unit_names u USING (unit_no)
    UNION ALL
    SELECT DISTINCT b.vehicle_no, NULL, '',
        unnest(regexp_extract_all(r.codes, 'SPN \d+( FMI \d+)?|\S+')), NULL
    FROM store.repairs r JOIN bucket b USING (vehicle_id) WHERE r.codes IS NOT NULL
) c
JOIN bucket b USING (vehicle_no)
LEFT JOIN store.vehicles v USING (vehicle_id);
