-- Runs of sightings with neither a clear nor a reading without the code between them.  A run of
-- nothing but one pending sighting is a sign, not an episode.
CREATE OR REPLACE TEMP TABLE shown AS
WITH placed AS (
    SELECT s.*, r.seen_at, r.km, r.seq, r.clear_no, r.place,
        lag(r.place) OVER fault AS place_before, lag(r.clear_no) OVER fault AS clear_no_before
    FROM sightings s
    JOIN readings r USING (vehicle_id, ecu, scan_id)
    WHERE s.presence IN ('present', 'sign')
    WINDOW fault AS (PARTITION BY s.vehicle_id, s.ecu, s.code ORDER BY r.seq)
), runs AS (
    SELECT *, count(*) FILTER (
        place_before IS NULL OR clear_no <> clear_no_before
        OR (place - 1) // 2 > place_before // 2
    ) OVER (PARTITION BY vehicle_id, ecu, code ORDER BY seq
        ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS run
    FROM placed
)
SELECT *,
    bool_or(presence = 'present') OVER whole OR count(*) OVER whole >= 2 AS is_fault
FROM runs WINDOW whole AS (PARTITION BY vehicle_id, ecu, code, run);

CREATE OR REPLACE TEMP TABLE runs AS
SELECT vehicle_id, ecu, code, run, any_value(family) AS family,
    any_value(monitor) AS monitor, any_value(min_clean_km) AS min_clean_km,
    min(seq) AS first_seq, min(seen_at) AS first_seen_at, min(km) AS first_seen_km,
    max(seq) AS last_seq, max(seen_at) AS last_seen_at, max(km) AS last_seen_km,
    min(place) AS first_place, max(place) AS last_place, any_value(clear_no) AS clear_no,
    min(first_seen_km) AS told_km, count(*) AS n_scans
FROM shown WHERE is_fault
GROUP BY vehicle_id, ecu, code, run;

CREATE OR REPLACE TEMP TABLE stored_readings AS
FROM readings WHERE place % 2 = 0;

-- Onset: after the last reading that could have shown the code, or after the last clear.
-- End: the first of a clear and a reading without it; neither: still open.  (Looked up by
-- place and joined, so that an open end stays NULL; an aggregate that skips NULL would hand it
-- an earlier scan's end.)
CREATE OR REPLACE TEMP TABLE episodes AS
WITH before AS (
    SELECT e.vehicle_id, e.ecu, e.code, e.run, r.seen_at, r.km
    FROM runs e
    JOIN stored_readings r ON r.vehicle_id = e.vehicle_id AND r.ecu = e.ecu
        AND r.reading_no = (e.first_place - 1) // 2
    LEFT JOIN sightings s ON s.vehicle_id = e.vehicle_id AND s.ecu = e.ecu
        AND s.scan_id = r.scan_id AND s.code = e.code
    WHERE why_no_evidence(r.why_blind, r.monitors_incomplete, r.cleared_km_ago, e.monitor,
            e.min_clean_km) IS NULL
        AND s.presence IS DISTINCT FROM 'not_tested'
), ends AS (
    SELECT e.*, b.seen_at AS absent_at, b.km AS absent_km,
        c.cleared_at AS cleared_before_at, c.clear_km AS cleared_before_km,
        n.seen_at AS gone_at, n.km AS gone_km, n.seq AS gone_seq,
        d.cleared_at AS cleared_after_at, d.clear_km AS cleared_after_km, d.seq AS cleared_seq,
        d.clear_origin,
        d.seq IS NOT NULL AND (n.seq IS NULL OR d.seq < n.seq)
            AND d.clear_origin <> 'vanished' AS by_clear
    FROM runs e
    LEFT JOIN before b USING (vehicle_id, ecu, code, run)
    LEFT JOIN unit_clears c
        ON c.vehicle_id = e.vehicle_id AND c.ecu = e.ecu AND c.clear_no = e.clear_no
    LEFT JOIN stored_readings n ON n.vehicle_id = e.vehicle_id AND n.ecu = e.ecu
        AND n.reading_no = e.last_place // 2 + 1
    LEFT JOIN unit_clears d
        ON d.vehicle_id = e.vehicle_id AND d.ecu = e.ecu AND d.clear_no = e.clear_no + 1
)
SELECT vehicle_id, ecu, code, run, family, monitor, min_clean_km,
    CASE WHEN absent_at >= cleared_before_at OR cleared_before_at IS NULL
         THEN absent_at ELSE cleared_before_at END AS onset_low_at,
    first_seen_at AS onset_high_at,
    CASE WHEN absent_at >= cleared_before_at OR cleared_before_at IS NULL
         THEN absent_km ELSE cleared_before_km END AS onset_low_km,
    -- a unit that tells the km of its first sight narrows the onset, where that is possible
    CASE WHEN told_km > coalesce(greatest(absent_km, cleared_before_km), 0)
              AND told_km < first_seen_km THEN told_km ELSE first_seen_km END AS onset_high_km,
    absent_at IS NOT NULL AND (cleared_before_at IS NULL OR absent_at >= cleared_before_at)
        AS onset_after_reading,
    first_seen_at, first_seen_km, last_seen_at, last_seen_km,
    CASE WHEN by_clear THEN 'clear' WHEN gone_at IS NOT NULL THEN 'clean_scan'
         ELSE 'open' END AS ended_by,
    CASE WHEN by_clear THEN cleared_after_at ELSE gone_at END AS ended_high_at,
    CASE WHEN by_clear THEN cleared_after_km ELSE gone_km END AS ended_high_km,
    CASE WHEN by_clear THEN clear_origin END AS clear_origin,
    n_scans
FROM ends;
