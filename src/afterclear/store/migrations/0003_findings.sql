-- What the histories say of vehicles, parts, sites: made anew by every analysis.  Columns named
-- in the contract come first; the others carry a finding's n, effect, interval, q and method.

CREATE TABLE recurring (
    vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, code VARCHAR NOT NULL,
    family VARCHAR NOT NULL, n_episodes INTEGER NOT NULL, exposure_km DOUBLE,
    rate_per_10000km DOUBLE, peer_rate_per_10000km DOUBLE, p_excess DOUBLE, q_value DOUBLE,
    flagged BOOLEAN NOT NULL, n_onsets INTEGER NOT NULL, expected_onsets DOUBLE, ratio DOUBLE,
    ratio_low DOUBLE, ratio_high DOUBLE, p_value DOUBLE, peers VARCHAR NOT NULL,
    peer_onsets INTEGER NOT NULL, peer_km DOUBLE, method VARCHAR NOT NULL,
    sentence VARCHAR NOT NULL
);

CREATE TABLE worsening (
    vehicle_id VARCHAR NOT NULL, n_events INTEGER NOT NULL, exposure_km DOUBLE NOT NULL,
    trend VARCHAR NOT NULL, p_value DOUBLE, q_value DOUBLE, shape DOUBLE, shape_own DOUBLE,
    shape_low DOUBLE,
    shape_high DOUBLE, p_worsening DOUBLE, entry_km DOUBLE, exit_km DOUBLE,
    method VARCHAR NOT NULL, sentence VARCHAR NOT NULL
);

-- The events a vehicle's trend was told from, so that it can be traced and drawn.
CREATE TABLE worsening_events (
    vehicle_id VARCHAR NOT NULL, event_no INTEGER NOT NULL, seen_at TIMESTAMP NOT NULL,
    event_km DOUBLE NOT NULL, faults VARCHAR NOT NULL
);

-- Mean number of new faults per vehicle by mileage, for each platform.
CREATE TABLE fault_curves (
    platform VARCHAR NOT NULL, km DOUBLE NOT NULL, n_at_risk INTEGER NOT NULL,
    mean DOUBLE NOT NULL, mean_low DOUBLE NOT NULL, mean_high DOUBLE NOT NULL
);

CREATE TABLE parts (
    part_number VARCHAR, part_brand VARCHAR, part_family VARCHAR NOT NULL, position VARCHAR,
    n_fitted INTEGER NOT NULL, n_failed INTEGER NOT NULL, km_observed DOUBLE NOT NULL,
    b10_km DOUBLE, b10_low_km DOUBLE, b10_high_km DOUBLE, shape DOUBLE,
    life_ratio_to_peers DOUBLE, ratio_low DOUBLE, ratio_high DOUBLE, q_value DOUBLE,
    flagged BOOLEAN, method VARCHAR NOT NULL, grouping VARCHAR NOT NULL,
    family_label VARCHAR NOT NULL, part_grades VARCHAR, n_followed INTEGER NOT NULL,
    n_preventive INTEGER NOT NULL, n_accident INTEGER NOT NULL, n_unknown_reason INTEGER NOT NULL,
    n_lost_sight INTEGER NOT NULL, n_late_entry INTEGER NOT NULL, shape_low DOUBLE,
    shape_high DOUBLE, pattern VARCHAR, p_value DOUBLE, test VARCHAR, n_peers INTEGER,
    n_peers_failed INTEGER, n_strata INTEGER, share_failed_at_horizon DOUBLE, horizon_km DOUBLE,
    expected_km DOUBLE, expected_source VARCHAR, life_to_expected DOUBLE, to_expected_low DOUBLE,
    to_expected_high DOUBLE, sentence VARCHAR NOT NULL
);

