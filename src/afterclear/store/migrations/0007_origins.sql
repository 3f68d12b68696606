-- From when a vehicle has had its plate.
ALTER TABLE vehicles ADD COLUMN plate_since DATE;

-- What a load was told beside its file, so that it can be read again, and which plain tables it
-- brought; by_marks: some of its rows
-- know their vehicle by VIN or plate only, so they depend on the vehicle list.
CREATE TABLE load_origins (
    load_id INTEGER NOT NULL, zone VARCHAR NOT NULL, vehicle_id VARCHAR, started_at TIMESTAMP,
    changed_at DOUBLE, tables VARCHAR NOT NULL, by_marks BOOLEAN NOT NULL
);

-- Refused rows of loads that were read again: kept, but neither listed nor counted.
CREATE TABLE replaced_rejections (
    load_id INTEGER NOT NULL, file_name VARCHAR NOT NULL, line BIGINT, table_name VARCHAR,
    column_name VARCHAR, value VARCHAR, expected VARCHAR NOT NULL, row_json VARCHAR,
    replaced_by INTEGER NOT NULL
);
