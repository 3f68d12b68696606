-- What the fleet's scans say of pairs of codes, told plainly: every reading joined with every
-- other of its scan, by name.  Too slow for a fleet; what ``role_counts.sql`` and
-- ``role_pairs.sql`` count must be the same.  Needs the temporary table ``role_named`` (ecu, unit)
-- and the variable ``min_both``.

-- Every reading of a unit's stored memory, with the one before it.  ``is_fresh``: no clear since
-- the one before, so that a code it shows and the other did not has truly begun between them; a
-- code set again after a clear has not, its fault was there all along.
CREATE OR REPLACE TEMP TABLE joined_heads AS
SELECT vehicle_id, scan_id, count(*) AS n_codes, bool_or(family = 'supply_voltage') AS low_supply
FROM store.sightings WHERE presence IN ('present', 'sign') GROUP BY vehicle_id, scan_id;

CREATE OR REPLACE TEMP TABLE joined_reads AS
WITH readings AS (
    SELECT o.vehicle_id, o.scan_id, u.unit, min(o.seen_at) AS seen_at, min(o.km) AS km
    FROM store.observations o JOIN role_named u USING (ecu)
    WHERE o.answered AND o.memory = 'stored'
    GROUP BY o.vehicle_id, o.scan_id, u.unit
), ordered AS (
    SELECT *, lag(seen_at) OVER (PARTITION BY vehicle_id, unit ORDER BY seen_at, scan_id)
        AS before_at
    FROM readings
), clears AS (
    SELECT c.vehicle_id, u.unit, c.cleared_at
    FROM store.clear_events c JOIN role_named u USING (ecu)
)
SELECT o.*, coalesce(h.n_codes, 0) AS n_codes, coalesce(h.low_supply, false) AS low_supply,
    o.before_at IS NOT NULL AND coalesce(c.cleared_at < o.before_at, true) AS is_fresh
FROM ordered o
ASOF LEFT JOIN clears c
    ON c.vehicle_id = o.vehicle_id AND c.unit = o.unit AND o.seen_at >= c.cleared_at
LEFT JOIN joined_heads h ON h.vehicle_id = o.vehicle_id AND h.scan_id = o.scan_id;

-- Every sighting of an episode.  ``begins``: its first, in a fresh reading.  ``told_km``: where
-- the unit itself tells the km of its first sight.
CREATE OR REPLACE TEMP TABLE joined_shown AS
SELECT s.vehicle_id, s.scan_id, u.unit, s.code, s.seen_at, e.onset_high_at AS episode_at,
    s.seen_at = e.onset_high_at AND coalesce(r.is_fresh, false) AS begins,
    CASE WHEN s.seen_at = e.onset_high_at AND e.onset_high_km < s.km THEN e.onset_high_km END
        AS told_km,
    h.n_codes, h.low_supply
FROM store.sightings s
JOIN role_named u USING (ecu)
JOIN joined_heads h ON h.vehicle_id = s.vehicle_id AND h.scan_id = s.scan_id
ASOF JOIN (FROM store.episodes) e ON e.vehicle_id = s.vehicle_id AND e.ecu = s.ecu
    AND e.code = s.code AND e.onset_high_at <= s.seen_at
LEFT JOIN joined_reads r
    ON r.vehicle_id = s.vehicle_id AND r.scan_id = s.scan_id AND r.unit = u.unit
WHERE s.presence IN ('present', 'sign') AND s.seen_at <= e.last_seen_at;

-- Pairs that shared enough episodes to be weighed.
CREATE OR REPLACE TEMP TABLE joined_candidates AS
WITH together AS (
    SELECT DISTINCT a.vehicle_id, a.unit AS unit_a, a.code AS code_a, b.unit AS unit_b,
        b.code AS code_b, a.episode_at AS a_at, b.episode_at AS b_at
    FROM joined_shown a
    JOIN joined_shown b ON b.vehicle_id = a.vehicle_id AND b.scan_id = a.scan_id
        AND (b.unit, b.code) > (a.unit, a.code)
), episodes AS (
    SELECT unit, code, count(DISTINCT (vehicle_id, episode_at)) AS n FROM joined_shown GROUP BY ALL
)
SELECT row_number() OVER (ORDER BY unit_a, code_a, unit_b, code_b) - 1 AS pair, t.*, a.n AS n_a,
    b.n AS n_b
FROM (SELECT unit_a, code_a, unit_b, code_b, count(*) AS n_both FROM together GROUP BY ALL
      HAVING count(*) >= getvariable('min_both')) t
JOIN episodes a ON a.unit = unit_a AND a.code = code_a
JOIN episodes b ON b.unit = unit_b AND b.code = code_b;

-- Each pair both ways round: does the second begin where the first is there?
CREATE OR REPLACE TEMP TABLE joined_ways AS
SELECT pair * 2 AS way, unit_a AS cause_unit, code_a AS cause_code, unit_b AS effect_unit,
    code_b AS effect_code
FROM joined_candidates
UNION ALL
SELECT pair * 2 + 1, unit_b, code_b, unit_a, code_a FROM joined_candidates;

