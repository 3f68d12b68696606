-- What each scan read of each unit, by number: the table has a row for every unit of every scan,
-- so names stand beside it.  ``observations`` stays as the view people ask.  Filled by the next
-- analysis, which rebuilds every vehicle.
DROP TABLE observations;

CREATE TABLE scan_moments (
    scan_no BIGINT NOT NULL, vehicle_id VARCHAR NOT NULL, scan_id VARCHAR NOT NULL,
    seen_at TIMESTAMP NOT NULL, km DOUBLE, km_low DOUBLE, km_high DOUBLE, scan_scope VARCHAR,
    visit_reason VARCHAR
);

CREATE TABLE known_units (
    unit_no BIGINT NOT NULL, vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL
);

CREATE TABLE looks (
    scan_no BIGINT NOT NULL, unit_no BIGINT NOT NULL, answered BOOLEAN NOT NULL,
    is_stored_memory BOOLEAN NOT NULL, n_codes INTEGER NOT NULL, since_clear_km DOUBLE,
    warmups INTEGER, monitors_incomplete VARCHAR, ecu_vin VARCHAR
);

-- the km of scans stand there; these are those of work orders and clears
DELETE FROM moment_km;
ALTER TABLE moment_km RENAME TO other_moments;
CREATE VIEW moment_km AS
FROM other_moments
UNION ALL
SELECT vehicle_id, seen_at, 'scan', scan_id, km, km_low, km_high FROM scan_moments;

CREATE VIEW observations AS
SELECT m.vehicle_id, m.scan_id, u.ecu, m.seen_at, m.km, m.km_low, m.km_high, m.scan_scope,
    m.visit_reason, coalesce(l.answered, false) AS answered,
    -- a scan without a unit is an odometer reading: it looked into no memory
    CASE WHEN l.is_stored_memory IS NOT DISTINCT FROM false THEN 'active_only' ELSE 'stored' END
        AS memory,
    coalesce(l.n_codes, 0) AS n_codes, l.since_clear_km, l.warmups, l.monitors_incomplete,
    l.ecu_vin
FROM scan_moments m
LEFT JOIN looks l USING (scan_no)
LEFT JOIN known_units u USING (unit_no);

INSERT INTO stale_vehicles SELECT DISTINCT vehicle_id, 0 FROM scans;
