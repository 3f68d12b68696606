-- How far each unit was watched, and how far without each of its codes: read once from the largest
-- tables, when the unit's history is built.  A unit that has no row yet is looked at by the next
-- analysis; km is NULL where a unit was never read.
CREATE TABLE unit_watch (vehicle_id VARCHAR NOT NULL, unit_no BIGINT NOT NULL, km DOUBLE);

CREATE TABLE fault_watch (
    vehicle_id VARCHAR NOT NULL, unit_no BIGINT NOT NULL, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, n_episodes INTEGER NOT NULL, clean_km DOUBLE NOT NULL
);
