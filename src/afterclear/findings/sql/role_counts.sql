-- Counts codes and pairs of codes in one part of the fleet.  Needs the tables of ``role_part.sql``
-- and of ``role_units.sql``, to whose sums it adds.
--
-- A pair of codes needs the scans with (both there), which are few, and the rest: (this code there,
-- that unit read) and (both units read).  The rest is counted by code and unit, or by unit and
-- unit, never by pair; ``role_pairs.sql`` subtracts the scans with both.

-- A vehicle's units by function, ``box_no``: two units named by one function are one box.
CREATE OR REPLACE TEMP TABLE part_boxes AS
SELECT k.vehicle_id, k.ecu, k.unit_no AS look_no, u.unit_no,
    min(k.unit_no) OVER box AS box_no, count(*) OVER box > 1 AS is_shared
FROM store.known_units k
JOIN part_vehicles USING (vehicle_id)
JOIN role_units u USING (ecu)
WINDOW box AS (PARTITION BY k.vehicle_id, u.unit_no);

CREATE OR REPLACE TEMP TABLE part_clears AS
SELECT DISTINCT b.box_no, c.cleared_at
FROM store.clear_events c JOIN part_boxes b USING (vehicle_id, ecu);

-- Every reading of a unit's stored memory. ``before_at``: the reading before it, if there was no
-- clear since. Then the reading is *fresh*: a code it shows and the other did not show has truly
-- begun between them. A code set again after a clear has not begun; its fault was there all along.
-- Readings and clears are put in one sequence: a reading is fresh if the event before it is a
-- reading. A clear at the very time of a reading is placed on both sides of it.
CREATE OR REPLACE TEMP TABLE part_reads AS
WITH looked AS (
    SELECT l.scan_no, b.box_no, b.unit_no
    FROM store.looks l JOIN part_boxes b ON b.look_no = l.unit_no
    WHERE l.answered AND l.is_stored_memory AND NOT b.is_shared
        AND l.scan_no BETWEEN getvariable('first_scan') AND getvariable('last_scan')
    UNION ALL
    SELECT DISTINCT l.scan_no, b.box_no, b.unit_no
    FROM store.looks l JOIN part_boxes b ON b.look_no = l.unit_no
    WHERE l.answered AND l.is_stored_memory AND b.is_shared
        AND l.scan_no BETWEEN getvariable('first_scan') AND getvariable('last_scan')
), events AS (
    SELECT l.*, s.seen_at AS happened_at, 1 AS side FROM looked l JOIN part_scans s USING (scan_no)
    UNION ALL
    SELECT NULL, box_no, NULL, cleared_at, unnest([0, 2]) FROM part_clears
), in_order AS (
    SELECT *, lag(CASE WHEN side = 1 THEN happened_at END) OVER (
        PARTITION BY box_no ORDER BY happened_at, side, scan_no) AS before_at
    FROM events
)
SELECT scan_no, unit_no,
    -- of two scans at one time, the second follows the first, not the clear
    CASE WHEN before_at < happened_at
        OR (box_no, happened_at) NOT IN (SELECT (box_no, cleared_at) FROM part_clears)
        THEN before_at END AS before_at
FROM in_order WHERE side = 1;

CREATE OR REPLACE TEMP TABLE part_codes AS
SELECT m.scan_no, b.look_no, b.box_no, f.fault_no, f.unit_no, s.code, s.family, s.seen_at, s.km
FROM store.sightings s
JOIN part_scans m USING (vehicle_id, scan_id)
JOIN part_boxes b USING (vehicle_id, ecu)
JOIN role_faults f ON f.unit_no = b.unit_no AND f.code = s.code
WHERE s.presence IN ('present', 'sign');

-- What scans are stratified by. More than 5 codes beside the two of a pair form one class.
CREATE OR REPLACE TEMP TABLE part_heads AS
SELECT scan_no, least(count(*), 6)::INTEGER AS n_codes,
    bool_or(family = 'supply_voltage') AS low_supply
FROM part_codes GROUP BY scan_no;

-- Every sighting of an episode.  ``begins``: its first, in a fresh reading.  ``told_km``: where the
-- unit itself reports the km of its first sighting.  ``is_read``, ``before_at``: of its own unit.
-- ``is_first``: of those that show this code, in boxes of one function, the one that counts.
CREATE OR REPLACE TEMP TABLE part_shown AS
SELECT c.scan_no, c.box_no, c.fault_no, e.onset_high_at AS episode_at, h.n_codes, h.low_supply,
    r.scan_no IS NOT NULL AS is_read, r.before_at,
    c.seen_at = e.onset_high_at AND r.before_at IS NOT NULL AS begins,
    CASE WHEN c.seen_at = e.onset_high_at AND e.onset_high_km < c.km THEN e.onset_high_km END
        AS told_km,
    row_number() OVER (PARTITION BY c.scan_no, c.fault_no ORDER BY c.look_no) = 1 AS is_first
