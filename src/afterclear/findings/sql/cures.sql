-- What was done at every fix attempt, and in which situation.  Needs ``order_parts``, ``work_cures``,
-- the roles of this analysis and the settings of the histories.

CREATE OR REPLACE TEMP MACRO place_of(family) AS
    CASE WHEN component_of(family) = family THEN '' ELSE split_part(family, ':', 2) END;

CREATE OR REPLACE TEMP TABLE order_works_told AS
WITH told AS (
    SELECT vehicle_id, repair_id, component, coalesce(place, '') AS place, ' ' || codes || ' ' AS codes,
        coalesce(action, CASE WHEN is_fitted THEN 'replace' END) AS action, part_brand, part_grade
    FROM order_parts
    UNION ALL
    SELECT vehicle_id, repair_id, component_of(family), place_of(family), NULL, action, NULL, NULL
    FROM store.order_texts WHERE family IS NOT NULL
)
FROM told WHERE action IS NOT NULL AND component <> getvariable('not_named');

-- The faults each order was for, whether or not they count, by the spelling orders have of a code.
CREATE OR REPLACE TEMP TABLE faults_of_orders AS
SELECT attempt_id, vehicle_id, repair_id, component_of(family) AS fault, place_of(family) AS place,
    ' ' || base_code(code) AS spelled
FROM store.attempts WHERE family IS NOT NULL AND repair_id IS NOT NULL;

-- Fixes that count as one fix of their own fault.
CREATE OR REPLACE TEMP TABLE counted_fixes AS
SELECT a.attempt_id, a.vehicle_id, a.repair_id, a.code, coalesce(a.ecu, '') AS ecu, a.kind,
    a.action, component_of(a.family) AS fault, a.is_repeat, a.attempted_at, a.attempted_km,
    a.cost, a.currency, count(*) OVER (PARTITION BY a.vehicle_id, a.repair_id) AS n_of_order
FROM store.attempts a
WHERE a.family IS NOT NULL AND a.counted_with IS NULL
    AND a.attempt_id NOT IN (SELECT attempt_id FROM store.echo_fixes);

-- The work of an order that is for this fault: on its component or on one that may cure it, at its
-- place; where the order has neither, what is for no other fault of it.  A line that names codes is
-- for no other code that the order names.  An inspection beside other work changes nothing.
CREATE OR REPLACE TEMP TABLE fix_works AS
WITH fitting AS (
    SELECT f.attempt_id, w.component, w.action, w.part_brand, w.part_grade,
        w.component = f.fault OR c.work IS NOT NULL AS is_of_kind,
        places_meet(w.place, f.place) AS is_at_place,
        contains(w.codes, f.spelled || ' ') OR contains(w.codes, f.spelled || '-') AS names_it,
        w.line_no
    FROM faults_of_orders f
    JOIN (SELECT *, row_number() OVER () AS line_no FROM order_works_told) w
        USING (vehicle_id, repair_id)
    LEFT JOIN work_cures c ON c.work = w.component AND c.fault = f.fault
), own AS (
    -- a line whose codes are spelled as no fault of the order names none
    SELECT *, is_of_kind AND is_at_place
            AND coalesce(names_it OR NOT bool_or(names_it) OVER (PARTITION BY line_no), true)
            AS is_for_it,
        coalesce(bool_or(names_it) OVER (PARTITION BY attempt_id), false) AND NOT names_it
            AS is_for_other_code
    FROM fitting
), chosen AS (
    SELECT * FROM (
        SELECT *, bool_or(is_for_it) OVER (PARTITION BY attempt_id) AS has_own,
            bool_or(is_for_it) OVER (PARTITION BY line_no) AS is_for_one
        FROM own
    )
    WHERE is_for_it OR NOT has_own AND NOT is_for_one
        AND NOT coalesce(is_for_other_code, false)
    QUALIFY action <> 'inspect' OR bool_and(action = 'inspect') OVER (PARTITION BY attempt_id)
)
SELECT attempt_id,
    CASE WHEN count(DISTINCT (action, component)) > getvariable('most_works') THEN 'several'
         ELSE string_agg(DISTINCT action || ':' || component, ' '
                         ORDER BY action || ':' || component) END AS work,
    that_of_all(part_brand) AS brand, that_of_all(part_grade) AS grade
FROM chosen GROUP BY attempt_id;

-- How many other components had a code in the scan that last showed the fault before the work.
CREATE OR REPLACE TEMP TABLE fixes_beside AS
WITH shown AS (
    SELECT f.attempt_id, f.vehicle_id, f.fault,
        max(least(e.last_seen_at, f.attempted_at)) AS shown_at
    FROM counted_fixes f
    JOIN store.episodes e ON e.vehicle_id = f.vehicle_id AND e.ecu = f.ecu AND e.code = f.code
        AND e.onset_high_at <= f.attempted_at + getvariable('visit')
    GROUP BY ALL
)
SELECT s.attempt_id, count(DISTINCT component_of(e.family)) AS n_beside
FROM shown s
JOIN store.episodes e ON e.vehicle_id = s.vehicle_id AND e.onset_high_at <= s.shown_at
    AND e.last_seen_at >= s.shown_at AND component_of(e.family) <> s.fault
GROUP BY s.attempt_id;

CREATE OR REPLACE TEMP TABLE cure_fixes AS
SELECT f.attempt_id, f.vehicle_id, f.repair_id, f.code, f.fault, f.is_repeat, f.attempted_at,
    CASE WHEN f.kind = 'clear_only' THEN 'clear'
         WHEN w.work IS NOT NULL THEN w.work
         -- the order tells its work, and all of it is for other faults
         WHEN EXISTS (FROM order_works_told t
                      WHERE t.vehicle_id = f.vehicle_id AND t.repair_id = f.repair_id)
         THEN 'not_told'
         -- something was done, and no part is named
         ELSE coalesce(array_to_string(list_transform(
             list_filter(string_split(f.action, ' '), lambda x: x <> 'inspect' OR f.action = 'inspect'),
             lambda x: x || ':' || getvariable('not_named')), ' '), 'not_told') END AS work,
    w.brand, w.grade, coalesce(b.n_beside, 0) AS n_beside,
    -- young, middle and old vehicles by distance (own judgement)
    CASE WHEN f.attempted_km IS NULL THEN NULL WHEN f.attempted_km < 60000 THEN 0
         WHEN f.attempted_km < 150000 THEN 1 ELSE 2 END AS km_band,
    -- what an order for several faults cost is divided in equal parts, as costs are
    -- an amount in no one currency is none
    CASE WHEN f.currency IS NOT NULL THEN f.cost / f.n_of_order END AS cost, f.currency, v.outcome
FROM counted_fixes f
JOIN store.verdicts v USING (attempt_id)
LEFT JOIN fix_works w USING (attempt_id)
LEFT JOIN fixes_beside b USING (attempt_id);
