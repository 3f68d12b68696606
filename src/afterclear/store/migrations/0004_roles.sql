-- Which code is the fault and which the echo; what stock is ready; what to do first; and what
-- people decided.  All but ``decisions`` is made anew by every analysis.

CREATE TABLE roles (
    scan_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL,
    code VARCHAR NOT NULL, seen_at TIMESTAMP NOT NULL, role VARCHAR NOT NULL, primary_ecu VARCHAR,
    primary_code VARCHAR, confidence DOUBLE NOT NULL, basis VARCHAR NOT NULL,
    source VARCHAR, to_scan VARCHAR, why VARCHAR NOT NULL
);

-- What the fleet's own scans and repairs say of two codes: is one the other's cause?
CREATE TABLE role_pairs (
    cause_ecu VARCHAR NOT NULL, cause_code VARCHAR NOT NULL, effect_ecu VARCHAR NOT NULL,
    effect_code VARCHAR NOT NULL, n_both INTEGER NOT NULL, n_cause INTEGER NOT NULL,
    n_effect INTEGER NOT NULL, odds_ratio DOUBLE, odds_low DOUBLE, odds_high DOUBLE,
    cause_first INTEGER NOT NULL, effect_first INTEGER NOT NULL, order_p_value DOUBLE NOT NULL,
    effect_gone DOUBLE NOT NULL, n_cause_repaired DOUBLE NOT NULL, cause_gone DOUBLE NOT NULL,
    n_effect_repaired DOUBLE NOT NULL, score DOUBLE NOT NULL, called BOOLEAN NOT NULL
);

-- An echo still set, or back, after its cause was repaired and its own memory was cleared.
CREATE TABLE leftovers (
    vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, code VARCHAR NOT NULL,
    primary_ecu VARCHAR NOT NULL, primary_code VARCHAR NOT NULL, repair_id VARCHAR,
    repaired_at TIMESTAMP NOT NULL, first_scan_id VARCHAR NOT NULL, first_seen_at TIMESTAMP NOT NULL,
    last_seen_at TIMESTAMP NOT NULL, n_scans INTEGER NOT NULL, is_open BOOLEAN NOT NULL,
    why VARCHAR NOT NULL
);

-- Work aimed at an echo: what was done, what it cost, and where the fault was.
CREATE TABLE echo_work (
    attempt_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, ecu VARCHAR, code VARCHAR NOT NULL,
    attempted_at TIMESTAMP NOT NULL, repair_id VARCHAR, site VARCHAR, parts VARCHAR, cost DOUBLE,
    currency VARCHAR, primary_ecu VARCHAR NOT NULL, primary_code VARCHAR NOT NULL,
    scan_id VARCHAR NOT NULL, confidence DOUBLE NOT NULL, why VARCHAR NOT NULL
);

CREATE TABLE related_returns (
    attempt_id VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL, ecu VARCHAR, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, attempted_at TIMESTAMP NOT NULL, related_ecu VARCHAR NOT NULL,
    related_code VARCHAR NOT NULL, seen_at TIMESTAMP NOT NULL, km_after DOUBLE,
    is_open BOOLEAN NOT NULL, why VARCHAR NOT NULL
);

CREATE TABLE stock (
    vehicle_id VARCHAR NOT NULL, verdict VARCHAR NOT NULL, reasons VARCHAR NOT NULL,
    km_to_rescan DOUBLE, last_full_scan_at TIMESTAMP, because VARCHAR NOT NULL,
    safety BOOLEAN NOT NULL
);

CREATE TABLE stock_reasons (
    vehicle_id VARCHAR NOT NULL, position INTEGER NOT NULL, reason VARCHAR NOT NULL,
    weight VARCHAR NOT NULL, subject VARCHAR, km_to_rescan DOUBLE, source VARCHAR,
    because VARCHAR NOT NULL
);

CREATE TABLE worklist (
    vehicle_id VARCHAR NOT NULL, audience VARCHAR NOT NULL, rank INTEGER,
    action VARCHAR NOT NULL, because VARCHAR NOT NULL, safety BOOLEAN NOT NULL,
    attempt_ids VARCHAR NOT NULL, kind VARCHAR NOT NULL, site VARCHAR, units_to_scan VARCHAR,
    after_km DOUBLE, p_not_fixed DOUBLE NOT NULL, expected_loss DOUBLE NOT NULL,
    currency VARCHAR NOT NULL, loss_basis VARCHAR NOT NULL, codes VARCHAR NOT NULL,
    cautions VARCHAR NOT NULL, evidence VARCHAR NOT NULL, decided VARCHAR
);

-- A person's word.  Rows are never changed but for the two columns of an undo.
CREATE TABLE decisions (
    decision_id INTEGER NOT NULL, vehicle_id VARCHAR NOT NULL, attempt_id VARCHAR, ecu VARCHAR,
    code VARCHAR, word VARCHAR NOT NULL, until_at TIMESTAMP, until_km DOUBLE,
    decided_by VARCHAR NOT NULL, note VARCHAR, decided_at TIMESTAMP NOT NULL,
    undone_by VARCHAR, undone_at TIMESTAMP
);
