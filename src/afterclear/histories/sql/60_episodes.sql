-- Runs of sightings with neither a clear nor a reading without the code between them.  A run with
-- only pending sightings in one visit is a sign, not an episode: a second readout minutes later
-- does not count as a second scan.
CREATE OR REPLACE TEMP TABLE shown AS
WITH placed AS (
    SELECT s.fault_no, s.unit_no, s.scan_no, s.presence, s.told_km,
        r.seen_at, r.km, r.seq, r.clear_no, r.emptied_no, r.place,
        lag(r.place) OVER fault AS place_before, lag(r.emptied_no) OVER fault AS emptied_no_before
    FROM sightings s
    JOIN readings r ON r.unit_no = s.unit_no AND r.scan_no = s.scan_no
    WHERE s.presence IN ('present', 'sign')
    WINDOW fault AS (PARTITION BY s.fault_no ORDER BY r.seq)
), numbered AS (
    SELECT *, count(*) FILTER (
        place_before IS NULL OR emptied_no <> emptied_no_before
        OR (place - 1) // 2 > place_before // 2
    ) OVER (PARTITION BY fault_no ORDER BY seq
        ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS run
    FROM placed
)
SELECT *,
    bool_or(presence = 'present') OVER whole
        OR max(seen_at) OVER whole > min(seen_at) OVER whole + getvariable('visit')
        OR coalesce(max(km) OVER whole > min(km) OVER whole + getvariable('visit_km'), false)
        AS is_fault,
    min(seq) OVER whole AS run_first_seq
FROM numbered WINDOW whole AS (PARTITION BY fault_no, run);

CREATE OR REPLACE TEMP TABLE runs AS
SELECT fault_no, run, any_value(unit_no) AS unit_no,
    min(seen_at) AS first_seen_at, min(km) AS first_seen_km, min(place) AS first_place,
    max(seen_at) AS last_seen_at, max(km) AS last_seen_km, max(place) AS last_place,
    min(clear_no) AS first_clear_no, max(clear_no) AS last_clear_no,
    min(told_km) AS told_km, count(*) AS n_scans
FROM shown WHERE is_fault
GROUP BY fault_no, run;

-- Onset: after the last reading that could have shown the code, or after the last clear. End: the
-- first of a clear and a reading without it; neither: still open.  (Looked up by place and joined,
-- so that an open end stays NULL; an aggregate that skips NULL would take an earlier scan's end.)
CREATE OR REPLACE TEMP TABLE episodes AS
WITH before AS (
    SELECT e.fault_no, e.run, r.seen_at, r.km
    FROM runs e
    JOIN faults f USING (fault_no)
    JOIN readings r ON r.unit_no = e.unit_no AND r.place = 2 * ((e.first_place - 1) // 2)
    LEFT JOIN sightings s ON s.fault_no = e.fault_no AND s.scan_no = r.scan_no
    WHERE why_no_evidence(r.why_blind, r.monitors_incomplete, r.cleared_km_ago, f.monitor,
            f.min_clean_km) IS NULL
        AND s.presence IS DISTINCT FROM 'not_tested'
), ends AS (
    SELECT e.*, b.seen_at AS absent_at, b.km AS absent_km,
        c.cleared_at AS cleared_before_at, c.clear_km AS cleared_before_km,
        n.seen_at AS gone_at, n.km AS gone_km,
        d.cleared_at AS cleared_after_at, d.clear_km AS cleared_after_km,
        d.clear_km_low, d.clear_km_high,
        d.clear_origin,
        d.seq IS NOT NULL AND (n.seq IS NULL OR d.seq < n.seq)
            AND d.clear_origin <> 'vanished' AS by_clear
    FROM runs e
    LEFT JOIN before b USING (fault_no, run)
    LEFT JOIN unit_clears c ON c.unit_no = e.unit_no AND c.clear_no = e.first_clear_no
    LEFT JOIN readings n ON n.unit_no = e.unit_no AND n.place = 2 * (e.last_place // 2 + 1)
    LEFT JOIN unit_clears d ON d.unit_no = e.unit_no AND d.clear_no = e.last_clear_no + 1
)
SELECT f.vehicle_no, e.fault_no, e.run, f.unit_no, f.code, f.family,
    CASE WHEN absent_at >= cleared_before_at OR cleared_before_at IS NULL
         THEN absent_at ELSE cleared_before_at END AS onset_low_at,
    first_seen_at AS onset_high_at,
    CASE WHEN absent_at >= cleared_before_at OR cleared_before_at IS NULL
         THEN absent_km ELSE cleared_before_km END AS onset_low_km,
    -- a unit that reports the km of its first sighting narrows the onset, if that km is possible
    CASE WHEN told_km > coalesce(greatest(absent_km, cleared_before_km), 0)
              AND told_km < first_seen_km THEN told_km ELSE first_seen_km END AS onset_high_km,
    absent_at IS NOT NULL AND (cleared_before_at IS NULL OR absent_at >= cleared_before_at)
        AS onset_after_reading,
    first_seen_at, last_seen_at, last_seen_km,
    CASE WHEN by_clear THEN 'clear' WHEN gone_at IS NOT NULL THEN 'clean_scan'
         ELSE 'open' END AS ended_by,
    CASE WHEN by_clear THEN cleared_after_at ELSE gone_at END AS ended_high_at,
    CASE WHEN by_clear THEN cleared_after_km ELSE gone_km END AS ended_high_km,
    CASE WHEN by_clear THEN clear_origin END AS clear_origin,
    clear_km_low AS ended_km_low, clear_km_high AS ended_km_high,
    n_scans
FROM ends e
JOIN faults f USING (fault_no);
