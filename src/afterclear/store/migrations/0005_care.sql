-- What running by itself for years needs to remember.

-- Rows taken out on request or by a retention rule, so that the ledger still adds up.
CREATE TABLE erasures (
    load_id INTEGER NOT NULL, table_name VARCHAR NOT NULL, n_rows BIGINT NOT NULL,
    why VARCHAR NOT NULL, erased_at TIMESTAMP NOT NULL
);

-- Delivered bytes that are no longer in the archive as they came: ``kept_sha256`` names the
-- file without the erased rows, or is NULL where nothing is kept.
CREATE TABLE archive_changes (
    sha256 VARCHAR NOT NULL, kept_sha256 VARCHAR, why VARCHAR NOT NULL,
    changed_at TIMESTAMP NOT NULL
);

-- How far each source is read: the state in which each of its files was last taken.
CREATE TABLE cursors (
    source VARCHAR NOT NULL, name VARCHAR NOT NULL, token VARCHAR NOT NULL,
    outcome VARCHAR NOT NULL, reading VARCHAR NOT NULL, taken_at TIMESTAMP NOT NULL
);

-- One row per run of a job, by hand or by the timetable; ``due_at`` only for the latter.
CREATE TABLE runs (
    run_id INTEGER NOT NULL, job VARCHAR NOT NULL, due_at TIMESTAMP, n_missed INTEGER NOT NULL,
    started_at TIMESTAMP NOT NULL, finished_at TIMESTAMP NOT NULL, outcome VARCHAR NOT NULL,
    report_json VARCHAR NOT NULL
);

-- A row while an analysis works: results are then half old, half new, until one has finished.
CREATE TABLE unfinished (what VARCHAR NOT NULL, started_at TIMESTAMP NOT NULL);
