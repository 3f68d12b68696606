-- New faults of each vehicle, in km since its observation began. Faults first seen in one visit are
-- one event. The return of a fault that was worked on is not an event: verdicts cover it. A fault
-- found by a unit's first reading has no known onset and is left out. ``n_parts``: how many parts
-- failed, if the first order aimed at the fault lists them part by part (by place or quantity, with
-- failure as the reason); otherwise 1.
CREATE OR REPLACE TEMP TABLE failed_parts AS
SELECT vehicle_id, repair_id,
    sum(CASE WHEN quantity BETWEEN 2 AND getvariable('most_at_once') AND quantity = round(quantity)
        THEN quantity ELSE 1 END)::INTEGER AS n_parts
FROM order_parts WHERE is_fitted AND removal_reason = 'failure'
GROUP BY vehicle_id, repair_id;

CREATE OR REPLACE TEMP TABLE fault_events AS
WITH came_back AS (
    SELECT DISTINCT a.vehicle_id, a.ecu, a.code, a.returned_at
    FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
    WHERE a.returned AND (a.stayed OR coalesce(v.p_same_fault, 1) >= 0.5)
), first_work AS (
    SELECT e.vehicle_id, e.ecu, e.code, e.onset_high_at,
        arg_min(a.repair_id, (a.attempted_at, a.attempt_id)) AS repair_id
    FROM store.episodes e
    JOIN store.attempts a ON a.vehicle_id = e.vehicle_id AND a.ecu = e.ecu AND a.code = e.code
        AND a.kind = 'repair' AND a.attempted_at >= e.onset_high_at - getvariable('visit')
        AND coalesce(a.attempted_at <= e.ended_high_at + getvariable('visit'), true)
    GROUP BY ALL
), begun AS (
    SELECT e.vehicle_id, e.onset_high_at AS seen_at, e.onset_high_km AS seen_km, e.code, w.repair_id,
        -- a complaint brings a vehicle soon after the onset (common practice, no source); at other
        -- scans the onset is anywhere since the scan before
        CASE WHEN s.is_complaint THEN e.onset_high_km
             ELSE (e.onset_low_km + e.onset_high_km) / 2 END AS km
    FROM store.episodes e
    LEFT JOIN came_back c ON c.vehicle_id = e.vehicle_id AND c.ecu = e.ecu AND c.code = e.code
        AND c.returned_at = e.onset_high_at
    LEFT JOIN first_work w ON w.vehicle_id = e.vehicle_id AND w.ecu = e.ecu AND w.code = e.code
        AND w.onset_high_at = e.onset_high_at
    LEFT JOIN (
        SELECT vehicle_id, seen_at, bool_or(visit_reason = 'complaint') AS is_complaint
        FROM store.scan_moments GROUP BY vehicle_id, seen_at
    ) s ON s.vehicle_id = e.vehicle_id AND s.seen_at = e.onset_high_at
    WHERE e.onset_low_km IS NOT NULL AND e.onset_high_km IS NOT NULL AND c.vehicle_id IS NULL
), visits AS (
    -- a vehicle that was not driven is still in its visit
    SELECT *, count(*) FILTER (before_at IS NULL
            OR (seen_at > before_at + getvariable('visit') AND seen_km > before_km))
        OVER (PARTITION BY vehicle_id ORDER BY seen_at, code
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS visit_no
    FROM (SELECT *, lag(seen_at) OVER by_time AS before_at, lag(seen_km) OVER by_time AS before_km
          FROM begun WINDOW by_time AS (PARTITION BY vehicle_id ORDER BY seen_at, code))
), works AS (
    SELECT v.vehicle_id, v.visit_no, sum(p.n_parts)::INTEGER AS n_parts
    FROM (SELECT DISTINCT vehicle_id, visit_no, repair_id FROM visits) v
    JOIN failed_parts p USING (vehicle_id, repair_id)
    GROUP BY v.vehicle_id, v.visit_no
)
SELECT vehicle_id, visit_no, min(seen_at) AS seen_at, min(km) AS km,
    string_agg(DISTINCT code, ' ' ORDER BY code) AS faults, coalesce(any_value(n_parts), 1) AS n_parts
FROM visits LEFT JOIN works USING (vehicle_id, visit_no) GROUP BY vehicle_id, visit_no;

-- Observed from the first reading of stored memory to the last.
CREATE OR REPLACE TEMP TABLE fault_windows AS
SELECT m.vehicle_id, min(m.km) AS entry_km, max(m.km) AS exit_km, min(t.platform) AS platform
FROM store.scan_moments m
SEMI JOIN (FROM store.unit_patterns WHERE answered AND is_stored_memory) p
    ON p.pattern_no = m.pattern_no
JOIN vehicle_traits t ON t.vehicle_id = m.vehicle_id
WHERE m.km IS NOT NULL
GROUP BY m.vehicle_id
HAVING max(m.km) > min(m.km);

-- From each reading of stored memory to the next: was anything new found at its end?  Two readings
-- at one km are one.  A complaint brings a vehicle because of what is found, so the place of the
-- onset is known.
CREATE OR REPLACE TEMP TABLE fault_stretches AS
WITH readings AS (
    SELECT m.vehicle_id, m.km, bool_or(e.vehicle_id IS NOT NULL) AS found,
        bool_or(e.vehicle_id IS NOT NULL AND m.visit_reason = 'complaint') AS exact
    FROM store.scan_moments m
    SEMI JOIN (FROM store.unit_patterns WHERE answered AND is_stored_memory) p
        ON p.pattern_no = m.pattern_no
    LEFT JOIN fault_events e ON e.vehicle_id = m.vehicle_id AND e.seen_at = m.seen_at
    WHERE m.km IS NOT NULL
    GROUP BY m.vehicle_id, m.km
)
SELECT vehicle_id, low, km AS high, found, coalesce(exact, false) AS exact
FROM (SELECT *, lag(km) OVER (PARTITION BY vehicle_id ORDER BY km) AS low FROM readings)
WHERE low IS NOT NULL;
