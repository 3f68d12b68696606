-- Whether a vehicle was read on a day that was planned, by each instant of a reading.
CREATE OR REPLACE TEMP MACRO visits_read() AS TABLE
SELECT vehicle_id, seen_at,
    bool_and(visit_reason IN ('routine', 'intake', 'post_repair')) AS is_planned
FROM store.scan_moments GROUP BY ALL;

-- The first fault of each component on each vehicle, as rising rates count them.  What only follows
-- from another code is no fault of its component; what the first reading found, or what came after
-- work on the component, is no first onset: from then on the vehicle is not at risk.
CREATE OR REPLACE TEMP TABLE first_faults AS
WITH episodes AS (
    SELECT vehicle_id, ecu, code, component_of(family) AS fault, onset_high_at AS seen_at,
        onset_low_at, onset_high_km AS km, coalesce(onset_high_km > onset_low_km, false) AS began
    FROM own_episodes()
), firsts AS (
    SELECT * FROM episodes
    QUALIFY row_number() OVER (
        PARTITION BY vehicle_id, fault ORDER BY seen_at, began, ecu, code) = 1
), worked AS (
    SELECT vehicle_id, component_of(family) AS fault, min(attempted_at) AS worked_at
    FROM store.attempts WHERE family IS NOT NULL GROUP BY ALL
), began AS (
    -- at the first reading: a lower one that came later was not known then
    SELECT vehicle_id, arg_min(km, (seen_at, km)) AS km FROM store.scan_moments
    WHERE km IS NOT NULL GROUP BY ALL
)
SELECT vehicle_id, fault, f.ecu, f.km, f.seen_at, f.onset_low_at,
    least(f.seen_at, w.worked_at) AS out_at,
    -- codes are often erased before a vehicle is first read: what shows soon after is old
    -- (500 km: own judgement)
    coalesce(f.began AND NOT coalesce(w.worked_at < f.seen_at, false)
        AND f.km > b.km + 500, false) AS is_onset,
    coalesce(r.is_planned, false) AS is_planned
FROM firsts f
FULL JOIN worked w USING (vehicle_id, fault)
LEFT JOIN began b USING (vehicle_id)
LEFT JOIN visits_read() r ON r.vehicle_id = f.vehicle_id AND r.seen_at = f.seen_at;