-- The claim sheet: one row a part, from fitting to removal or to when it was last known to be in.
CREATE TABLE claims (
    part_number VARCHAR, part_brand VARCHAR, part_grade VARCHAR, part_family VARCHAR NOT NULL,
    position VARCHAR, vehicle_id VARCHAR NOT NULL, fitted_at TIMESTAMP, fitted_km DOUBLE,
    fitted_repair_id VARCHAR, fitted_site VARCHAR, ended_by VARCHAR NOT NULL,
    removed_at TIMESTAMP, removed_km DOUBLE, removed_repair_id VARCHAR, removed_site VARCHAR,
    km_run DOUBLE NOT NULL, km_unwatched DOUBLE NOT NULL, is_factory BOOLEAN NOT NULL,
    part_cost DOUBLE, currency VARCHAR, number_on_order VARCHAR
);

-- What had to be left out of the lives of parts, and why.
CREATE TABLE parts_left_out (reason VARCHAR NOT NULL, n INTEGER NOT NULL);

-- Sites, technicians, brands and grades: one table, ``level`` tells which.
CREATE TABLE holders (
    level VARCHAR NOT NULL, name VARCHAR NOT NULL, n_attempts INTEGER NOT NULL,
    n_judged INTEGER NOT NULL, observed INTEGER NOT NULL, expected DOUBLE, ratio DOUBLE,
    ratio_low DOUBLE, ratio_high DOUBLE, limit_ratio DOUBLE, flagged BOOLEAN NOT NULL,
    lost_to_follow_up DOUBLE, label VARCHAR NOT NULL, limit_low DOUBLE, phi DOUBLE,
    p_value DOUBLE, q_value DOUBLE, shrunken_ratio DOUBLE, shrunken_low DOUBLE,
    shrunken_high DOUBLE, rank INTEGER, n_repairs INTEGER NOT NULL, n_bare_clears INTEGER NOT NULL,
    n_never_gone INTEGER NOT NULL, n_seen_elsewhere INTEGER NOT NULL, apart_from VARCHAR,
    ratio_apart DOUBLE, ratio_apart_low DOUBLE, ratio_apart_high DOUBLE, p_apart DOUBLE,
    n_side_by_side INTEGER, at_sites VARCHAR, method VARCHAR NOT NULL, sentence VARCHAR NOT NULL
);

-- Come-backs by the quarter in which the work was done; an empty site is all of them.
CREATE TABLE held_by_quarter (
    site VARCHAR, quarter VARCHAR NOT NULL, n_attempts INTEGER NOT NULL,
    n_judged INTEGER NOT NULL, observed INTEGER NOT NULL, expected DOUBLE, ratio DOUBLE,
    ratio_low DOUBLE, ratio_high DOUBLE, share_held DOUBLE, share_low DOUBLE, share_high DOUBLE
);

CREATE TABLE process (
    site VARCHAR NOT NULL, finding VARCHAR NOT NULL, n INTEGER NOT NULL, n_of INTEGER NOT NULL,
    share DOUBLE, share_low DOUBLE, share_high DOUBLE, others_share DOUBLE, odds_ratio DOUBLE,
    odds_low DOUBLE, odds_high DOUBLE, p_value DOUBLE, q_value DOUBLE, flagged BOOLEAN NOT NULL,
    method VARCHAR NOT NULL, sentence VARCHAR NOT NULL
);

CREATE TABLE process_costs (
    site VARCHAR NOT NULL, finding VARCHAR NOT NULL, currency VARCHAR NOT NULL,
    n_orders INTEGER NOT NULL, n_priced INTEGER NOT NULL, cost DOUBLE NOT NULL,
    sentence VARCHAR NOT NULL
);

-- The work orders behind the counts and the money.
CREATE TABLE process_orders (
    site VARCHAR NOT NULL, finding VARCHAR NOT NULL, vehicle_id VARCHAR NOT NULL,
    repair_id VARCHAR, attempt_id VARCHAR, happened_at TIMESTAMP, code VARCHAR, what VARCHAR,
    cost DOUBLE, currency VARCHAR
);
