-- How soon, since when, what the fault is in plain words and what the work usually costs.  Filled by the next analysis.
ALTER TABLE worklist ADD COLUMN urgency VARCHAR;
ALTER TABLE worklist ADD COLUMN since_at TIMESTAMP;
ALTER TABLE worklist ADD COLUMN meaning VARCHAR;
ALTER TABLE worklist ADD COLUMN usual_cost DOUBLE;
INSERT INTO stale_vehicles
SELECT vehicle_id, 0 FROM vehicles
WHERE vehicle_id NOT IN (SELECT vehicle_id FROM stale_vehicles);
