-- What each work order of a period came to, and what it was for. Variables: cost_from, cost_to.
-- Needs verdicts and ``echo_fixes`` of this analysis, ``order_parts``, and the settings of histories.

-- One row for each order and currency; an order without any amount has one too. Amounts of money
-- are added up exactly: a sum of floating numbers would depend on their order.
CREATE OR REPLACE TEMP TABLE order_amounts AS
WITH lines AS (
    SELECT vehicle_id, repair_id,
        -- a line without a currency has that of its order, where there is one
        coalesce(currency, CASE WHEN min(currency) OVER own = max(currency) OVER own
                                THEN min(currency) OVER own END) AS currency,
        part_cost::DECIMAL(18, 4) AS part, labour_cost::DECIMAL(18, 4) AS labour,
        min(repaired_at) OVER own AS repaired_at, min(site) OVER own AS site,
        bool_or(part_cost IS NOT NULL OR labour_cost IS NOT NULL) OVER own AS is_priced
    FROM store.repairs
    WINDOW own AS (PARTITION BY vehicle_id, repair_id)
)
SELECT vehicle_id, repair_id, repaired_at, site,
    CASE WHEN is_priced THEN currency END AS currency,
    CASE WHEN is_priced
         THEN round(sum(coalesce(part, 0) + coalesce(labour, 0)), 2)::DECIMAL(18, 2) END AS amount
FROM lines
WHERE repaired_at > getvariable('cost_from') AND repaired_at <= getvariable('cost_to')
    AND (NOT is_priced OR part IS NOT NULL OR labour IS NOT NULL)
GROUP BY vehicle_id, repair_id, repaired_at, site, is_priced,
    CASE WHEN is_priced THEN currency END;

