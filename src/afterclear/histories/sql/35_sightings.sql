-- A fault: one code in one unit of one vehicle, by number, with what it is about.  A code found
-- only on work orders has no unit.
CREATE OR REPLACE TEMP TABLE faults AS
SELECT row_number() OVER (ORDER BY c.vehicle_no, c.unit_no NULLS LAST, c.code) AS fault_no,
    c.vehicle_no, c.unit_no, c.code AS told, m.named AS code, m.family, m.monitor, m.min_clean_km,
    m.circuit
FROM told_codes c
JOIN meanings m ON m.make IS NOT DISTINCT FROM c.make AND m.ecu = c.ecu AND m.code = c.code
    AND m.description IS NOT DISTINCT FROM c.description;

-- Other codes that one unit has for the same circuit of the same part.
CREATE OR REPLACE TEMP TABLE same_circuit AS
SELECT f.fault_no, o.fault_no AS other_no, o.code AS other_code
FROM faults f
JOIN faults o ON o.unit_no = f.unit_no AND o.circuit = f.circuit AND o.fault_no <> f.fault_no;

CREATE OR REPLACE TEMP TABLE part_facts AS
SELECT b.vehicle_no, r.repair_id, p.family, bool_or(r.codes IS NULL) AS has_no_code
FROM store.repairs r
JOIN bucket b USING (vehicle_id)
JOIN part_families p ON p.part_family = r.part_family
    AND p.position IS NOT DISTINCT FROM r.position
WHERE r.action IS DISTINCT FROM 'inspect'
GROUP BY ALL;

-- What the texts of orders say if the orders name neither codes nor part.
CREATE OR REPLACE TEMP TABLE order_works AS
SELECT DISTINCT b.vehicle_no, r.repair_id, t.notes, t.part, t.family, t.action, t.why, t.named
FROM store.repairs r
JOIN bucket b USING (vehicle_id)
JOIN text_works t ON t.notes = r.notes AND t.told_action IS NOT DISTINCT FROM r.action
WHERE r.codes IS NULL AND r.part_family IS NULL;

INSERT INTO part_facts
SELECT DISTINCT w.vehicle_no, w.repair_id, w.family, true
FROM order_works w
ANTI JOIN part_facts p ON p.vehicle_no = w.vehicle_no AND p.repair_id = w.repair_id
    AND p.family = w.family AND p.has_no_code
WHERE w.family IS NOT NULL AND w.action <> 'inspect';

-- One row per work order; an inspection alone changes nothing.
CREATE OR REPLACE TEMP TABLE jobs AS
SELECT r.vehicle_no, r.repair_id, any_value(m.happened_at) AS repaired_at,
    any_value(m.km) AS km, any_value(m.km_low) AS km_low, any_value(m.km_high) AS km_high,
    max(r.site) AS site, max(r.technician) AS technician,
    string_agg(DISTINCT coalesce(r.action, t.action), ' ' ORDER BY coalesce(r.action, t.action))
        AS action,
    nullif(string_agg(DISTINCT r.part, ', ' ORDER BY r.part), '') AS parts,
    string_agg(DISTINCT r.codes, ' ' ORDER BY r.codes) AS codes,
    CASE WHEN count(r.part_cost) + count(r.labour_cost) > 0
         THEN coalesce(sum(r.part_cost), 0) + coalesce(sum(r.labour_cost), 0) END AS cost,
    CASE WHEN count(DISTINCT r.currency) = 1 THEN max(r.currency) END AS currency
FROM (
    SELECT *, concat_ws(' ', replace(part_family, '_', ' '), replace(position, '_', ' '),
        CASE WHEN part_brand IS NOT NULL OR part_number IS NOT NULL
             THEN '(' || concat_ws(' ', part_brand, part_number) || ')' END) AS part
    FROM store.repairs JOIN bucket USING (vehicle_id)
) r
LEFT JOIN text_acts t ON t.notes = r.notes AND r.action IS NULL
JOIN moment_km m ON m.vehicle_no = r.vehicle_no AND m.origin = 'repair'
    AND m.origin_id = r.repair_id
