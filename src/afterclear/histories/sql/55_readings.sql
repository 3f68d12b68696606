-- Each reading with its place in the order of its unit (``reading_order.py``) and the clear before.
CREATE OR REPLACE TEMP TABLE readings AS
SELECT r.unit_no, r.scan_no, r.seen_at, r.km, r.visit_reason, r.monitors_incomplete, r.seq,
    o.clear_no, coalesce(c.emptied_no, 0) AS emptied_no, o.reading_no, o.watched_km,
    c.cleared_at, c.clear_km, c.clear_km_low,
    -- readings of stored memory at even places, active-only ones between them: a code is gone
    -- between two places if a stored reading is strictly between them
    CASE WHEN r.answered AND r.is_stored_memory THEN 2 * o.reading_no
         ELSE 2 * o.reading_no + 1 END AS place,
    r.km - c.clear_km AS cleared_km_ago,
    -- why the absence of any code proves nothing in this reading; NULL if it may prove something.
    -- (Reasons are codes of ``reasons.EvidenceReason``; their numbers are in columns beside them.)
    CASE
        WHEN NOT r.answered THEN 'no_answer'
        WHEN NOT r.is_stored_memory THEN 'active_only'
        WHEN r.km IS NULL THEN 'distance_unknown'
        WHEN o.clear_no > 0 AND c.clear_km IS NULL THEN 'clear_distance_unknown'
    END AS why_blind
FROM unit_readings r
POSITIONAL JOIN reading_order o
LEFT JOIN unit_clears c ON c.unit_no = r.unit_no AND c.clear_no = o.clear_no;

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
