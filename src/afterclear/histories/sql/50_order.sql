-- Readings and clears of one control unit in one order.  At the same instant a scan before the work
-- comes first, then the clear, then a scan after it; an inferred clear lies after every scan of its
-- instant, but before the one that revealed it.  Only units that ever had a fault: the others are
-- never needed.
CREATE OR REPLACE TEMP TABLE unit_timeline AS
WITH events AS (
    SELECT unit_no, seen_at AS happened_at, scan_no, false AS is_clear,
        answered AND is_stored_memory AS is_stored_reading, km, km AS km_low, km AS km_high,
        CASE WHEN visit_reason IN ('pre_repair', 'complaint', 'intake') THEN 0
             WHEN visit_reason = 'post_repair' THEN 3 ELSE 1 END AS turn,
        NULL::VARCHAR AS clear_origin, visit_reason, monitors_incomplete, answered,
        is_stored_memory
    FROM unit_readings SEMI JOIN faults USING (unit_no)
    UNION ALL
    -- a clear whose instant is known has the km of that instant; an inferred one its far end
    SELECT unit_no, cleared_at, NULL, true, false,
        CASE WHEN origin IN ('counter', 'status', 'vanished') THEN km_high
             ELSE coalesce(km, km_high) END,
        km_low, km_high,
        CASE WHEN cleared_at < high_at THEN 4
             WHEN origin IN ('counter', 'status', 'vanished') THEN -1 ELSE 2 END,
        origin, NULL, NULL, NULL, NULL
    FROM clear_events SEMI JOIN faults USING (unit_no)
)
SELECT *,
    row_number() OVER unit AS seq,
    count(*) FILTER (is_clear) OVER unit AS clear_no,
    -- without clears inferred from the absence of one code only: another code may have stayed all
    -- along
    count(*) FILTER (is_clear AND clear_origin <> 'vanished') OVER unit AS emptied_no,
    count(*) FILTER (is_stored_reading) OVER unit AS reading_no
FROM events
WINDOW unit AS (
    PARTITION BY unit_no ORDER BY happened_at, turn, scan_no, km_low, km_high, clear_origin
    ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW);

CREATE OR REPLACE TEMP TABLE unit_clears AS
SELECT unit_no, clear_no, seq, happened_at AS cleared_at, km AS clear_km, km_low AS clear_km_low,
    km_high AS clear_km_high, clear_origin
FROM unit_timeline WHERE is_clear;

CREATE OR REPLACE TEMP TABLE readings AS
SELECT r.unit_no, r.scan_no, r.happened_at AS seen_at, r.km, r.visit_reason,
    r.monitors_incomplete, r.seq, r.clear_no, r.emptied_no, r.reading_no,
    c.cleared_at, c.clear_km, c.clear_km_low,
    -- readings of stored memory at even places, active-only ones between them: a code is gone
    -- between two places if a stored reading is strictly between them
    CASE WHEN r.is_stored_reading THEN 2 * r.reading_no ELSE 2 * r.reading_no + 1 END AS place,
    r.km - c.clear_km AS cleared_km_ago,
    -- why the absence of any code proves nothing in this reading; NULL if it may prove something.
    -- (Reasons are codes of ``reasons.EvidenceReason``; their numbers are in columns beside them.)
    CASE
        WHEN NOT r.answered THEN 'no_answer'
        WHEN NOT r.is_stored_memory THEN 'active_only'
        WHEN r.km IS NULL THEN 'distance_unknown'
        WHEN r.clear_no > 0 AND c.clear_km IS NULL THEN 'clear_distance_unknown'
    END AS why_blind
FROM unit_timeline r
LEFT JOIN unit_clears c ON c.unit_no = r.unit_no AND c.clear_no = r.clear_no
WHERE NOT r.is_clear;

DROP TABLE unit_timeline;

-- Why a reading without a code is no evidence that its fault is gone; NULL if it is evidence.
-- Readiness decides if it is known; otherwise the family's distance since the clear.
CREATE OR REPLACE TEMP MACRO why_no_evidence(
    why_blind, monitors_incomplete, cleared_km_ago, monitor, min_clean_km) AS
    CASE
        WHEN why_blind IS NOT NULL THEN why_blind
        WHEN monitors_incomplete IS NOT NULL AND monitor IS NOT NULL THEN
            CASE WHEN list_contains(string_split(monitors_incomplete, ' '), monitor)
                THEN 'self_test_incomplete' END
        WHEN cleared_km_ago < min_clean_km THEN 'too_soon_after_clear'
    END;
