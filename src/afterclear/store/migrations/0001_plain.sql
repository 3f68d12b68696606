-- The plain layout as delivered, after normalising.  Instants are UTC, distances km.

CREATE TABLE vehicles (
    vehicle_id VARCHAR NOT NULL, vin VARCHAR, plate VARCHAR, make VARCHAR, model VARCHAR,
    model_year SMALLINT, powertrain VARCHAR, site VARCHAR, in_service_on DATE,
    stock_status VARCHAR, acquired_on DATE, extras VARCHAR, load_id INTEGER NOT NULL
);

CREATE TABLE scans (
    scan_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, scanned_at TIMESTAMP NOT NULL,
    odometer_km DOUBLE, engine_hours DOUBLE, scan_scope VARCHAR, memory VARCHAR,
    ecu VARCHAR, ecu_response VARCHAR, code VARCHAR, status VARCHAR, description VARCHAR,
    occurrences INTEGER, first_seen_km DOUBLE, ecu_vin VARCHAR, distance_since_clear_km DOUBLE,
    warmups_since_clear INTEGER, monitors_incomplete VARCHAR, lamps VARCHAR,
    visit_reason VARCHAR, extras VARCHAR, load_id INTEGER NOT NULL
);

CREATE TABLE clears (
    vehicle_id VARCHAR NOT NULL, cleared_at TIMESTAMP NOT NULL, odometer_km DOUBLE,
    ecu VARCHAR, reason VARCHAR, extras VARCHAR, load_id INTEGER NOT NULL
);

CREATE TABLE repairs (
    repair_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, repaired_at TIMESTAMP NOT NULL,
    odometer_km DOUBLE, site VARCHAR, technician VARCHAR, codes VARCHAR, action VARCHAR,
    part_number VARCHAR, part_brand VARCHAR, part_grade VARCHAR, part_family VARCHAR,
    position VARCHAR, quantity DOUBLE, part_cost DOUBLE, labour_cost DOUBLE, currency VARCHAR,
    removal_reason VARCHAR, notes VARCHAR, extras VARCHAR, load_id INTEGER NOT NULL
);

-- Rows replaced by a later delivery: kept whole, with both loads.
CREATE TABLE superseded (
    table_name VARCHAR NOT NULL, row_json VARCHAR NOT NULL, key_json VARCHAR NOT NULL,
    content_hash UBIGINT NOT NULL, load_id INTEGER NOT NULL, superseded_by INTEGER NOT NULL
);

CREATE TABLE rejections (
    load_id INTEGER NOT NULL, file_name VARCHAR NOT NULL, line BIGINT, table_name VARCHAR,
    column_name VARCHAR, value VARCHAR, expected VARCHAR NOT NULL, row_json VARCHAR
);

-- The ledger.  A load's row is written last, in its transaction: no row, no load.
CREATE TABLE loads (
    load_id INTEGER NOT NULL, source VARCHAR NOT NULL, file_name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL, reader VARCHAR, outcome VARCHAR NOT NULL,
    rows_read BIGINT NOT NULL, rows_stored BIGINT NOT NULL, rows_duplicate BIGINT NOT NULL,
    rows_rejected BIGINT NOT NULL, rows_corrected BIGINT NOT NULL, note VARCHAR,
    started_at TIMESTAMP NOT NULL, finished_at TIMESTAMP NOT NULL
);

-- Vehicles whose stored rows changed since their history was last rebuilt.
CREATE TABLE stale_vehicles (vehicle_id VARCHAR NOT NULL, load_id INTEGER NOT NULL);
