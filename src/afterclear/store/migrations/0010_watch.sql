-- Each unit's exposure in km, and its exposure without each of its codes: read once from the
-- largest tables, when the unit's history is built. The next analysis fills units without a row; km
-- is NULL if a unit was never read.
CREATE TABLE unit_watch (vehicle_id VARCHAR NOT NULL, unit_no BIGINT NOT NULL, km DOUBLE);

CREATE TABLE fault_watch (
    vehicle_id VARCHAR NOT NULL, unit_no BIGINT NOT NULL, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, n_episodes INTEGER NOT NULL, clean_km DOUBLE NOT NULL
);