FROM part_codes c
JOIN part_heads h USING (scan_no)
ASOF JOIN (
    SELECT b.look_no, e.code, e.onset_high_at, e.onset_high_km, e.last_seen_at
    FROM store.episodes e JOIN part_boxes b USING (vehicle_id, ecu)
) e ON e.look_no = c.look_no AND e.code = c.code AND e.onset_high_at <= c.seen_at
LEFT JOIN part_reads r ON r.scan_no = c.scan_no AND r.unit_no = c.unit_no
WHERE c.seen_at <= e.last_seen_at;

INSERT INTO role_episodes
SELECT fault_no, count(DISTINCT (box_no, episode_at)) FROM part_shown GROUP BY fault_no;

INSERT INTO role_together
SELECT fault_a, fault_b, count(*) FROM (
    SELECT DISTINCT a.fault_no AS fault_a, b.fault_no AS fault_b, a.box_no, a.episode_at AS a_at,
        b.box_no, b.episode_at AS b_at
    FROM part_shown a JOIN part_shown b ON b.scan_no = a.scan_no AND b.fault_no > a.fault_no
) GROUP BY fault_a, fault_b;

-- Scans by the units they read, and read fresh: few sets, however many scans.
INSERT INTO role_read_units
SELECT r.reads, r.fresh, coalesce(h.n_codes, 0), coalesce(h.low_supply, false), count(*)
FROM (
    SELECT scan_no, bit_or(bit) AS reads, bit_or(bit) FILTER (before_at IS NOT NULL) AS fresh
    FROM part_reads JOIN (SELECT DISTINCT unit_no, bit FROM role_units) USING (unit_no)
    GROUP BY scan_no
) r
LEFT JOIN part_heads h USING (scan_no)
WHERE r.fresh IS NOT NULL GROUP BY ALL;

-- A code and a unit read in the same scan.  ``n_there``: the reading of the unit is fresh;
-- ``n_old``: and the reading before showed the code.  ``n_begun``: the code begins.  ``n_as_cause``
-- and ``n_as_effect``: both units are read, and the reading of the effect's unit is fresh.
INSERT INTO role_beside
SELECT s.fault_no, r.unit_no, s.n_codes, s.low_supply,
    count(*) FILTER (r.before_at IS NOT NULL),
    count(*) FILTER (s.episode_at <= r.before_at),
    count(*) FILTER (s.begins),
    count(*) FILTER (s.is_first AND s.is_read AND r.before_at IS NOT NULL),
    count(*) FILTER (s.is_first AND s.before_at IS NOT NULL)
FROM part_shown s JOIN part_reads r USING (scan_no)
GROUP BY s.fault_no, r.unit_no, s.n_codes, s.low_supply;

-- Two codes in the same scan, each way round.  ``n_begun``: the effect begins.  ``n_there``,
-- ``n_old``: as above, sightings of the cause.  ``n_scans``: as ``n_as_cause``. ``n_begun_beside``:
-- sightings of a beginning effect.  Order: ``n_after``, the effect begins when the cause was there
-- before; ``n_tied``, not before; ``n_told``: of these, both begin and their units report the km of
-- each.
INSERT INTO role_both
SELECT x.fault_no, y.fault_no, x.n_codes, x.low_supply,
    count(*) FILTER (y.begins),
    count(*) FILTER (y.is_first AND y.before_at IS NOT NULL),
    count(*) FILTER (y.is_first AND x.episode_at <= y.before_at),
    count(*) FILTER (x.is_first AND y.is_first AND x.is_read AND y.before_at IS NOT NULL),
    count(*) FILTER (x.is_first AND x.is_read AND y.begins),
    count(*) FILTER (y.begins AND x.episode_at <= y.before_at),
    count(*) FILTER (y.begins AND x.episode_at > y.before_at AND x.begins
        AND x.told_km < y.told_km),
    count(*) FILTER (y.begins AND x.episode_at > y.before_at)
FROM part_shown x JOIN part_shown y ON y.scan_no = x.scan_no AND y.fault_no <> x.fault_no
GROUP BY x.fault_no, y.fault_no, x.n_codes, x.low_supply;
