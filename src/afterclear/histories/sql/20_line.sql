-- The km of every moment. ``odometer`` holds the fitted readings. A vehicle without any gets km
-- from its engine hours, or from its days if it has no hours either, at an assumed rate; ``clock``
-- records which.
CREATE OR REPLACE TEMP TABLE vehicle_clocks AS
SELECT v.vehicle_no,
    CASE WHEN o.vehicle_no IS NOT NULL THEN 'km'
         WHEN h.vehicle_no IS NOT NULL THEN 'engine_hours' ELSE 'days' END AS clock
FROM bucket v
LEFT JOIN (SELECT DISTINCT vehicle_no FROM odometer WHERE line_km IS NOT NULL) o USING (vehicle_no)
LEFT JOIN (SELECT DISTINCT vehicle_no FROM moments WHERE engine_hours IS NOT NULL) h
    USING (vehicle_no);

-- one point for each vehicle and instant: the furthest reading
CREATE OR REPLACE TEMP TABLE line AS
SELECT vehicle_no, read_at AS point_at, max(line_km) AS km
FROM odometer WHERE line_km IS NOT NULL GROUP BY vehicle_no, read_at
UNION ALL
SELECT vehicle_no, happened_at, max(engine_hours) * getvariable('km_per_engine_hour')
FROM moments JOIN vehicle_clocks USING (vehicle_no)
WHERE clock = 'engine_hours' AND engine_hours IS NOT NULL GROUP BY vehicle_no, happened_at
UNION ALL
SELECT vehicle_no, happened_at,
    date_diff('second', min(happened_at) OVER (PARTITION BY vehicle_no), happened_at)
        / 86400.0 * getvariable('assumed_km_per_day')
FROM (SELECT DISTINCT vehicle_no, happened_at FROM moments)
JOIN vehicle_clocks USING (vehicle_no) WHERE clock = 'days';

-- the usual km a day: over the whole line, if it is long enough
CREATE OR REPLACE TEMP TABLE rates AS
SELECT vehicle_no, max(point_at) AS last_at, min(point_at) AS first_at,
    CASE WHEN date_diff('day', min(point_at), max(point_at)) >= 30
         THEN (max(km) - min(km)) / date_diff('day', min(point_at), max(point_at))
         ELSE getvariable('assumed_km_per_day') END AS km_per_day
FROM line GROUP BY vehicle_no;

-- On a point: its km.  Between two: interpolated, with both as bounds.  Beyond the last or before
-- the first: at the usual rate for a limited time, bounded by standing still and by twice that rate.
CREATE OR REPLACE TEMP TABLE moment_km AS
WITH off_line AS (
    SELECT m.*
    FROM moments m ANTI JOIN line l ON l.vehicle_no = m.vehicle_no AND l.point_at = m.happened_at
), around AS (
    SELECT m.*,
        a.point_at AS before_at, a.km AS before_km, b.point_at AS after_at, b.km AS after_km
    FROM off_line m
    ASOF LEFT JOIN line a ON m.vehicle_no = a.vehicle_no AND m.happened_at >= a.point_at
    ASOF LEFT JOIN line b ON m.vehicle_no = b.vehicle_no AND m.happened_at <= b.point_at
), spans AS (
    SELECT *,
        date_diff('second', before_at, happened_at) / 86400.0 AS days_after,
        date_diff('second', happened_at, after_at) / 86400.0 AS days_before
    FROM around JOIN rates USING (vehicle_no)
)
SELECT m.vehicle_no, m.happened_at, m.origin, m.origin_id, m.scan_no, l.km, l.km AS km_low,
    l.km AS km_high
FROM moments m JOIN line l ON l.vehicle_no = m.vehicle_no AND l.point_at = m.happened_at
UNION ALL
SELECT vehicle_no, happened_at, origin, origin_id, scan_no,
    CASE
        WHEN days_after = 0 THEN before_km
        WHEN before_at IS NOT NULL AND after_at IS NOT NULL
            THEN before_km + (after_km - before_km) * days_after / (days_after + days_before)
        WHEN days_after <= getvariable('extrapolate_days') THEN before_km + km_per_day * days_after
        WHEN days_before <= getvariable('extrapolate_days')
            THEN greatest(0, after_km - km_per_day * days_before)
    END AS km,
    CASE
        WHEN days_after = 0 OR days_after <= getvariable('extrapolate_days')
            OR after_at IS NOT NULL AND before_at IS NOT NULL THEN before_km
        WHEN days_before <= getvariable('extrapolate_days')
            THEN greatest(0, after_km - 2 * km_per_day * days_before)
    END AS km_low,
    CASE
        WHEN days_after = 0 THEN before_km
        WHEN after_at IS NOT NULL AND before_at IS NOT NULL THEN after_km
        WHEN days_after <= getvariable('extrapolate_days')
            THEN before_km + 2 * km_per_day * days_after
        WHEN days_before <= getvariable('extrapolate_days') THEN after_km
    END AS km_high
FROM spans;
