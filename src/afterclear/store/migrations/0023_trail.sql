-- Who did what at the desk; vehicles stand apart, so that one can be forgotten.
CREATE TABLE trail (
    entry_id VARCHAR NOT NULL, done_at TIMESTAMP NOT NULL, who VARCHAR NOT NULL, role VARCHAR NOT NULL,
    did VARCHAR NOT NULL, about VARCHAR NOT NULL
);
CREATE TABLE trail_vehicles (entry_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL);
