-- The codes of each scan of a part as one value, so that equal scans are processed once. Needs
-- ``role_part.sql`` and the temporary table ``role_harms`` (code, by_code): which code may be
-- damage caused by which other.

-- Codes that once began while no code was there that could have caused them: from then on they are
-- older than whatever comes later.
CREATE OR REPLACE TEMP TABLE part_older AS
WITH own AS (
    SELECT e.vehicle_id, e.ecu, e.code, e.onset_low_at, e.onset_high_at, e.ended_high_at
    FROM store.episodes e JOIN part_vehicles USING (vehicle_id)
    WHERE e.code IN (SELECT code FROM role_harms UNION SELECT by_code FROM role_harms)
), pairs AS (
    SELECT x.vehicle_id, x.ecu, x.code, x.onset_high_at,
        bool_or(y.onset_high_at <= x.onset_high_at
            AND coalesce(y.ended_high_at >= x.onset_low_at, true)) AS is_provoked
    FROM own x
    JOIN role_harms h USING (code)
    JOIN own y ON y.vehicle_id = x.vehicle_id AND y.code = h.by_code
    GROUP BY x.vehicle_id, x.ecu, x.code, x.onset_high_at
)
SELECT vehicle_id, ecu, code, min(onset_high_at) AS older_from
FROM pairs WHERE NOT is_provoked GROUP BY vehicle_id, ecu, code;

CREATE OR REPLACE TEMP TABLE part_codes AS
SELECT m.scan_no, s.ecu, s.code, s.family, s.presence = 'sign' AS is_sign, s.description,
    coalesce(m.seen_at >= o.older_from, false) AS is_older
FROM store.sightings s
JOIN part_scans m USING (vehicle_id, scan_id)
LEFT JOIN part_older o USING (vehicle_id, ecu, code)
WHERE s.presence IN ('present', 'sign');

-- Numbers keep the order of control unit and code.
CREATE OR REPLACE TEMP TABLE part_seen AS
SELECT (row_number() OVER (
        ORDER BY ecu, code, family, is_sign, description, is_older) - 1)::INTEGER AS seen_no, *
FROM (SELECT DISTINCT ecu, code, family, is_sign, description, is_older FROM part_codes);

CREATE OR REPLACE TEMP TABLE part_scan_codes AS
SELECT c.scan_no, list(n.seen_no ORDER BY n.seen_no) AS codes
FROM part_codes c
JOIN part_seen n ON n.ecu = c.ecu AND n.code = c.code AND n.family = c.family
    AND n.is_sign = c.is_sign AND n.is_older = c.is_older
    AND n.description IS NOT DISTINCT FROM c.description
GROUP BY c.scan_no;

CREATE OR REPLACE TEMP TABLE part_lists AS
SELECT (row_number() OVER (ORDER BY codes) - 1)::INTEGER AS list_no, codes
FROM (SELECT DISTINCT codes FROM part_scan_codes);

CREATE OR REPLACE TEMP TABLE part_scan_lists AS
SELECT scan_no, list_no FROM part_scan_codes JOIN part_lists USING (codes);