GROUP BY r.vehicle_no, r.repair_id
HAVING bool_or(coalesce(r.action, '') <> 'inspect');

-- The codes on work orders, in the spelling of the vehicle's make.
CREATE OR REPLACE TEMP TABLE listed_codes AS
SELECT l.*, f.fault_no AS unseen_fault_no, f.code
FROM (
    SELECT DISTINCT vehicle_no, repair_id, repaired_at,
        unnest(regexp_extract_all(codes, 'SPN \d+( FMI \d+)?|\S+')) AS listed
    FROM jobs WHERE codes IS NOT NULL
) l
JOIN faults f ON f.vehicle_no = l.vehicle_no AND f.told = l.listed AND f.unit_no IS NULL;

-- A part without its place counts for every place of its family.
CREATE OR REPLACE TEMP MACRO part_fits(part, fault) AS
    part = fault OR NOT contains(part, ':') AND component_of(fault) = part;

-- Two families do not speak of different places.
CREATE OR REPLACE TEMP MACRO places_agree(family, other) AS
    places_meet(split_part(family, ':', 2), split_part(other, ':', 2));

-- How far off the place of a clear from a distance counter may be (own judgement).
CREATE OR REPLACE TEMP MACRO counter_slack(since_clear_km) AS
    greatest(getvariable('counter_slack_km'), 0.01 * since_clear_km);

-- Whether two places are further apart than one visit, anywhere within their bounds.
CREATE OR REPLACE TEMP MACRO surely_apart(low, high, other_low, other_high) AS
    coalesce(greatest(other_low - high, low - other_high) > getvariable('visit_km'), false);
CREATE OR REPLACE TEMP MACRO surely_near(low, high, other_low, other_high) AS
    coalesce(greatest(other_high, high) - least(other_low, low) <= getvariable('visit_km'), false);

-- One row per scan and control unit: did it answer, which memory was read, and its counters.
CREATE OR REPLACE TEMP TABLE unit_readings AS
SELECT g.*, h.vehicle_no, h.seq, h.seen_at, h.scan_scope, h.visit_reason, m.km, m.km_low, m.km_high
FROM (
    SELECT scan_no, unit_no,
        bool_or(ecu_response = 'answered' OR code IS NOT NULL) AS answered,
        bool_or(memory = 'stored') AS is_stored_memory,
        -- a saturated counter means only "at least": SAE J1979, PID 31 stops at 65535, 30 at 255
        min(distance_since_clear_km) FILTER (distance_since_clear_km < 65535) AS since_clear_km,
        min(warmups_since_clear) FILTER (warmups_since_clear < 255) AS warmups,
        max(monitors_incomplete) AS monitors_incomplete, max(ecu_vin) AS ecu_vin
    FROM scan_rows
    WHERE unit_no IS NOT NULL
    GROUP BY scan_no, unit_no
) g
JOIN scan_heads h USING (scan_no)
LEFT JOIN moment_km m USING (scan_no);

-- One row per scan and fault, with the strongest presence of its rows.
CREATE OR REPLACE TEMP TABLE sightings AS
SELECT r.scan_no, f.fault_no, any_value(f.unit_no) AS unit_no,
    arg_min(p.presence, p.strength) AS presence,
    arg_min(r.status, (p.strength, r.status)) AS status,
    -- listed, but reported as not failing
    coalesce(bool_and(p.is_inactive) FILTER (p.presence = 'present'), false) AS is_inactive,
    max(r.first_seen_km) AS told_km, max(r.description) AS description
FROM scan_rows r
JOIN faults f ON f.unit_no = r.unit_no AND f.told = r.code
JOIN presences p ON p.status = coalesce(r.status, '')
WHERE r.code IS NOT NULL
GROUP BY r.scan_no, f.fault_no;
