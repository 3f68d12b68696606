-- Parts fitted, and the first fault since: of the part's own component, or of another whose codes
-- its work may cure where the order was for these.  Lines of one order count as one, so that a set
-- of four is no four.  Needs ``order_parts``, ``work_cures``, ``own_episodes``, ``visits_read``
-- (``emerging.sql``) and the settings of the histories.
CREATE OR REPLACE TEMP TABLE fitted_lines AS
WITH lines AS (
    SELECT vehicle_id, repair_id, repaired_at AS fitted_at, km, component AS part,
        coalesce(place, '') AS place, part_brand, part_number
    FROM order_parts
    WHERE is_fitted AND km IS NOT NULL AND NOT starts_with(component, 'part:')
), aimed AS (
    SELECT DISTINCT vehicle_id, repair_id, component_of(family) AS fault
    FROM store.attempts WHERE repair_id IS NOT NULL AND family IS NOT NULL
)
SELECT l.*, l.part AS fault, a.fault IS NOT NULL AS was_faulty
FROM lines l
LEFT JOIN aimed a ON a.vehicle_id = l.vehicle_id AND a.repair_id = l.repair_id AND a.fault = l.part
UNION ALL
SELECT l.*, a.fault, true
FROM lines l
JOIN aimed a USING (vehicle_id, repair_id)
JOIN work_cures c ON c.work = l.part AND c.fault = a.fault
WHERE a.fault <> l.part;

-- ``ready_at``: what shows in the visit of the work was never gone, and is none that began since.
CREATE OR REPLACE TEMP TABLE fitted_parts AS
WITH fitted AS (
    SELECT vehicle_id, part, fault, repair_id, fitted_at, fitted_at + getvariable('visit') AS ready_at,
        max(km) AS fitted_km, bool_or(was_faulty) AS was_faulty,
        that_of_all(part_brand) AS brand, that_of_all(part_number) AS number
    FROM fitted_lines GROUP BY ALL
), episodes AS (
    SELECT vehicle_id, component_of(family) AS fault, split_part(family, ':', 2) AS place,
        onset_high_at AS seen_at, onset_high_km AS km,
        coalesce(onset_high_km > onset_low_km, false) AS began
    FROM own_episodes()
), faulty AS (
    SELECT l.vehicle_id, l.part, l.fault, l.repair_id, min(e.seen_at) AS fault_at,
        arg_min(e.km, (e.seen_at, e.km)) AS fault_km,
        arg_min(e.began, (e.seen_at, NOT e.began)) AS began
    FROM fitted_lines l
    JOIN episodes e ON e.vehicle_id = l.vehicle_id AND e.fault = l.fault
        AND e.seen_at > l.fitted_at AND places_meet(l.place, e.place)
    GROUP BY ALL
), works AS (
    SELECT vehicle_id, fault, worked_at, max(km) AS km FROM (
        SELECT vehicle_id, fault, fitted_at AS worked_at, km FROM fitted_lines
        UNION ALL
        SELECT vehicle_id, component_of(family), attempted_at, attempted_km
        FROM store.attempts WHERE family IS NOT NULL
    ) GROUP BY ALL
), ended AS (
    SELECT f.*, b.fault_at, b.fault_km, w.worked_at, w.km AS worked_km,
        b.fault_at <= coalesce(w.worked_at, b.fault_at) AS by_fault,
        coalesce(by_fault AND b.began AND b.fault_at > f.ready_at, false) AS is_onset
    FROM fitted f
    LEFT JOIN faulty b USING (vehicle_id, part, fault, repair_id)
    ASOF LEFT JOIN works w
        ON w.vehicle_id = f.vehicle_id AND w.fault = f.fault AND w.worked_at > f.ready_at
), once AS (
    -- one vehicle on which a brand fails again and again is no trend
    SELECT * FROM ended
    QUALIFY NOT coalesce(bool_or(is_onset) OVER (
        PARTITION BY vehicle_id, part, fault, coalesce(brand, number, '') ORDER BY fitted_at, repair_id
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), false)
)
SELECT row_number() OVER (ORDER BY o.part, o.fault, o.vehicle_id, o.fitted_at, o.repair_id) - 1
        AS unit_no,
    o.part, o.fault, o.vehicle_id, o.fitted_at, o.fitted_km, o.was_faulty, o.brand, o.number,
    -- by number and month of fitting
    o.number || strftime(o.fitted_at, ' %Y-%m') AS lot,
    CASE WHEN by_fault THEN fault_at ELSE worked_at END AS out_at,
    CASE WHEN by_fault THEN fault_km ELSE worked_km END AS out_km,
    coalesce(by_fault, false) AS by_fault, is_onset, coalesce(r.is_planned, false) AS is_planned
FROM once o
LEFT JOIN visits_read() r ON r.vehicle_id = o.vehicle_id AND r.seen_at = o.fault_at
ORDER BY unit_no;

-- What was read of these vehicles; each with the first of its past.
CREATE OR REPLACE TEMP TABLE part_readings AS
WITH read AS (
    SELECT m.vehicle_id, m.seen_at, max(m.km) AS km
    FROM store.scan_moments m
    SEMI JOIN (FROM store.unit_patterns WHERE answered AND is_stored_memory) p
        ON p.pattern_no = m.pattern_no
    SEMI JOIN fitted_parts f ON f.vehicle_id = m.vehicle_id
    WHERE m.km IS NOT NULL
    GROUP BY ALL
)
SELECT *, first(seen_at) OVER past AS first_seen_at, first(km) OVER past AS first_km
FROM read WINDOW past AS (PARTITION BY vehicle_id ORDER BY seen_at);
