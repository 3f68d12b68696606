-- What each work order of a period came to, and what it was for. Variables: cost_from, cost_to.
-- Needs verdicts and ``echo_fixes`` of this analysis.

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

-- The components an order was for, and whether its fix came back, most likely not cured: as on the
-- list of work, a cause likelier than the others together.
CREATE OR REPLACE TEMP TABLE order_faults AS
SELECT a.vehicle_id, a.repair_id, coalesce(c.fault, a.family) AS fault,
    coalesce(min(c.label), min(m.family_label)) AS label,
    bool_or(v.outcome = 'came_back' AND (a.stayed OR coalesce(v.p_same_fault, 1) >= 0.5))
        AS came_back
FROM store.attempts a
JOIN store.verdicts v USING (attempt_id)
ANTI JOIN store.echo_fixes e ON e.attempt_id = a.attempt_id
LEFT JOIN cost_components c USING (family)
LEFT JOIN store.codes_met m ON m.code = a.code AND m.family = a.family
SEMI JOIN order_amounts o ON o.vehicle_id = a.vehicle_id AND o.repair_id = a.repair_id
WHERE a.repair_id IS NOT NULL AND a.family IS NOT NULL
GROUP BY a.vehicle_id, a.repair_id, coalesce(c.fault, a.family);

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
    SELECT 'fault', NULL, NULL, f.fault, min(f.label) OVER (PARTITION BY f.fault), o.currency,
        o.amount, f.came_back
    FROM order_amounts o JOIN order_faults f USING (vehicle_id, repair_id)
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
