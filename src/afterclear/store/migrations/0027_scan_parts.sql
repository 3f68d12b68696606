-- Scan rows in three tables: what rows of a scan share once, each answer of a unit once, and the
-- rows. ``scans`` stays, as the view that puts them together. See store/merging/scan_parts.py.
-- (A view must not name a table the histories build under the same name: it would read that.)
CREATE TABLE scan_facts (
    fact_no INTEGER NOT NULL, vehicle_id VARCHAR NOT NULL, scan_id VARCHAR NOT NULL,
    scanned_at TIMESTAMP NOT NULL, odometer_km DOUBLE, engine_hours DOUBLE, scan_scope VARCHAR,
    memory VARCHAR, visit_reason VARCHAR, load_id INTEGER NOT NULL
);
CREATE TABLE unit_answers (
    answer_no INTEGER NOT NULL, ecu VARCHAR, ecu_response VARCHAR, code VARCHAR, status VARCHAR,
    description VARCHAR, monitors_incomplete VARCHAR, lamps VARCHAR
);
CREATE TABLE scan_lines (
    fact_no INTEGER NOT NULL, answer_no INTEGER NOT NULL, occurrences INTEGER,
    first_seen_km DOUBLE, ecu_vin VARCHAR, distance_since_clear_km DOUBLE,
    warmups_since_clear INTEGER, extras VARCHAR
);

INSERT INTO scan_facts
SELECT row_number() OVER (ORDER BY load_id, vehicle_id, scanned_at, scan_id), *
FROM (SELECT DISTINCT vehicle_id, scan_id, scanned_at, odometer_km, engine_hours, scan_scope,
          memory, visit_reason, load_id FROM scans)
ORDER BY 1;

INSERT INTO unit_answers
SELECT row_number() OVER (ORDER BY ecu, ecu_response, code, status, description, monitors_incomplete,
    lamps), *
FROM (SELECT DISTINCT ecu, ecu_response, code, status, description, monitors_incomplete, lamps
      FROM scans)
ORDER BY 1;

INSERT INTO scan_lines
SELECT f.fact_no, a.answer_no, s.occurrences, s.first_seen_km, s.ecu_vin,
    s.distance_since_clear_km, s.warmups_since_clear, s.extras
FROM scans s
JOIN scan_facts f ON f.vehicle_id = s.vehicle_id AND f.scan_id = s.scan_id
    AND f.scanned_at = s.scanned_at AND f.load_id = s.load_id
    AND f.odometer_km IS NOT DISTINCT FROM s.odometer_km
    AND f.engine_hours IS NOT DISTINCT FROM s.engine_hours
    AND f.scan_scope IS NOT DISTINCT FROM s.scan_scope
    AND f.memory IS NOT DISTINCT FROM s.memory
    AND f.visit_reason IS NOT DISTINCT FROM s.visit_reason
JOIN unit_answers a ON a.ecu IS NOT DISTINCT FROM s.ecu
    AND a.ecu_response IS NOT DISTINCT FROM s.ecu_response
    AND a.code IS NOT DISTINCT FROM s.code
    AND a.status IS NOT DISTINCT FROM s.status
    AND a.description IS NOT DISTINCT FROM s.description
    AND a.monitors_incomplete IS NOT DISTINCT FROM s.monitors_incomplete
    AND a.lamps IS NOT DISTINCT FROM s.lamps
ORDER BY f.fact_no;

DROP TABLE scans;
CREATE VIEW scans AS
SELECT f.scan_id, f.vehicle_id, f.scanned_at, f.odometer_km, f.engine_hours, f.scan_scope,
    f.memory, a.ecu, a.ecu_response, a.code, a.status, a.description, r.occurrences,
    r.first_seen_km, r.ecu_vin, r.distance_since_clear_km, r.warmups_since_clear,
    a.monitors_incomplete, a.lamps, f.visit_reason, r.extras, f.load_id
FROM scan_lines r
JOIN scan_facts f USING (fact_no)
JOIN unit_answers a USING (answer_no);
