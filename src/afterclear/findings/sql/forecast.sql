-- Faults as a forecast counts them, and what their repair took.  Needs the roles of this analysis,
-- ``order_parts``, ``work_cures`` and the settings of the histories.

-- Episodes of each family on each vehicle, less codes that only followed from another fault.
CREATE OR REPLACE TEMP TABLE coming_shown AS
SELECT e.vehicle_id, e.family, e.onset_high_at AS seen_at,
    coalesce(m.km, e.onset_high_km) AS seen_km, e.onset_low_at IS NOT NULL AS began,
    CASE WHEN e.ended_by <> 'open' THEN e.ended_high_at END AS over_at,
    CASE WHEN e.ended_by <> 'open' THEN e.ended_high_km END AS over_km
FROM own_episodes() e
LEFT JOIN (
    SELECT vehicle_id, seen_at, max(km) AS km FROM store.scan_moments GROUP BY ALL
) m ON m.vehicle_id = e.vehicle_id AND m.seen_at = e.onset_high_at;

-- Codes of one family that overlap, or follow within one visit, are one fault.
CREATE OR REPLACE TEMP TABLE coming_faults AS
WITH ordered AS (
    SELECT *, max(coalesce(over_at, TIMESTAMP '9999-01-01')) OVER (
        PARTITION BY vehicle_id, family ORDER BY seen_at, over_at NULLS LAST
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS before_at
    FROM coming_shown
), numbered AS (
    SELECT *, count(*) FILTER (before_at IS NULL OR seen_at > before_at + getvariable('visit'))
        OVER (PARTITION BY vehicle_id, family ORDER BY seen_at, over_at NULLS LAST
              ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS fault_no
    FROM ordered
)
SELECT vehicle_id, family, component_of(family) AS component, min(seen_at) AS seen_at,
    min(seen_km) AS seen_km,
    -- of codes at one reading: a fault that one unit showed at its first reading began before
    arg_min(began, (seen_at, began)) AS began,
    CASE WHEN bool_and(over_at IS NOT NULL) THEN max(over_at) END AS over_at,
    CASE WHEN bool_and(over_at IS NOT NULL) THEN max(over_km) END AS over_km
FROM numbered WHERE seen_km IS NOT NULL
GROUP BY vehicle_id, family, fault_no;

-- Orders for one fix of a component: what they cost, and which parts they fitted.
CREATE OR REPLACE TEMP TABLE coming_orders AS
SELECT DISTINCT a.vehicle_id, a.repair_id, component_of(a.family) AS component
FROM store.attempts a
WHERE a.kind = 'repair' AND a.repair_id IS NOT NULL AND a.family IS NOT NULL
    AND a.attempt_id NOT IN (SELECT attempt_id FROM store.echo_fixes);

-- An order for several faults is divided in equal parts, as costs are.
CREATE OR REPLACE TEMP TABLE coming_costs AS
WITH amounts AS (
    SELECT vehicle_id, repair_id, min(currency) AS currency,
        sum(coalesce(part_cost, 0) + coalesce(labour_cost, 0)) AS amount
    FROM store.repairs WHERE part_cost IS NOT NULL OR labour_cost IS NOT NULL
    GROUP BY vehicle_id, repair_id HAVING min(currency) = max(currency)
), shared AS (
    SELECT o.component, a.currency,
        a.amount / count(*) OVER (PARTITION BY o.vehicle_id, o.repair_id) AS amount
    FROM coming_orders o JOIN amounts a USING (vehicle_id, repair_id)
), usual AS (
    SELECT currency FROM shared GROUP BY currency ORDER BY count(*) DESC, currency LIMIT 1
)
SELECT component, currency, median(amount) AS usual_cost, count(*)::INTEGER AS n_priced
FROM shared SEMI JOIN usual USING (currency) GROUP BY component, currency;

-- Pieces each order fitted for a component's fault: of its own kind, or of one that may cure it.
CREATE OR REPLACE TEMP TABLE coming_fitted AS
SELECT o.component, p.component AS part_family, min(p.family_label) AS label,
    o.vehicle_id, o.repair_id,
    sum(CASE WHEN p.quantity BETWEEN 1 AND getvariable('most_at_once') THEN round(p.quantity)
             ELSE 1 END)::DOUBLE AS pieces
FROM coming_orders o
JOIN order_parts p USING (vehicle_id, repair_id)
LEFT JOIN work_cures w ON w.work = p.component AND w.fault = o.component
WHERE p.is_fitted AND (p.component = o.component OR w.work IS NOT NULL)
GROUP BY o.component, p.component, o.vehicle_id, o.repair_id;

CREATE OR REPLACE TEMP TABLE coming_numbers AS
SELECT component AS part_family, part_number, part_brand, count(*) AS n,
    count(*) / sum(count(*)) OVER (PARTITION BY component) AS share
FROM order_parts WHERE is_fitted AND part_number IS NOT NULL
GROUP BY component, part_number, part_brand
QUALIFY row_number() OVER (
    PARTITION BY component ORDER BY count(*) DESC, part_number, part_brand) = 1;
