-- Why a scan says something or nothing is a code with its numbers; sentences are made when shown.
-- Filled by the next analysis, which rebuilds every vehicle.
DROP VIEW evidence;
DROP TABLE evidence_steps;
CREATE TABLE evidence_steps (
    fix_no BIGINT NOT NULL, scan_no BIGINT NOT NULL, finding VARCHAR NOT NULL,
    reason VARCHAR NOT NULL, monitor VARCHAR, since_clear_km DOUBLE, needed_km DOUBLE,
    stretch_from_km DOUBLE
);
CREATE VIEW evidence AS
SELECT a.attempt_id, a.vehicle_id, m.scan_id, m.seen_at, m.km, e.finding, e.reason, e.monitor,
    e.since_clear_km, e.needed_km, e.stretch_from_km,
    CASE WHEN e.finding = 'clean' THEN m.km END AS stretch_to_km
FROM evidence_steps e
JOIN fix_numbers a USING (fix_no)
JOIN scan_moments m USING (scan_no);

INSERT INTO stale_vehicles
SELECT vehicle_id, 0 FROM (
    SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scans
    UNION SELECT vehicle_id FROM clears UNION SELECT vehicle_id FROM repairs)
WHERE vehicle_id NOT IN (SELECT vehicle_id FROM stale_vehicles);