-- Readings of both units, fresh for the second, in which the first code is there.  ``is_old``: it
-- was there before the second unit's last reading, so its onset lies strictly before.
CREATE OR REPLACE TEMP TABLE joined_with_cause AS
SELECT w.way, x.n_codes, x.low_supply, x.episode_at <= r.before_at AS is_old, y.code IS NOT NULL
    AS has_effect, coalesce(y.begins, false) AS effect_begins, x.begins AS cause_begins,
    x.told_km AS cause_told_km, y.told_km AS effect_told_km
FROM joined_ways w
JOIN joined_shown x ON x.unit = w.cause_unit AND x.code = w.cause_code
JOIN joined_reads r ON r.vehicle_id = x.vehicle_id AND r.scan_id = x.scan_id
    AND r.unit = w.effect_unit AND r.is_fresh
LEFT JOIN joined_shown y ON y.vehicle_id = x.vehicle_id AND y.scan_id = x.scan_id
    AND y.unit = w.effect_unit AND y.code = w.effect_code;

-- One 2x2 table a way and stratum.  a, b: first code there, second begins or is absent; c, d:
-- first code absent, second begins or is absent.  ``others``: codes of the scan beside the two.
CREATE OR REPLACE TEMP TABLE joined_cells AS
WITH begun_without AS (
    SELECT w.way, y.n_codes, y.low_supply
    FROM joined_ways w
    JOIN joined_shown y ON y.unit = w.effect_unit AND y.code = w.effect_code AND y.begins
    JOIN joined_reads r ON r.vehicle_id = y.vehicle_id AND r.scan_id = y.scan_id
        AND r.unit = w.cause_unit
    ANTI JOIN joined_shown x ON x.vehicle_id = y.vehicle_id AND x.scan_id = y.scan_id
        AND x.unit = w.cause_unit AND x.code = w.cause_code
), read_both AS (
    SELECT u.cause_unit, u.effect_unit, y.n_codes, y.low_supply, count(*) AS n
    FROM (SELECT DISTINCT cause_unit, effect_unit FROM joined_ways) u
    JOIN joined_reads y ON y.unit = u.effect_unit AND y.is_fresh
    JOIN joined_reads x ON x.unit = u.cause_unit AND x.vehicle_id = y.vehicle_id
        AND x.scan_id = y.scan_id
    GROUP BY ALL
), with_either AS (
    SELECT w.way, s.n_codes, s.low_supply, count(DISTINCT (s.vehicle_id, s.scan_id)) AS n
    FROM (
        SELECT way, cause_unit, effect_unit, cause_unit AS unit, cause_code AS code FROM joined_ways
        UNION ALL
        SELECT way, cause_unit, effect_unit, effect_unit, effect_code FROM joined_ways
    ) w
    JOIN joined_shown s USING (unit, code)
    JOIN joined_reads y ON y.vehicle_id = s.vehicle_id AND y.scan_id = s.scan_id
        AND y.unit = w.effect_unit AND y.is_fresh
    JOIN joined_reads x ON x.vehicle_id = s.vehicle_id AND x.scan_id = s.scan_id
        AND x.unit = w.cause_unit
    GROUP BY ALL
), cells AS (
    SELECT way, CASE WHEN effect_begins THEN 'a' ELSE 'b' END AS cell,
        n_codes - 1 - effect_begins::INTEGER AS others, low_supply, 1 AS n
    FROM joined_with_cause WHERE effect_begins OR NOT has_effect
    UNION ALL
    SELECT way, 'c', n_codes - 1, low_supply, 1 FROM begun_without
    UNION ALL
    SELECT w.way, 'd', r.n_codes, r.low_supply, r.n - coalesce(e.n, 0)
    FROM joined_ways w
    JOIN read_both r USING (cause_unit, effect_unit)
    LEFT JOIN with_either e ON e.way = w.way AND e.n_codes = r.n_codes
        AND e.low_supply = r.low_supply
)
SELECT way, low_supply, CASE WHEN others <= 1 THEN others WHEN others <= 3 THEN 2 ELSE 4 END
        AS many,
    coalesce(sum(n) FILTER (cell = 'a'), 0)::DOUBLE AS a,
    coalesce(sum(n) FILTER (cell = 'b'), 0)::DOUBLE AS b,
    coalesce(sum(n) FILTER (cell = 'c'), 0)::DOUBLE AS c,
    coalesce(sum(n) FILTER (cell = 'd'), 0)::DOUBLE AS d
FROM cells GROUP BY ALL ORDER BY way, low_supply, many;

-- Order: how often the second began after the first was there, and how often it could have; and
-- onsets between the same two scans of which both units tell the km.
CREATE OR REPLACE TEMP TABLE joined_order AS
SELECT way,
    count(*) FILTER (is_old AND effect_begins)::DOUBLE AS n_after,
    count(*) FILTER (is_old AND (effect_begins OR NOT has_effect))::DOUBLE AS n_exposed,
    count(*) FILTER (NOT is_old AND cause_begins AND effect_begins
        AND cause_told_km < effect_told_km)::DOUBLE AS n_told,
    count(*) FILTER (NOT is_old AND effect_begins)::DOUBLE AS n_tied
FROM joined_with_cause GROUP BY way ORDER BY way;
