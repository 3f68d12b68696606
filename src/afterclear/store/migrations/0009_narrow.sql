-- Evidence and odometer readings by number: each is read at a scan, whose names, time and km stand
-- with the scan.  The words about codes are kept for each vehicle that shows them, so that they
-- are the same whichever vehicles were rebuilt last.  Old names stay as the views people ask.
-- Filled by the next analysis, which rebuilds every vehicle.
ALTER TABLE scan_moments ADD COLUMN reading_km DOUBLE;
DELETE FROM attempts;
DELETE FROM verdicts;

DROP TABLE evidence;
CREATE TABLE fix_numbers (
    fix_no BIGINT NOT NULL, attempt_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL
);
CREATE TABLE evidence_steps (
    fix_no BIGINT NOT NULL, scan_no BIGINT NOT NULL, finding VARCHAR NOT NULL, why VARCHAR,
    stretch_from_km DOUBLE
);
-- (a view must not name a table the histories build under the same name: it would read that)
CREATE VIEW evidence AS
SELECT a.attempt_id, a.vehicle_id, m.scan_id, m.seen_at, m.km, e.finding, e.why,
    e.stretch_from_km, CASE WHEN e.finding = 'clean' THEN m.km END AS stretch_to_km
FROM evidence_steps e
JOIN fix_numbers a USING (fix_no)
JOIN scan_moments m USING (scan_no);

-- what is set aside or not read by a scan; the others' readings stand with their scans
DELETE FROM odometer;
ALTER TABLE odometer RENAME TO other_readings;
CREATE VIEW odometer AS
FROM other_readings
UNION ALL
SELECT vehicle_id, seen_at, reading_km, reading_km, NULL, 'scan', scan_id
FROM scan_moments WHERE reading_km IS NOT NULL;

-- what the tool said of the code, for rules that read it
ALTER TABLE sightings ADD COLUMN description VARCHAR;

DROP TABLE codes_met;
CREATE TABLE vehicle_words (
    vehicle_id VARCHAR NOT NULL, code VARCHAR NOT NULL, family VARCHAR NOT NULL,
    family_label VARCHAR NOT NULL, meaning VARCHAR NOT NULL, certain BOOLEAN NOT NULL
);
CREATE VIEW codes_met AS
SELECT code, family, min(family_label) AS family_label, min(meaning) AS meaning,
    bool_and(certain) AS certain
FROM vehicle_words GROUP BY code, family;

INSERT INTO stale_vehicles
SELECT vehicle_id, 0 FROM (
    SELECT vehicle_id FROM vehicles UNION SELECT vehicle_id FROM scans
    UNION SELECT vehicle_id FROM clears UNION SELECT vehicle_id FROM repairs);