-- Which orders belong to which attempt. What is tried on one fault within one visit is one attempt,
-- with the last order's number; the visit's other orders belong to it too: those that list its code,
-- and those that are no attempt's and have a part of its component. From one to the next of them is
-- at most a visit's length; what is aimed at the code after an attempt's own order is the next one's.
CREATE OR REPLACE TEMP TABLE attempt_orders AS
WITH orders AS (
    SELECT vehicle_id, repair_id, min(repaired_at) AS repaired_at,
        ' ' || string_agg(DISTINCT codes, ' ') || ' ' AS codes
    FROM store.repairs
    GROUP BY vehicle_id, repair_id
    -- a visit that begins before the period may end in it
    HAVING min(repaired_at) > getvariable('cost_from') - getvariable('visit')
        AND min(repaired_at) <= getvariable('cost_to')
), own AS (
    SELECT a.attempt_id, a.vehicle_id, a.repair_id, coalesce(a.ecu, '') AS ecu, a.code,
        ' ' || base_code(a.code) AS spelled,
        component_of(a.family) AS component
    FROM store.attempts a SEMI JOIN orders USING (vehicle_id, repair_id)
), named AS (
    SELECT vehicle_id, repair_id, ecu, spelled, list(code) AS codes FROM own GROUP BY ALL
), mentions AS (
    SELECT f.vehicle_id, f.ecu, f.code, o.repair_id, o.repaired_at,
        coalesce(list_contains(n.codes, f.code), false) AS is_own,
        coalesce(contains(o.codes, f.spelled || ' ') OR contains(o.codes, f.spelled || '-'), false)
            AS is_listed,
        NOT EXISTS (FROM own x WHERE x.vehicle_id = o.vehicle_id AND x.repair_id = o.repair_id)
            AND EXISTS (
                FROM order_parts p WHERE p.vehicle_id = o.vehicle_id AND p.repair_id = o.repair_id
                    AND p.component = f.component) AS has_part
    FROM (SELECT DISTINCT vehicle_id, ecu, code, spelled, component FROM own) f
    JOIN orders o USING (vehicle_id)
    LEFT JOIN named n ON n.vehicle_id = f.vehicle_id AND n.repair_id = o.repair_id
        AND n.ecu = f.ecu AND n.spelled = f.spelled
    -- an attempt's own order for another failure type of the code is that one's only
    WHERE coalesce(list_contains(n.codes, f.code), true)
), ordered AS (
    SELECT *, lag(repaired_at) OVER fault AS before_at,
        last_value(CASE WHEN is_own OR is_listed THEN is_own END IGNORE NULLS) OVER (
            fault ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS is_after_own
    FROM mentions WHERE is_own OR is_listed OR has_part
    WINDOW fault AS (PARTITION BY vehicle_id, ecu, code ORDER BY repaired_at, repair_id)
), visits AS (
    SELECT *, count(*) FILTER (
        repaired_at > before_at + getvariable('visit')
        OR is_after_own AND (is_own OR is_listed)
    ) OVER (PARTITION BY vehicle_id, ecu, code ORDER BY repaired_at, repair_id) AS visit_no
    FROM ordered
)
SELECT DISTINCT a.attempt_id, v.vehicle_id, v.repair_id
FROM own a
JOIN visits b ON b.is_own AND b.vehicle_id = a.vehicle_id AND b.ecu = a.ecu AND b.code = a.code
    AND b.repair_id = a.repair_id
JOIN visits v ON v.vehicle_id = b.vehicle_id AND v.ecu = b.ecu AND v.code = b.code
    AND v.visit_no = b.visit_no;

-- The components an order was for, and whether its fix came back, most likely not cured: as on the
-- list of work, a cause likelier than the others together. A code that only followed from another
-- fault counts where the order was for nothing else.
CREATE OR REPLACE TEMP TABLE order_faults AS
WITH worked AS (
    SELECT x.vehicle_id, x.repair_id, coalesce(c.fault, a.family) AS fault,
        coalesce(c.label, m.family_label) AS label,
        v.outcome = 'came_back' AND (a.stayed OR coalesce(v.p_same_fault, 1) >= 0.5) AS came_back,
        e.attempt_id IS NOT NULL AS is_echo
    FROM attempt_orders x
    JOIN store.attempts a USING (attempt_id)
    JOIN store.verdicts v USING (attempt_id)
    SEMI JOIN order_amounts o ON o.vehicle_id = x.vehicle_id AND o.repair_id = x.repair_id
    LEFT JOIN (SELECT DISTINCT attempt_id FROM store.echo_fixes) e USING (attempt_id)
    LEFT JOIN cost_components c USING (family)
    LEFT JOIN store.codes_met m ON m.code = a.code AND m.family = a.family
    WHERE a.family IS NOT NULL
), counted AS (
    SELECT * FROM worked QUALIFY NOT is_echo OR bool_and(is_echo) OVER (
        PARTITION BY vehicle_id, repair_id)
)
SELECT vehicle_id, repair_id, fault, min(label) AS label,
    bool_or(came_back AND NOT is_echo) AS came_back
FROM counted GROUP BY vehicle_id, repair_id, fault;

-- An order's amount in equal parts for its faults, to the cent: the cents left over go to the first.
-- What an order divides between its faults nobody wrote down; so the faults add up to the whole.
CREATE OR REPLACE TEMP TABLE fault_shares AS
WITH divided AS (
    SELECT o.vehicle_id, o.repair_id, o.currency, o.amount, f.fault, f.label,
        coalesce(f.came_back, false) AS came_back,
        count(*) OVER own AS n, row_number() OVER (own ORDER BY f.fault) AS place
    FROM order_amounts o LEFT JOIN order_faults f USING (vehicle_id, repair_id)
    WINDOW own AS (PARTITION BY o.vehicle_id, o.repair_id, o.currency)
), parted AS (
    SELECT *, (trunc(amount * 100 / n) / 100)::DECIMAL(18, 2) AS each FROM divided
)
SELECT vehicle_id, repair_id, currency, fault, label, came_back,
    (each + CASE WHEN place = 1 THEN amount - n * each ELSE 0 END)::DECIMAL(18, 2) AS amount
FROM parted;

CREATE OR REPLACE TEMP TABLE priced_orders AS
SELECT o.*, f.faults, coalesce(f.came_back, false) AS came_back
FROM order_amounts o
LEFT JOIN (
    SELECT vehicle_id, repair_id, bool_or(came_back) AS came_back,
        string_agg(fault, ' ' ORDER BY fault) AS faults
    FROM order_faults GROUP BY vehicle_id, repair_id
) f USING (vehicle_id, repair_id);

CREATE OR REPLACE TEMP TABLE cost_sums AS
WITH of_kind AS (
    SELECT 'fleet' AS kind, NULL::VARCHAR AS vehicle_id, NULL::VARCHAR AS site,
        NULL::VARCHAR AS fault, NULL::VARCHAR AS label, currency, amount, came_back
    FROM priced_orders
    UNION ALL
    SELECT 'vehicle', vehicle_id, NULL, NULL, NULL, currency, amount, came_back FROM priced_orders
    UNION ALL
    SELECT 'site', NULL, site, NULL, NULL, currency, amount, came_back FROM priced_orders
    UNION ALL
    SELECT 'fault', NULL, NULL, coalesce(fault, getvariable('not_tied')),
        min(label) OVER (PARTITION BY fault), currency, amount, came_back
    FROM fault_shares
)
SELECT kind, vehicle_id, site, fault, label, currency,
    count(amount)::INTEGER AS n_orders, coalesce(sum(amount), 0)::DOUBLE AS amount,
    (count(amount) FILTER (came_back))::INTEGER AS n_came_back,
    coalesce(sum(amount) FILTER (came_back), 0)::DOUBLE AS amount_came_back,
    (count(*) FILTER (amount < 0))::INTEGER AS n_credits,
    (sum(count(*) FILTER (amount IS NULL)) OVER own)::INTEGER AS n_without
FROM of_kind
GROUP BY kind, vehicle_id, site, fault, label, currency
-- where something has an amount, those without are told beside it
WINDOW own AS (PARTITION BY kind, vehicle_id, site, fault)
QUALIFY count(amount) > 0 OR sum(count(amount)) OVER own = 0;
