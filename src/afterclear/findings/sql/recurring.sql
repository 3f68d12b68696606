-- How far each unit was watched without a code, and how each of its own codes began.
-- Needs the temporary table ``code_rules`` (code, family, monitor, min_clean_km).

-- Readings of stored memory in the order of the histories: at one instant a scan before the
-- work, then the clear, then a scan after it; an inferred clear just before what revealed it.
CREATE OR REPLACE TEMP TABLE unit_looks AS
WITH readings AS (
    SELECT vehicle_id, ecu, scan_id, km, monitors_incomplete,
        seen_at + CASE WHEN visit_reason = 'post_repair' THEN INTERVAL 2 MICROSECOND
            ELSE INTERVAL 0 MICROSECOND END AS turn_at
    FROM store.observations
    WHERE ecu IS NOT NULL AND answered AND memory = 'stored' AND km IS NOT NULL
), clears AS (
    SELECT vehicle_id, ecu, km_high AS clear_km,
        cleared_at + CASE WHEN cleared_at < high_at THEN INTERVAL 3 MICROSECOND
            WHEN origin IN ('counter', 'vanished') THEN INTERVAL (-1) MICROSECOND
            ELSE INTERVAL 1 MICROSECOND END AS turn_at
    FROM store.clear_events
)
SELECT r.*, c.turn_at AS cleared_at, c.clear_km
FROM readings r
ASOF LEFT JOIN clears c
    ON c.vehicle_id = r.vehicle_id AND c.ecu = r.ecu AND r.turn_at >= c.turn_at;

-- A reading looks back to the one before or, where it lies between, to the last clear.
CREATE OR REPLACE TEMP MACRO looked_back(before_at, before_km, cleared_at, clear_km, km) AS
    CASE WHEN before_at IS NULL THEN 0
         WHEN cleared_at IS NULL OR cleared_at < before_at THEN greatest(0, km - before_km)
         ELSE coalesce(greatest(0, km - greatest(before_km, clear_km)), 0) END;

CREATE OR REPLACE TEMP TABLE unit_km AS
SELECT vehicle_id, ecu, sum(looked_back(before_at, before_km, cleared_at, clear_km, km)) AS km
FROM (SELECT *, lag(turn_at) OVER unit AS before_at, lag(km) OVER unit AS before_km
      FROM unit_looks WINDOW unit AS (PARTITION BY vehicle_id, ecu ORDER BY turn_at, scan_id))
GROUP BY vehicle_id, ecu;

CREATE OR REPLACE TEMP TABLE unit_faults AS
SELECT vehicle_id, ecu, code, min(family) AS family, count(*) AS n_episodes
FROM store.episodes GROUP BY vehicle_id, ecu, code;

-- For a unit's own codes only readings count that show the code or could have shown it.
CREATE OR REPLACE TEMP TABLE clean_km AS
WITH telling AS (
    SELECT f.vehicle_id, f.ecu, f.code, l.scan_id, l.turn_at, l.km, l.cleared_at, l.clear_km,
        s.presence = 'present' AS is_dirty
    FROM unit_faults f
    JOIN code_rules r USING (code, family)
    JOIN unit_looks l USING (vehicle_id, ecu)
    LEFT JOIN store.sightings s ON s.vehicle_id = f.vehicle_id AND s.ecu = f.ecu
        AND s.scan_id = l.scan_id AND s.code = f.code
    WHERE s.presence = 'present' OR s.presence IS NULL AND CASE
        WHEN l.monitors_incomplete IS NOT NULL AND r.monitor IS NOT NULL
            THEN NOT list_contains(string_split(l.monitors_incomplete, ' '), r.monitor)
        ELSE coalesce(l.km - l.clear_km >= r.min_clean_km, l.cleared_at IS NULL) END
)
SELECT vehicle_id, ecu, code,
    coalesce(sum(CASE WHEN was_dirty AND (cleared_at IS NULL OR cleared_at < before_at) THEN 0
        ELSE looked_back(before_at, before_km, cleared_at, clear_km, km) END)
        FILTER (is_dirty IS NOT TRUE), 0) AS km
FROM (SELECT *, lag(turn_at) OVER fault AS before_at, lag(km) OVER fault AS before_km,
          lag(is_dirty) OVER fault AS was_dirty
      FROM telling
      WINDOW fault AS (PARTITION BY vehicle_id, ecu, code ORDER BY turn_at, scan_id))
GROUP BY vehicle_id, ecu, code;

-- A code found at the first reading began nobody knows when; one still there in the visit of
-- its clear did not begin anew.
CREATE OR REPLACE TEMP TABLE dirty_pairs AS
SELECT vehicle_id, ecu, code, onset_high_km - onset_low_km AS km
FROM store.episodes
WHERE onset_high_km > onset_low_km
    AND NOT (onset_high_km - onset_low_km <= getvariable('visit_km')
        AND onset_high_at <= onset_low_at + getvariable('visit'));
