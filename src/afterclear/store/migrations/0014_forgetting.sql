-- A vehicle that is being forgotten: its names stand here only until the work is done, so that the
-- work can be gone on with after a kill.
CREATE TABLE forgetting (
    forgetting_id INTEGER NOT NULL, step VARCHAR NOT NULL, vehicle_id VARCHAR, page VARCHAR,
    marks VARCHAR, n_rows BIGINT NOT NULL, n_history_rows BIGINT NOT NULL,
    files_rewritten BIGINT NOT NULL, files_erased BIGINT NOT NULL, n_renamed BIGINT NOT NULL,
    begun_at TIMESTAMP NOT NULL
);

-- Archived files not yet looked at; ``speaks``: rows of the vehicle came from it.
CREATE TABLE forgetting_files (sha256 VARCHAR NOT NULL, speaks BOOLEAN NOT NULL);

-- Names of forgotten vehicles, as keyed hashes: what the door refuses.  ``kind``: a vehicle's
-- number as written, or a mark (VIN, plate, number) without case and blanks; ``length``: its bytes.
CREATE TABLE forgotten (
    forgetting_id INTEGER NOT NULL, kind VARCHAR NOT NULL, name_hash VARCHAR NOT NULL,
    length INTEGER NOT NULL, forgotten_at TIMESTAMP NOT NULL
);
CREATE TABLE door_key (key VARCHAR NOT NULL);
