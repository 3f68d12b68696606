-- What the rows say, rebuilt for a vehicle whenever its rows change.  Same words as histories/.

CREATE TABLE odometer (
    vehicle_id VARCHAR NOT NULL, read_at TIMESTAMP NOT NULL, reading_km DOUBLE NOT NULL,
    line_km DOUBLE, set_aside VARCHAR, origin VARCHAR NOT NULL, origin_id VARCHAR NOT NULL
);

CREATE TABLE moment_km (
    vehicle_id VARCHAR NOT NULL, happened_at TIMESTAMP NOT NULL, origin VARCHAR NOT NULL,
    origin_id VARCHAR NOT NULL, km DOUBLE, km_low DOUBLE, km_high DOUBLE
);

CREATE TABLE vehicle_clocks (
    vehicle_id VARCHAR NOT NULL, clock VARCHAR NOT NULL, km_per_day DOUBLE, last_at TIMESTAMP
);

CREATE TABLE observations (
    vehicle_id VARCHAR NOT NULL, scan_id VARCHAR NOT NULL, ecu VARCHAR, seen_at TIMESTAMP NOT NULL,
    km DOUBLE, km_low DOUBLE, km_high DOUBLE, scan_scope VARCHAR, visit_reason VARCHAR,
    answered BOOLEAN NOT NULL, memory VARCHAR NOT NULL, n_codes INTEGER NOT NULL,
    since_clear_km DOUBLE, warmups INTEGER, monitors_incomplete VARCHAR, ecu_vin VARCHAR
);

CREATE TABLE sightings (
    vehicle_id VARCHAR NOT NULL, scan_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL,
    code VARCHAR NOT NULL, family VARCHAR NOT NULL, seen_at TIMESTAMP NOT NULL, km DOUBLE,
    presence VARCHAR NOT NULL, status VARCHAR
);

CREATE TABLE clear_events (
    vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, cleared_at TIMESTAMP NOT NULL,
    low_at TIMESTAMP, high_at TIMESTAMP, km DOUBLE, km_low DOUBLE, km_high DOUBLE,
    origin VARCHAR NOT NULL, reason VARCHAR
);

CREATE TABLE episodes (
    vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, onset_low_at TIMESTAMP, onset_high_at TIMESTAMP NOT NULL,
    onset_low_km DOUBLE, onset_high_km DOUBLE, last_seen_at TIMESTAMP NOT NULL,
    last_seen_km DOUBLE, ended_by VARCHAR NOT NULL, ended_high_at TIMESTAMP,
    ended_high_km DOUBLE, n_scans INTEGER NOT NULL
);

-- An attempt with its evidence window; the verdict, which depends on the whole fleet, stands
-- in ``verdicts``.
CREATE TABLE attempts (
    attempt_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, ecu VARCHAR, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, kind VARCHAR NOT NULL, attempt_no INTEGER NOT NULL,
    is_repeat BOOLEAN NOT NULL, repair_id VARCHAR, site VARCHAR, technician VARCHAR,
    action VARCHAR, parts VARCHAR, cost DOUBLE, currency VARCHAR, attempted_at TIMESTAMP NOT NULL,
    attempted_km DOUBLE, ended_at TIMESTAMP, clean_km DOUBLE NOT NULL, clean_days DOUBLE NOT NULL,
    returned BOOLEAN NOT NULL, stayed BOOLEAN NOT NULL, unwatched_km DOUBLE,
    returned_at TIMESTAMP, returned_scan_id VARCHAR, last_clean_at TIMESTAMP,
    last_clean_scan_id VARCHAR, related_code VARCHAR, scans_used INTEGER NOT NULL
);

CREATE TABLE evidence (
    attempt_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, scan_id VARCHAR NOT NULL,
    seen_at TIMESTAMP NOT NULL, km DOUBLE, finding VARCHAR NOT NULL, why VARCHAR,
    stretch_from_km DOUBLE, stretch_to_km DOUBLE
);

-- What the codes met are about, in words.
CREATE TABLE codes_met (
    code VARCHAR NOT NULL, family VARCHAR NOT NULL, family_label VARCHAR NOT NULL,
    meaning VARCHAR NOT NULL, certain BOOLEAN NOT NULL
);

-- For the background rate of new faults: gaps in which a first fault began, and km watched.
CREATE TABLE onsets (
    vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, gap_km DOUBLE NOT NULL
);

CREATE TABLE watched (vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, km DOUBLE NOT NULL);

CREATE TABLE verdicts (
    attempt_id VARCHAR NOT NULL, outcome VARCHAR NOT NULL, p_not_held DOUBLE,
    p_same_fault DOUBLE, km_to_go DOUBLE, returned_low_km DOUBLE, returned_high_km DOUBLE,
    n_group INTEGER NOT NULL, group_returned INTEGER NOT NULL
);

-- One row per analysis: as of when, over which loads, by which version.
CREATE TABLE analyses (
    analysis_id INTEGER NOT NULL, as_of TIMESTAMP NOT NULL, through_load INTEGER NOT NULL,
    is_full BOOLEAN NOT NULL, version VARCHAR NOT NULL, vehicles_rebuilt BIGINT NOT NULL,
    started_at TIMESTAMP NOT NULL, finished_at TIMESTAMP NOT NULL
);

-- What each digest said, so that the next can say what changed.
CREATE TABLE digests (
    digest_id INTEGER NOT NULL, as_of TIMESTAMP NOT NULL, audience VARCHAR NOT NULL,
    version VARCHAR NOT NULL, written_at TIMESTAMP NOT NULL
);

CREATE TABLE digest_outcomes (
    digest_id INTEGER NOT NULL, attempt_id VARCHAR NOT NULL, outcome VARCHAR NOT NULL
);
