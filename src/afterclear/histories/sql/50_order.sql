-- Clears of one control unit in the order of its readings.  At the same instant a scan before the
-- work comes first, then the clear, then a scan after it; an inferred clear lies after every scan of
-- its instant, but before the one that revealed it.  ``seq`` is the place in this order: a reading
-- has that of its scan, and what is cleared after the scan a number just beyond it.
CREATE OR REPLACE TEMP TABLE unit_clears AS
WITH told AS (
    -- a clear whose instant is known has the km of that instant; an inferred one its far end
    SELECT c.unit_no, u.vehicle_no, c.cleared_at,
        CASE WHEN c.origin IN ('counter', 'status', 'vanished') THEN c.km_high
             ELSE coalesce(c.km, c.km_high) END AS clear_km,
        c.km_low AS clear_km_low, c.km_high AS clear_km_high, c.origin AS clear_origin,
        turn_key(c.cleared_at, CASE WHEN c.cleared_at < c.high_at THEN 4
            WHEN c.origin IN ('counter', 'status', 'vanished') THEN -1 ELSE 2 END) AS at_turn
    FROM clear_events c JOIN unit_names u USING (unit_no)
), turns AS (
    SELECT vehicle_no, at_turn, max(seq) AS seq FROM scan_heads GROUP BY vehicle_no, at_turn
), placed AS (
    SELECT c.*, coalesce(t.seq, 0) AS after_seq
    FROM told c ASOF LEFT JOIN turns t ON t.vehicle_no = c.vehicle_no AND c.at_turn >= t.at_turn
)
SELECT * EXCLUDE (vehicle_no, at_turn, after_seq), after_seq,
    row_number() OVER unit AS clear_no,
    -- without clears inferred from the absence of one code only: another code may have stayed all
    -- along
    count(*) FILTER (clear_origin <> 'vanished') OVER unit AS emptied_no,
    after_seq + row_number() OVER unit AS seq
FROM placed
WINDOW unit AS (
    PARTITION BY unit_no ORDER BY at_turn, clear_km_low, clear_km_high, clear_origin
    ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW);
