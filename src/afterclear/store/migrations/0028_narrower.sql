-- What a scan read of a vehicle's units, and which of them a clear emptied, is one of few patterns:
-- each is kept once, by the units' places in their vehicle.  Evidence is kept by runs of scans that
-- prove the same.  Old names stay as the views people ask.  Filled by the next analysis, which
-- rebuilds every vehicle.
DROP VIEW evidence;
DROP VIEW observations;
DROP VIEW moment_km;
DROP VIEW odometer;
DROP TABLE evidence_steps;
DROP TABLE looks;
DROP TABLE clear_events;

CREATE TABLE unit_patterns (
    pattern_no INTEGER NOT NULL, pattern VARCHAR NOT NULL, unit_at INTEGER NOT NULL,
    answered BOOLEAN NOT NULL, is_stored_memory BOOLEAN NOT NULL
);

-- ``km_low``, ``km_high``: where they are not the km; ``reading_km``: where ``is_reading`` does not
-- say that the km are the reading
ALTER TABLE scan_moments ADD COLUMN is_reading BOOLEAN;
ALTER TABLE scan_moments ADD COLUMN first_unit_no BIGINT;
ALTER TABLE scan_moments ADD COLUMN pattern_no INTEGER;

CREATE VIEW looks AS
SELECT m.scan_no, m.first_unit_no + p.unit_at AS unit_no, p.answered, p.is_stored_memory
FROM scan_moments m JOIN unit_patterns p USING (pattern_no);

-- what a unit said in a scan, if anything
CREATE TABLE unit_notes (
    vehicle_id VARCHAR NOT NULL, scan_no BIGINT NOT NULL, unit_no BIGINT NOT NULL,
    n_codes INTEGER NOT NULL, since_clear_km DOUBLE, warmups INTEGER,
    monitors_incomplete VARCHAR, ecu_vin VARCHAR
);

CREATE VIEW observations AS
SELECT m.vehicle_id, m.scan_id, u.ecu, m.seen_at, m.km, coalesce(m.km_low, m.km) AS km_low,
    coalesce(m.km_high, m.km) AS km_high, m.scan_scope, m.visit_reason,
    coalesce(p.answered, false) AS answered,
    -- a scan without a unit is an odometer reading: it looked into no memory
    CASE WHEN p.is_stored_memory IS NOT DISTINCT FROM false THEN 'active_only' ELSE 'stored' END
        AS memory,
    coalesce(n.n_codes, 0) AS n_codes, n.since_clear_km, n.warmups, n.monitors_incomplete,
    n.ecu_vin
FROM scan_moments m
LEFT JOIN unit_patterns p USING (pattern_no)
LEFT JOIN known_units u
    ON u.vehicle_id = m.vehicle_id AND u.unit_no = m.first_unit_no + p.unit_at
LEFT JOIN unit_notes n ON n.vehicle_id = m.vehicle_id AND n.scan_no = m.scan_no
    AND n.unit_no = m.first_unit_no + p.unit_at;

CREATE VIEW moment_km AS
FROM other_moments
UNION ALL
SELECT vehicle_id, seen_at, 'scan', scan_id, km, coalesce(km_low, km), coalesce(km_high, km)
FROM scan_moments;

CREATE VIEW odometer AS
FROM other_readings
UNION ALL
SELECT vehicle_id, seen_at, km, km, NULL, 'scan', scan_id
FROM (SELECT * REPLACE (CASE WHEN is_reading THEN coalesce(reading_km, km) ELSE reading_km END AS km)
      FROM scan_moments)
WHERE km IS NOT NULL;

-- a clear of some units of a vehicle
CREATE TABLE clears_placed (
    vehicle_id VARCHAR NOT NULL, first_unit_no BIGINT NOT NULL, pattern_no INTEGER NOT NULL,
    cleared_at TIMESTAMP NOT NULL, low_at TIMESTAMP, high_at TIMESTAMP, km DOUBLE, km_low DOUBLE,
    km_high DOUBLE, origin VARCHAR NOT NULL, reason VARCHAR
);
CREATE VIEW clear_events AS
SELECT c.vehicle_id, u.ecu, c.cleared_at, c.low_at, c.high_at, c.km, c.km_low, c.km_high, c.origin,
    c.reason
FROM clears_placed c
JOIN unit_patterns p USING (pattern_no)
JOIN known_units u ON u.vehicle_id = c.vehicle_id AND u.unit_no = c.first_unit_no + p.unit_at;

CREATE TABLE evidence_runs (
    fix_no BIGINT NOT NULL, first_scan_no BIGINT NOT NULL, n_scans INTEGER NOT NULL,
    finding VARCHAR NOT NULL, reason VARCHAR NOT NULL, monitor VARCHAR, needed_km DOUBLE,
    clear_km DOUBLE, stretch_from_km DOUBLE
);
-- within a run, a stretch begins at the scan before
CREATE VIEW evidence AS
SELECT a.attempt_id, a.vehicle_id, m.scan_id, m.seen_at, m.km, e.finding, e.reason, e.monitor,
    CASE WHEN e.clear_km IS NOT NULL THEN greatest(0, m.km - e.clear_km) END AS since_clear_km,
    e.needed_km,
    CASE WHEN e.nth = 0 THEN e.stretch_from_km WHEN e.finding = 'clean' THEN b.km END
        AS stretch_from_km,
    CASE WHEN e.finding = 'clean' THEN m.km END AS stretch_to_km
FROM (SELECT *, unnest(range(n_scans)) AS nth FROM evidence_runs) e
JOIN fix_numbers a USING (fix_no)
JOIN scan_moments m ON m.scan_no = e.first_scan_no + e.nth
LEFT JOIN scan_moments b ON b.scan_no = m.scan_no - 1;

INSERT INTO stale_vehicles
SELECT vehicle_id, 0 FROM (
    SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scans
    UNION SELECT vehicle_id FROM clears UNION SELECT vehicle_id FROM repairs)
WHERE vehicle_id NOT IN (SELECT vehicle_id FROM stale_vehicles);
