-- What to do, why, what to scan, what was decided and what costs are taken from are reasons with
-- their facts (JSON); sentences are made when shown.  Filled by the next analysis.
DROP TABLE worklist;
CREATE TABLE worklist (
    vehicle_id VARCHAR NOT NULL, audience VARCHAR NOT NULL, rank INTEGER,
    deeds VARCHAR NOT NULL, grounds VARCHAR NOT NULL, looks VARCHAR NOT NULL,
    safety BOOLEAN NOT NULL, attempt_ids VARCHAR NOT NULL, kind VARCHAR NOT NULL, site VARCHAR,
    units_to_scan VARCHAR, after_km DOUBLE, p_not_fixed DOUBLE NOT NULL,
    expected_loss DOUBLE NOT NULL, currency VARCHAR NOT NULL, cost_grounds VARCHAR NOT NULL,
    codes VARCHAR NOT NULL, cautions VARCHAR NOT NULL, decision VARCHAR, note VARCHAR
);
INSERT INTO stale_vehicles
SELECT vehicle_id, 0 FROM vehicles
WHERE vehicle_id NOT IN (SELECT vehicle_id FROM stale_vehicles);
